"""A checked site: everything its files say, as one frozen object."""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Literal, get_args

from pydantic import Field

from linectl.site.calibration import CalibrationFile
from linectl.site.crops import CropFile
from linectl.site.fields import Duration, Facts, Name, Timer
from linectl.site.hardware import Bus, Device, Point
from linectl.site.interlocks import InterlockFile
from linectl.site.machine import Lane, Station, UnitName
from linectl.site.tuning import Tuning

SHELVE_LIMIT_MS = 8 * 3_600_000
"""A shift (common practice, no source): who takes over sees what the last shift had put aside."""


class Gutter(Facts):
    """The long channel itself."""

    length_mm: Annotated[int, Field(gt=0)]
    length_tolerance: float = Field(default=0.08, gt=0, lt=1)
    """Share by which eye-lit time × speed may differ from the length."""
    width_mm: Annotated[float, Field(gt=0)] | None = None
    """Inner width; with the depth it says how high the bed stands."""
    depth_mm: Annotated[float, Field(gt=0)] | None = None
    """Inner depth, from the rim to the floor."""


class Zone(Facts):
    """A safety zone: its guards and its emergency stop; which unit it belongs to."""

    text: str
    unit: UnitName | None = None
    """None: shared by both units, as the lanes are."""
    guards: tuple[Name, ...] = ()
    """Guards that stop this zone; each has the point `guard_NAME.closed`."""
    estops: tuple[Name, ...] | None = None
    """Zones whose emergency stops act on this one; None: every zone's do."""
    watchdog_limit_ms: Timer = Field(alias="watchdog_limit")
    """A device that moves something here must fall to safe values within this time."""
    reaction_limit_ms: Timer = Field(alias="reaction_limit")
    """From a cause to its output off at the device."""


PULSE_LIMIT_MS = 10_000
"""Beyond this nobody calls it a pulse any more (common practice, no source)."""


class AutoResume(Facts):
    """How long a unit may have stood Suspended and still start again by itself."""

    limit_ms: Duration = Field(default=300_000, alias="limit")
    signed_by: str | None = None
    signed_on: dt.date | None = None


class Limits(Facts):
    """The site's limits on waiting, standing and starting."""

    start_warning_ms: Annotated[Timer, Field(ge=3000)] = Field(default=3000, alias="start_warning")
    wet_limit_ms: Timer = Field(default=1_800_000, alias="wet_limit")
    suspend_after_ms: Timer = Field(default=20_000, alias="suspend_after")
    """A unit that cannot work for this long is Suspended (outside cause) or Held (inside)."""
    auto_resume: AutoResume = AutoResume()
    ledger_ack_ms: Timer = Field(default=2000, alias="ledger_ack")
    """An intent not durable by then: alarm and safe wait."""
    shelve_limit_ms: Annotated[Timer, Field(le=SHELVE_LIMIT_MS)] = Field(
        default=SHELVE_LIMIT_MS, alias="shelve_limit"
    )
    """The longest time for which an alarm may be shelved."""
    ledger_bench_delay_ms: Duration = Field(default=20, alias="ledger_bench_delay")
    pulse_ms: Annotated[Timer, Field(le=PULSE_LIMIT_MS)] = Field(default=2000, alias="pulse")
    """The longest pulse of an output whose role has no time of its own, in maintenance."""


class Forces(Facts):
    """What may be forced."""

    interlock_points: Literal["refused", "twice"] = "refused"
    """A point that interlocks read: never forced, or only if the command comes twice. No interlock
    believes a force either way."""


Weekday = Literal["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]
WEEKDAYS: tuple[Weekday, ...] = get_args(Weekday)


class Shift(Facts):
    """When the line works: one shift on each of its days."""

    start: dt.time
    length_ms: Timer = Field(alias="length")
    days: Annotated[tuple[Weekday, ...], Field(min_length=1)] = WEEKDAYS

    def works_on(self, day: dt.date) -> bool:
        """True if a shift begins on that day."""
        return WEEKDAYS[day.weekday()] in self.days


class Sowing(Facts):
    """What the sower does when nobody says otherwise."""

    crop: Name
    """Crop in the drum at start."""
    harvest_order: tuple[Name, ...] = ()
    """Crops in the order they are ejected, repeated; empty: the ripest tail first."""
    changeover_ms: Timer = Field(default=600_000, alias="changeover")
    """What a change of crop costs the shift: run out, people at the hopper, the first gutter
    looked at (10 min is common practice, no source)."""
    changeovers: Annotated[int, Field(ge=0)] = 0
    """Changes of crop in a usual shift."""
    name_lots: bool = False
    """True: sowing without a named seed and substrate lot, and handing over without a packing
    lot, is a low alarm. Nothing waits for a name."""


class SiteFile(Facts):
    """site.yaml."""

    name: Name
    text: str = ""
    extends: str | None = None
    scan_ms: Timer = Field(alias="scan")
    takt_ms: Timer = Field(alias="takt")
    edition: Literal["isa-tr88.00.02-2015", "isa-tr88.00.02-2015+hold"] = "isa-tr88.00.02-2015+hold"
    gutter: Gutter
    buses: dict[Name, Bus]
    devices: dict[Name, Device]
    zones: dict[Name, Zone]
    stations: dict[Name, Station]
    lanes: Annotated[tuple[Lane, ...], Field(min_length=1)]
    limits: Limits = Limits()
    forces: Forces = Forces()
    shift: Shift
    sowing: Sowing
    tuning: Tuning = Tuning()


class Site(Facts):
    """A site whose files agree with each other. `points` are in file order, by index."""

    file: SiteFile
    points: tuple[Point, ...]
    crops: CropFile
    interlocks: InterlockFile
    calibration: CalibrationFile = CalibrationFile()
    folder: str
    digest: str
    """SHA-256 over the resolved content of all files."""

    @property
    def name(self) -> str:
        return self.file.name

    @property
    def sowing_ms(self) -> int:
        """Time of a usual shift that is left for sowing when its changeovers are taken off."""
        sowing = self.file.sowing
        return max(0, self.file.shift.length_ms - sowing.changeovers * sowing.changeover_ms)

    def index(self, tag: str) -> int:
        """Image index of `tag`; KeyError if the IO list has no such tag."""
        return self.tags[tag]

    @property
    def tags(self) -> dict[str, int]:
        """Image index by tag (built anew at each call: keep it)."""
        return {point.tag: point.index for point in self.points}

    def station(self, kind: str) -> str:
        """Id of the one station of that kind; KeyError if there is none."""
        for name, station in self.file.stations.items():
            if station.kind == kind:
                return name
        raise KeyError(kind)

"""Set-points of a site for a crop: what the line writes to doser, valve, drum and drives.

The line calls these very functions, so what `linectl setpoints` prints is what the device gets. A
rate is the dose divided by the time for which the tool works on a gutter; a calibration's factor
(what comes for each one asked) is divided out; a drive told in hertz gets the frequency that its
calibration gives for the rate.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

from linectl.crop import dosing, drives
from linectl.site.calibration import is_hertz
from linectl.site.hardware import Point
from linectl.site.machine import Conveyor, Fill, Range, Seed, Water
from linectl.site.model import Site
from linectl.site.register_range import as_held

TOOL_LEAD_MM = 50
"""How far the head is past a tool before it starts: eyes are seen late, never early."""

Tool = Fill | Water | Seed
Verdict = Literal["ok", "too slow", "too fast", "cannot be written"]


class Tools(NamedTuple):
    """The stations that put something into a gutter."""

    fill: Fill
    water: Water
    seed: Seed


def tools(site: Site) -> Tools:
    """The site's filler, waterer and seeder."""
    fill, water, seed = (site.file.stations[site.station(k)] for k in ("fill", "water", "seed"))
    if not (isinstance(fill, Fill) and isinstance(water, Water) and isinstance(seed, Seed)):
        raise TypeError("a station is not of the kind that it is listed under")
    return Tools(fill, water, seed)


def worked_mm(site: Site, tool: Tool) -> float:
    """The stretch of a gutter that a tool works on, in mm."""
    gutter_mm = site.file.gutter.length_mm
    return dosing.worked_mm(gutter_mm, tool.tool_mm, tool.entry_eye_mm, TOOL_LEAD_MM)


def worked_ms(site: Site, tool: Tool) -> int:
    """How long a tool works on one gutter at belt speed, in whole ms."""
    return int(dosing.passing_ms(worked_mm(site, tool), tool.speed_mm_s))


def doser_ml_s(site: Site, fill: Fill, crop: str) -> float:
    """What the doser is asked for: ml/s of loose substrate."""
    rate = dosing.doser_ml_s(site.crops.crops[crop].substrate_l, worked_ms(site, fill))
    return dosing.asked(rate, site.calibration.doser_factor)


def flow_ml_s(site: Site, water: Water, dose_ml: float) -> float:
    """What the control valve is asked for: ml/s."""
    rate = dosing.water_ml_s(dose_ml, worked_ms(site, water))
    return dosing.asked(rate, site.calibration.water_factor)


def meter_pulses(site: Site, water: Water, dose_ml: float) -> float:
    """Pulses of the water meter for a dose, as calibrated, else as the station says."""
    return dosing.pulses(dose_ml, pulses_per_l(site, water))


def pulses_per_l(site: Site, water: Water) -> float:
    """Pulses of the water meter for a litre."""
    measured = site.calibration.water
    return (measured and measured.pulses_per_l) or water.pulses_per_l


def drum_seeds_s(site: Site, seed: Seed, crop: str) -> float:
    """What the drum is asked for: seeds/s at belt speed."""
    rate = dosing.drum_seeds_s(site.crops.crops[crop].seeds_per_gutter, worked_ms(site, seed))
    return dosing.asked(rate, site.calibration.drum_factor(crop))


def in_point_unit(site: Site, point: Point, value: float) -> float:
    """A rate or speed in the unit of its point: hertz where io.csv says Hz, else as it is."""
    if not is_hertz(point.unit):
        return value
    drive = site.calibration.drives[point.tag]
    return drives.hertz(value, drive.per_hz, drive.offset_hz)


def from_point_unit(site: Site, point: Point, value: float) -> float:
    """The rate or speed that a value in the point's unit stands for."""
    if not is_hertz(point.unit):
        return value
    drive = site.calibration.drives[point.tag]
    return drives.value_at(value, drive.per_hz, drive.offset_hz)


@dataclass(frozen=True)
class SetPoint:
    """One set-point against what its device and its register allow."""

    tag: str
    unit: str
    """Of value, held, least and most: ml/s, seeds/s, mm/s."""
    value: float
    """What the device is asked for."""
    written: float
    """The same in the unit of the point: what the line writes."""
    point_unit: str
    held: float | None
    """What the register holds of it; None: it cannot be written."""
    least: float | None
    most: float | None
    """What the device can do: the range of site.yaml, and the frequencies of its calibration."""

    @property
    def verdict(self) -> Verdict:
        """Whether the device can do it."""
        if self.held is None:
            return "cannot be written"
        if self.least is not None and self.value < self.least:
            return "too slow"
        if self.most is not None and self.value > self.most:
            return "too fast"
        return "ok"

    @property
    def off_by(self) -> float:
        """Share by which the register's step makes it wrong; 0 if it cannot be written at all."""
        return self.held / self.value - 1 if self.held is not None and self.value else 0.0


def refusal(site: Site, crop: str) -> str | None:
    """Why a crop cannot be sown here: a set-point that no register holds; None if all can be
    written. A device that was told nothing instead would fill, water or seed nothing."""
    for made in (doser(site, crop), flow(site, crop), drum(site, crop)):
        if made.verdict == "cannot be written":
            return (
                f"{crop} needs {made.value:.4g} {made.unit} of {made.tag}, which its register"
                " cannot hold; linectl check says what would be right"
            )
    return None


def doser(site: Site, crop: str) -> SetPoint:
    """The doser's set-point for a crop."""
    name, fill = site.station("fill"), tools(site).fill
    value = doser_ml_s(site, fill, crop)
    return _set_point(site, f"{name}.doser_rate", "ml/s", value, fill.doser_range_ml_s)


def flow(site: Site, crop: str) -> SetPoint:
    """The control valve's set-point for a crop."""
    name, water = site.station("water"), tools(site).water
    value = flow_ml_s(site, water, site.crops.crops[crop].water_ml)
    return _set_point(site, f"{name}.flow_rate", "ml/s", value, water.flow_range_ml_s)


def drum(site: Site, crop: str) -> SetPoint:
    """The drum's set-point for a crop."""
    name, seed = site.station("seed"), tools(site).seed
    value = drum_seeds_s(site, seed, crop)
    return _set_point(site, f"{name}.drum_rate", "seeds/s", value, seed.drum_range_seeds_s)


def belts(site: Site) -> tuple[SetPoint, ...]:
    """The speed of every belt, in the order of the stations; the same for all crops."""
    return tuple(
        _set_point(site, f"{name}.speed", "mm/s", fact.speed_mm_s, fact.speed_range_mm_s)
        for name, fact in site.file.stations.items()
        if isinstance(fact, Conveyor)
    )


def _set_point(site: Site, tag: str, unit: str, value: float, declared: Range | None) -> SetPoint:
    point = site.points[site.index(tag)]
    written = in_point_unit(site, point, value)
    held = as_held(point, written)
    least = [declared.least] if declared else []
    most = [declared.most] if declared else []
    if is_hertz(point.unit):
        drive = site.calibration.drives[tag]
        least.append(from_point_unit(site, point, drive.least_hz))
        most.append(from_point_unit(site, point, drive.most_hz))
    return SetPoint(
        tag=tag,
        unit=unit,
        value=value,
        written=written,
        point_unit=point.unit,
        held=None if held is None else from_point_unit(site, point, held),
        least=max(least, default=None),
        most=min(most, default=None),
    )

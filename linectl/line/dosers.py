"""The sower's stations that put something into the gutter: fill, water, seed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from linectl.crop import setpoints
from linectl.line.gutters import Gutter
from linectl.line.inputs import NEVER
from linectl.line.toolzone import ToolZone
from linectl.site import machine

if TYPE_CHECKING:
    from linectl.line.line import Line
    from linectl.line.units import Unit


class Fill(ToolZone):
    """Doses substrate along the passing gutter."""

    facts: machine.Fill

    def __init__(
        self, line: Line, name: str, unit: Unit, facts: machine.Fill, io: dict[str, int]
    ) -> None:
        super().__init__(line, name, unit, facts, io, "doser", None)
        self.rate = io[f"{name}.doser_rate"]

    def prepare(self, gutter: int, now: int) -> bool:
        self.line.gutters[gutter].crop = self.line.crop_in_drum
        self.ready_for(self.line.gutters[gutter])
        return super().prepare(gutter, now)

    def ready_for(self, gutter: Gutter) -> None:
        super().ready_for(gutter)
        rate = setpoints.doser_ml_s(self.line.site, self.facts, gutter.crop)
        self.line.set_point(self.rate, rate)

    def wait(self) -> tuple[bool, str] | None:
        return self.line.station_wait(self.name)


class Water(ToolZone):
    """Waters the passing gutter; only one that has a hole reserved may enter."""

    facts: machine.Water
    FIELDS = (*ToolZone.FIELDS, "waiting")

    def __init__(
        self, line: Line, name: str, unit: Unit, facts: machine.Water, io: dict[str, int]
    ) -> None:
        super().__init__(line, name, unit, facts, io, "valve", "flow_pulses")
        self.rate = io[f"{name}.flow_rate"]
        self.waiting = False
        """A tamped gutter waits for a hole."""

    def would_take(self, now: int) -> bool:
        if not (super().would_take(now) and self.line.changeover.waters()):
            return False
        return self.line.lanes.hole_for(self._crop(), now) is not None

    def _crop(self) -> str:
        return self.line.crop_in_drum

    def _empty(self, now: int) -> None:
        super()._empty(now)
        up = self.upstream
        waiting = (
            self.state == "empty"
            and up is not None
            and up.state == "done"
            and self.line.lanes.hole_for(self._crop(), now) is None
        )
        if waiting is not self.waiting:
            self.waiting = waiting
            self.line.note_wait("sowing", waiting, self.line.lanes.no_hole_text(self._crop()))

    def prepare(self, gutter: int, now: int) -> bool:
        record = self.line.gutters[gutter]
        lane = self.line.lanes.hole_for(self._crop(), now)
        if lane is None:
            return False
        record.crop = self._crop()
        self.line.lanes.reserve(record, lane)
        self.ready_for(record)
        return super().prepare(gutter, now)

    def ready_for(self, gutter: Gutter) -> None:
        super().ready_for(gutter)
        own_ml = self.line.crops[gutter.crop].water_ml
        dose_ml = self.line.interventions.overrides.water_ml(own_ml)
        self.line.set_point(self.rate, setpoints.flow_ml_s(self.line.site, self.facts, dose_ml))
        self.wanted = setpoints.meter_pulses(self.line.site, self.facts, dose_ml)

    def on_tool(self, now: int) -> None:
        record = self.line.gutters[self.gutter]
        record.wet_at = min(record.wet_at, now)

    def judge(self, counts: float) -> None:
        share = counts / self.wanted - 1
        if abs(share) > self.facts.dose_tolerance:
            litres = counts / setpoints.pulses_per_l(self.line.site, self.facts)
            self.line.alarms.raise_(
                f"{self.name}.dose", "medium",
                f"{self.name}: gutter {self.gutter} got {litres:.2f} l,"
                f" {share:+.0%} of its dose",
            )  # fmt: skip
        else:
            self.line.alarms.clear(f"{self.name}.dose")

    def wait(self) -> tuple[bool, str] | None:
        if self.waiting:
            return True, self.line.lanes.no_hole_text(self._crop())
        up, change = self.upstream, self.line.changeover
        if self.state == "empty" and up is not None and up.gutter and not change.waters():
            return False, change.text()
        return self.line.station_wait(self.name)


class Seed(ToolZone):
    """Seeds the passing gutter from the vacuum drum."""

    facts: machine.Seed
    FIELDS = (*ToolZone.FIELDS, "starved")

    def __init__(
        self, line: Line, name: str, unit: Unit, facts: machine.Seed, io: dict[str, int]
    ) -> None:
        super().__init__(line, name, unit, facts, io, "drum", "seed_counter")
        self.rate = io[f"{name}.drum_rate"]
        self.vacuum = io[f"{name}.vacuum"]
        self.pump = line.bit(io[f"{name}.pump"])
        self.mask |= self.pump
        self.starved = False

    def demand(self) -> int:
        bits = super().demand()
        up = self.upstream
        wanted = self.gutter or (up is not None and up.gutter)
        return bits | self.pump if wanted and self.works() else bits

    def would_take(self, now: int) -> bool:
        return super().would_take(now) and self._vacuum_good()

    def _vacuum_good(self) -> bool:
        return not self.works() or self.line.seen.value[self.vacuum] >= self.facts.vacuum_min_kpa

    def _empty(self, now: int) -> None:
        up = self.upstream
        starved = up is not None and up.state == "done" and not self._vacuum_good()
        if starved and not self.starved:
            self.due = now + self.facts.vacuum_timeout_ms
        elif not starved:
            self.due = NEVER
        self.starved = starved
        if starved and now >= self.due:
            self.due = NEVER
            value = self.line.seen.value[self.vacuum]
            self.fail(
                "vacuum",
                f"{self.name}: drum vacuum {value:.1f} kPa, needs {self.facts.vacuum_min_kpa:g}",
            )
            return
        due = self.due
        super()._empty(now)
        if self.state == "empty":
            self.due = due

    def prepare(self, gutter: int, now: int) -> bool:
        self.ready_for(self.line.gutters[gutter])
        return super().prepare(gutter, now)

    def ready_for(self, gutter: Gutter) -> None:
        super().ready_for(gutter)
        rate = setpoints.drum_seeds_s(self.line.site, self.facts, gutter.crop)
        self.line.set_point(self.rate, rate)
        self.wanted = float(self.line.crops[gutter.crop].seeds_per_gutter)

    def on_tool(self, now: int) -> None:
        record = self.line.gutters[self.gutter]
        if record.sown_at == NEVER:
            record.sown_at = now
            record.ripe_at = now + self.line.crops[record.crop].ripe_after_ms

    def judge(self, counts: float) -> None:
        self.line.changeover.counted(counts)
        share = counts / self.wanted - 1
        if abs(share) > self.facts.seed_tolerance:
            self.line.alarms.raise_(
                f"{self.name}.count", "medium",
                f"{self.name}: gutter {self.gutter} got {counts:.0f} seeds, {share:+.0%}",
            )  # fmt: skip
        else:
            self.line.alarms.clear(f"{self.name}.count")

    def wait(self) -> tuple[bool, str] | None:
        if self.starved:
            return False, f"{self.name}: vacuum low"
        if self.state == "done" and (text := self.line.changeover.kept_text()):
            return False, text
        return self.line.station_wait(self.name)

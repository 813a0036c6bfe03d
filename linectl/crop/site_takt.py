"""A site's takt: feeds the numbers of a checked site to the arithmetic of `takt` and `lanes`."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from linectl.crop import lanes, takt
from linectl.crop.takt import Arm, Belt, Cycle, RunTimes, Step, TransferTimes
from linectl.site.machine import SOWING_KINDS, Carriage, Conveyor, Magazine, Tamp, Turn, TurnOut
from linectl.site.model import Site
from linectl.site.reading import polls_between

_COUNTERS = {"water": "flow_pulses", "seed": "seed_counter"}


@dataclass(frozen=True)
class SiteTakt:
    """Takt by station and gutters per hour by lane, as the site's own numbers give them."""

    takt_ms: int
    """The takt asked for."""
    stations: tuple[Cycle, ...]
    lanes: tuple[Cycle, ...]
    residence_days: float
    """Days that a gutter stands if every shift sows at the takt asked for, less its usual
    changeovers (Little)."""

    @property
    def slowest(self) -> Cycle:
        return takt.slowest(self.stations)

    @property
    def possible_ms(self) -> float:
        """The best takt: one gutter of the slowest station, or of all lanes together."""
        return max(self.slowest.cycle_ms, takt.HOUR_MS / self.lanes_per_hour)

    @property
    def lanes_per_hour(self) -> float:
        """Gutters an hour that all lanes together can take."""
        return sum(lane.gutters_per_hour for lane in self.lanes)


def mean_reaction_ms(site: Site) -> float:
    """A step's usual allowance in ms: half the fastest poll, where the eyes are, and a scan.

    On the mean a change waits half a poll to be read. Steps that are told by a drive say so
    themselves (standstill). Worst cases are the bus budget's business.
    """
    return min(bus.poll_ms for bus in site.file.buses.values()) / 2 + site.file.scan_ms


def site_takt(site: Site, allowance_ms: float | None = None) -> SiteTakt:
    """Takt of a site; `allowance_ms` per step, by default its mean reaction."""
    allowance = mean_reaction_ms(site) if allowance_ms is None else allowance_ms
    per_shift = lanes.gutters_in_shift(site.sowing_ms, site.file.takt_ms)
    slots = sum(lane.slots for lane in site.file.lanes)
    return SiteTakt(
        takt_ms=site.file.takt_ms,
        stations=(*_sower(site, allowance), *_harvest(site, allowance)),
        lanes=_lanes(site, allowance),
        residence_days=lanes.residence_days(slots, per_shift),
    )


def _belt(station: Conveyor) -> Belt:
    return Belt(
        length_mm=station.length_mm,
        entry_eye_mm=station.entry_eye_mm,
        exit_eye_mm=station.exit_eye_mm,
        speed_mm_s=station.speed_mm_s,
        ramp_ms=station.ramp_ms,
    )


def _arm(site: Site, kind: str) -> Arm:
    station = site.file.stations[site.station(kind)]
    if not isinstance(station, Carriage):
        raise TypeError(f"{kind} is no carriage")
    ends = tuple(float(getattr(lane, f"{kind}_mm")) for lane in site.file.lanes)
    return Arm(
        home_mm=station.home_mm,
        speed_mm_s=station.speed_mm_s,
        ramp_ms=station.ramp_ms,
        gripper_ms=station.gripper_ms,
        grip_ms=station.grip_ms,
        ends_mm=ends,
    )


def _sower(site: Site, allowance: float) -> list[Cycle]:
    """Cycles from the magazine to the infeed carriage, in flow order."""
    ids = [site.station(kind) for kind in SOWING_KINDS if kind != "infeed"]
    facts = [site.file.stations[name] for name in ids]
    belts = [_belt(fact) for fact in facts if isinstance(fact, Conveyor)]
    gutter_mm = site.file.gutter.length_mm
    outs = [takt.give_on(a, b, gutter_mm, allowance) for a, b in pairwise(belts)]
    ins = [takt.draw_in(b, a, allowance) for a, b in pairwise(belts)]
    ask = Step("ledger", float(site.file.limits.ledger_bench_delay_ms))
    arm = _arm(site, "infeed")
    cycles = []
    for place, (name, fact) in enumerate(zip(ids, facts, strict=True)):
        steps: list[Step] = [] if isinstance(fact, Magazine) else [ask, ins[place - 1]]
        if isinstance(fact, Magazine):
            steps += [ask, Step("gate", fact.gate_ms)]
        elif isinstance(fact, Tamp):
            steps += takt.tamping(fact.clamp_ms, fact.press_ms, _still_ms(site, name, fact))
        elif isinstance(fact, Turn):
            still = Step("stand still", _still_ms(site, name, fact))
            steps += [still, Step("turn", fact.turn_ms), ask]
            steps += takt.handling(arm, "reach", "grip", "lift")
            steps.append(Step("turn back", fact.turn_ms))
        elif fact.kind in _COUNTERS:
            steps.append(Step("count", _poll_ms(site, f"{name}.{_COUNTERS[fact.kind]}")))
        if place < len(outs):
            steps += [ask, outs[place]]
        cycles.append(Cycle(name, tuple(steps), allowance))
    cycles.append(takt.carriage(site.station("infeed"), arm, allowance, ask.ms))
    return cycles


def _harvest(site: Site, allowance: float) -> list[Cycle]:
    """Cycles of the outfeed carriage and the turn-out; people in the hall are not counted."""
    arm = _arm(site, "outfeed")
    name = site.station("turnout")
    table = site.file.stations[name]
    if not isinstance(table, TurnOut):
        raise TypeError(f"{name} is no turn-out")
    ask = Step("ledger", float(site.file.limits.ledger_bench_delay_ms))
    steps = (
        ask,
        *takt.handling(arm, "reach out", "release", "withdraw"),
        Step("turn", table.turn_ms),
        ask,
        takt.hand_over(_belt(table), site.file.gutter.length_mm),
        Step("taken", 0.0),
        Step("turn back", table.turn_ms),
    )
    return [
        takt.carriage(site.station("outfeed"), arm, allowance, ask.ms),
        Cycle(name, steps, allowance),
    ]


def _lanes(site: Site, allowance: float) -> tuple[Cycle, ...]:
    hands = _arm(site, "infeed").handling_ms + _arm(site, "outfeed").handling_ms
    return tuple(
        takt.lane(
            lane.prefix,
            [RunTimes(run.stroke_ms, run.back_ms) for run in lane.runs],
            [
                TransferTimes(t.belt_ms, 0 if t.kind == "level" else t.travel_ms)
                for t in lane.transfers
            ],
            hands,
            allowance,
        )
        for lane in site.file.lanes
    )


def _still_ms(site: Site, name: str, belt: Conveyor) -> float:
    """From the eye to the drive's word that it stands: the ramp, and half a poll of its bus."""
    return belt.ramp_ms + _poll_ms(site, f"{name}.running") / 2


def _poll_ms(site: Site, tag: str) -> float:
    point = site.points[site.index(tag)]
    bus = site.file.buses[site.file.devices[point.device].bus]
    return float(bus.poll_ms * polls_between(bus, point.poll))

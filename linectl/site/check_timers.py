"""Checks times against each other: time-outs against their motions, polls against the scan."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from linectl.site.complaints import nearest, part
from linectl.site.draft import Draft, Findings
from linectl.site.durations import format_duration
from linectl.site.fields import Timer
from linectl.site.machine import (
    Carriage,
    Conveyor,
    Magazine,
    Packing,
    Station,
    Tamp,
    Turn,
    TurnOut,
)
from linectl.site.model import AutoResume
from linectl.site.motions import belt_ms, travel_ms
from linectl.site.reading import polls_between
from linectl.site.sheet import TreePath

NO_MOTIONS_END = frozenset(
    {
        *("isolator_on", "remote", "drive_ok", "limits_ok", "overload_ok", "overtravel_ok"),
        *("supply_ok", "air_ok", "estop_ok", "closed", "remote_selected", "safety_reset"),
        *("interlock_reset", "not_low", "not_empty"),
    }
)
"""Roles of inputs that permit or warn: no time-out runs until they come. Levels are none either."""

DEFAULT_AUTO_RESUME_MS: int = AutoResume().limit_ms


class Limited(NamedTuple):
    """One time-out of the site, and what it must leave time for. Times in ms."""

    path: TreePath
    """Where site.yaml has it."""
    limit_ms: int
    motion_ms: float
    what: str
    jam_ms: int | None
    """The longest it may be; None: not declared."""


def check(draft: Draft, say: Findings) -> None:
    """Polls, silences, every time-out, and the limits that need a signature."""
    _polls(draft, say)
    for one in timeouts(draft):
        _long_enough(draft, say, one)
        _within_jam(draft, say, one)
    for name, station in draft.stations.items():
        if isinstance(station, Packing) and station.weighing is not None:
            _weighing(draft, say, name, station.weighing.within_ms)
        known = [key for key, *_ in _station_motions(draft, station)]
        for key in station.jam_limits:
            if key not in known:
                text = "is no time-out of this station"
                path: TreePath = ("stations", name, "jam_limits", key)
                say.errors.append(draft.site(path, text, nearest(key, known)))
    _limits(draft, say)


def timeouts(draft: Draft) -> Iterator[Limited]:
    """Every time-out of stations and lanes that bounds a motion of known length."""
    for name, station in draft.stations.items():
        for key, limit_ms, motion_ms, what in _station_motions(draft, station):
            jam_ms = station.jam_limits.get(key)
            yield Limited(("stations", name, key), limit_ms, motion_ms, what, jam_ms)
    for place, lane in draft.lanes.items():
        for number, run in enumerate(lane.runs):
            path: TreePath = ("lanes", place, "runs", number, "timeout")
            motion = max(run.stroke_ms, run.back_ms)
            yield Limited(path, run.timeout_ms, motion, "the stroke", run.jam_limit_ms)
        for number, transfer in enumerate(lane.transfers):
            path = ("lanes", place, "transfers", number, "timeout")
            travel = 0 if transfer.kind == "level" else transfer.travel_ms
            motion = max(transfer.belt_ms, travel)
            limit = transfer.timeout_ms
            yield Limited(path, limit, motion, "the transfer", transfer.jam_limit_ms)


def _weighing(draft: Draft, say: Findings, name: str, within_ms: int) -> None:
    """A gutter that was not weighed must have dropped out when the next one's weight comes."""
    takt_ms = part(Timer, draft.trees["site.yaml"].child("takt"))
    if takt_ms is not None and within_ms >= takt_ms:
        text = (
            f"{format_duration(within_ms)} is not shorter than the takt,"
            f" {format_duration(takt_ms)}: of two gutters that wait for a weight, one that nobody"
            " weighed would take the other's"
        )
        hint = "the longest time from the hand-over to its weight, below the takt"
        say.errors.append(draft.site(("stations", name, "weighing", "within"), text, hint))


def allowance_ms(draft: Draft) -> int:
    """What the controller needs to see a motion end, in ms: the slowest poll, or the slowest
    polling class of a point that may tell it, and two scans."""
    slowest = max(
        (*(bus.poll_ms for bus in draft.buses.values()), *slow_signs_ms(draft)), default=0
    )
    return slowest + 2 * (draft.scan_ms or 0)


def slow_signs_ms(draft: Draft, role: str | None = None) -> Iterator[int]:
    """Periods of the polling classes that signs of a motion's end are in, or that role alone."""
    for row, point in draft.points:
        device, need = draft.devices.get(point.device), draft.needs.get(row.tag)
        bus = draft.buses.get(device.bus) if device else None
        if bus is None or point.poll not in bus.polls or need is None or point.direction == "out":
            continue
        level = need.role.kind == "number" and need.role.name != "position"
        sign = need.role.name not in NO_MOTIONS_END and not level
        if sign if role is None else need.role.name == role:
            yield bus.poll_ms * polls_between(bus, point.poll)


def _polls(draft: Draft, say: Findings) -> None:
    for name, bus in draft.buses.items():
        if draft.scan_ms and bus.poll_ms % draft.scan_ms:
            lower = bus.poll_ms // draft.scan_ms * draft.scan_ms
            text = f"{bus.poll_ms} ms is not a multiple of the scan ({draft.scan_ms} ms)"
            hint = f"write {max(lower, draft.scan_ms)}ms or {lower + draft.scan_ms}ms"
            say.errors.append(draft.site(("buses", name, "poll"), text, hint))
    for name, device in draft.devices.items():
        on = draft.buses.get(device.bus)
        if on and device.silent_after_ms <= on.poll_ms + on.timeout_ms:
            text = (
                f"{device.silent_after_ms} ms is within one poll ({on.poll_ms} ms) and one "
                f"time-out ({on.timeout_ms} ms) of bus {device.bus}: a single late answer would "
                "be taken for silence"
            )
            say.errors.append(draft.site(("devices", name, "silent_after"), text))


def _station_motions(draft: Draft, station: Station) -> Iterator[tuple[str, int, float, str]]:
    """(key, limit, motion, words) of each time-out of a station, in ms."""
    if isinstance(station, Conveyor):
        motion = belt_ms(station.length_mm, station.speed_mm_s, station.ramp_ms)
        yield "travel_timeout", station.travel_timeout_ms, motion, "the way through the zone"
    if isinstance(station, Magazine):
        yield "gate_timeout", station.gate_timeout_ms, station.gate_ms, "the gate's cycle"
    if isinstance(station, Tamp):
        yield "press_timeout", station.press_timeout_ms, station.press_ms, "the press"
    if isinstance(station, Turn | TurnOut):
        yield "turn_timeout", station.turn_timeout_ms, station.turn_ms, "the turn"
    if isinstance(station, Carriage):
        ends = [getattr(lane, f"{station.kind}_mm") for lane in draft.lanes.values()]
        stops = [station.home_mm, *ends]
        worst = max(stops) - min(stops)
        motion = travel_ms(worst, station.speed_mm_s, station.ramp_ms)
        yield "travel_timeout", station.travel_timeout_ms, motion, "the longest travel"
        arm = max(station.gripper_ms, station.grip_ms)
        yield "gripper_timeout", station.gripper_timeout_ms, arm, "the gripper"
    if isinstance(station, Packing):
        belt = next((s for s in draft.stations.values() if isinstance(s, TurnOut)), None)
        if belt is not None:
            motion = belt_ms(belt.length_mm, belt.speed_mm_s, belt.ramp_ms)
            yield "handover_timeout", station.handover_timeout_ms, motion, "the way to packing"


def _long_enough(draft: Draft, say: Findings, one: Limited) -> None:
    """A time-out must leave its motion time to end and the controller time to see it."""
    allowance = allowance_ms(draft)
    if one.limit_ms >= one.motion_ms + allowance:
        return
    text = f"{format_duration(one.limit_ms)} is shorter than its own motion: {one.what} takes "
    text += f"{format_duration(round(one.motion_ms))}, seen up to {allowance} ms later"
    hint = f"at least {format_duration(least_ms(one, allowance))}"
    say.errors.append(draft.site(one.path, text, hint))


def least_ms(one: Limited, allowance_ms: int) -> int:
    """The shortest that a time-out may be, in whole tenths of a second."""
    return -(-round(one.motion_ms + allowance_ms) // 100) * 100


def _within_jam(draft: Draft, say: Findings, one: Limited) -> None:
    """A jam must be found by its limit, whoever wrote the time-out."""
    if one.jam_ms is None or one.limit_ms <= one.jam_ms:
        return
    text = (
        f"{format_duration(one.limit_ms)} is longer than its jam limit,"
        f" {format_duration(one.jam_ms)}: a jam would be found too late"
    )
    say.errors.append(draft.site(one.path, text, f"at most {format_duration(one.jam_ms)}"))


def _limits(draft: Draft, say: Findings) -> None:
    limits = draft.limits
    if limits is None:
        return
    resume = limits.auto_resume
    if resume.limit_ms > DEFAULT_AUTO_RESUME_MS and not (resume.signed_by and resume.signed_on):
        missing = "signed_on" if resume.signed_by else "signed_by"
        text = (
            f"machinery may start by itself after {format_duration(resume.limit_ms)}, more than "
            f"the default {format_duration(DEFAULT_AUTO_RESUME_MS)}, and {missing} is missing"
        )
        hint = "write signed_by and signed_on: who answers for it, and since when"
        say.errors.append(draft.site(("limits", "auto_resume", "limit"), text, hint))
    if limits.ledger_bench_delay_ms >= limits.ledger_ack_ms:
        text = "is not below ledger_ack: every intent on the bench would come too late"
        say.errors.append(draft.site(("limits", "ledger_bench_delay"), text))

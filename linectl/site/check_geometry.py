"""Checks lengths: zones, eyes and tools against the gutter, and eyes against how old they get."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from linectl.site.check_timers import slow_signs_ms
from linectl.site.draft import Draft, Findings
from linectl.site.machine import Conveyor, Fill, Lane, Seed, Station, Water
from linectl.site.motions import run_on_mm
from linectl.site.reading import polls_between

JOINT_SHARE = 0.6
"""Share of a joint's belt time in which the joint is covered (from 20 % to 80 % of the way)."""
SEEN_TIMES = 2
"""An eye's shortest pulse and gap must last this many times its worst age."""


def check(draft: Draft, say: Findings) -> None:
    """Each zone against the gutter, then each eye against its age."""
    if draft.gutter is None:
        return
    for name, station in draft.stations.items():
        if isinstance(station, Conveyor):
            _zone(draft, say, name, station, draft.gutter.length_mm)
    _eyes(draft, say, draft.gutter.length_mm)


def _zone(draft: Draft, say: Findings, name: str, belt: Conveyor, gutter_mm: int) -> None:
    def wrong(key: str, text: str, hint: str | None = None) -> None:
        say.errors.append(draft.site(("stations", name, key), text, hint))

    if belt.length_mm <= gutter_mm:
        wrong("length_mm", f"{belt.length_mm} mm holds no gutter of {gutter_mm} mm")
        return
    if belt.exit_eye_mm <= belt.entry_eye_mm + gutter_mm:
        wrong(
            "exit_eye_mm",
            f"a gutter of {gutter_mm} mm reaches it at {belt.exit_eye_mm} mm while its tail still "
            f"covers the entry eye at {belt.entry_eye_mm} mm: the entry eye would not change",
            f"above {belt.entry_eye_mm + gutter_mm}",
        )
    reaction_ms = _reaction_ms(draft)
    over_mm = run_on_mm(belt.speed_mm_s, reaction_ms, belt.ramp_ms)
    if belt.exit_eye_mm + over_mm > belt.length_mm:
        wrong(
            "exit_eye_mm",
            f"the belt runs on about {over_mm:.0f} mm past the eye ({reaction_ms} ms of reaction, "
            f"then the ramp), {belt.length_mm - belt.exit_eye_mm} mm are left in the zone",
            f"at most {int(belt.length_mm - over_mm)}",
        )
    if isinstance(belt, Fill | Water | Seed):
        if belt.tool_mm <= belt.entry_eye_mm:
            wrong("tool_mm", "lies before the entry eye, which starts the tool")
        elif belt.tool_mm + gutter_mm > belt.exit_eye_mm:
            wrong(
                "tool_mm",
                "the gutter stops at the exit eye before its tail has passed the tool",
                f"at most {belt.exit_eye_mm - gutter_mm}",
            )


def _reaction_ms(draft: Draft) -> int:
    """From an eye to a drive without the wire's own share: two polls and a scan, in ms."""
    polls = sorted(bus.poll_ms for bus in draft.buses.values())
    polls = sorted([*polls, *slow_signs_ms(draft, "exit_eye")])
    return sum(polls[-1:]) + sum(polls[:1]) + (draft.scan_ms or 0)


def shortest_signals(
    stations: Mapping[str, Station], lanes: Iterable[Lane], gutter_mm: int
) -> Iterator[tuple[str, float]]:
    """(tag, ms) of each eye: its shortest pulse or gap, from lengths, speeds and belt times.

    Between two gutters of a conveyor lies at least what a zone is longer than a gutter.
    """
    for name, station in stations.items():
        if isinstance(station, Conveyor) and station.length_mm > gutter_mm:
            shortest_mm = min(gutter_mm, station.length_mm - gutter_mm)
            for eye in ("entry_eye", "exit_eye"):
                yield f"{name}.{eye}", shortest_mm / station.speed_mm_s * 1000
    for lane in lanes:
        for transfer in lane.transfers:
            names = ("joint_clear",) if transfer.kind == "level" else ("low_clear", "high_clear")
            for eye in names:
                yield f"{lane.prefix}.{transfer.name}.{eye}", transfer.belt_ms * JOINT_SHARE


def _eyes(draft: Draft, say: Findings, gutter_mm: int) -> None:
    """An eye must be seen twice within its shortest pulse and its shortest gap.

    The wire's own time is not known here: `check` holds the eyes to it afterwards.
    """
    shortest = dict(shortest_signals(draft.stations, draft.lanes.values(), gutter_mm))
    for row, point in draft.points:
        device = draft.devices.get(point.device)
        bus = draft.buses.get(device.bus) if device else None
        if point.tag not in shortest or bus is None:
            continue
        filter_ms = max(point.on_delay_ms, point.off_delay_ms)
        poll_ms = bus.poll_ms
        if point.poll in bus.polls:
            poll_ms *= polls_between(bus, point.poll)
        age_ms = poll_ms + filter_ms + (draft.scan_ms or 0)
        if shortest[point.tag] < SEEN_TIMES * age_ms:
            text = (
                f"its shortest pulse or gap is {shortest[point.tag]:.0f} ms, under twice its "
                f"worst age of {age_ms} ms (poll {poll_ms}, delays {filter_ms}, scan)"
            )
            hint = "poll its bus faster, shorten the delay, or slow the motion"
            say.errors.append(row.finding("", text, hint))

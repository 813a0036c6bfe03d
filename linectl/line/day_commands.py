"""Persons' command for today's list.

today sow=1:rocket:20,1:frisee:4,2:rocket:10 pull=1:24,2:10     today none
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from linectl.image import Command, Event
from linectl.line.day_list import Sow
from linectl.site.complaints import nearest

if TYPE_CHECKING:
    from linectl.line.line import Line

FORM = "today sow=LANE:CROP:GUTTERS,... pull=LANE:GUTTERS,... or today none"


def today(line: Line, command: Command) -> str | None:
    """What is to be sown and pulled today; it replaces any list before it."""
    if not command.by.strip():
        return "say who: today's list is under a person's name"
    words = command.argument.split()
    if words == ["none"]:
        line.day.end()
        return None
    try:
        parts = dict(word.split("=", 1) for word in words)
        sow = [_sow(text) for text in parts.pop("sow", "").split(",") if text]
        pull = [_pair(text) for text in parts.pop("pull", "").split(",") if text]
    except ValueError:
        return FORM
    if parts or len(words) not in (1, 2) or not (sow or pull):
        return FORM
    if why := _wrong(line, sow, pull):
        return why
    line.day.tell(sow, dict(pull))
    to_sow, to_pull = sum(each.gutters for each in sow), sum(n for _, n in pull)
    text = f"today's list: {to_sow} to sow, {to_pull} to pull"
    line.emit(Event(line.now, "note", "line", text, {"by": command.by.strip()}))
    return None


def _sow(text: str) -> Sow:
    lane, crop, gutters = text.split(":")
    return Sow(int(lane), crop, int(gutters))


def _pair(text: str) -> tuple[int, int]:
    lane, gutters = text.split(":")
    return int(lane), int(gutters)


def _wrong(line: Line, sow: list[Sow], pull: list[tuple[int, int]]) -> str | None:
    lanes = line.lanes.by_id
    for lane in (*(each.lane for each in sow), *(lane for lane, _ in pull)):
        if lane not in lanes:
            return f"no lane {lane}; there are: {', '.join(map(str, lanes))}"
    for each in sow:
        if each.crop not in line.crops:
            return f"no crop {each.crop!r}; {nearest(each.crop, line.crops) or 'see crops.yaml'}"
        if each.crop not in lanes[each.lane].facts.crops:
            return f"lane {each.lane} does not accept {each.crop}"
    if any(each.gutters < 1 for each in sow) or any(n < 0 for _, n in pull):
        return "gutters are counted from 1"
    if len({lane for lane, _ in pull}) < len(pull):
        return "a lane is pulled from twice; write each lane once"
    return _no_slot(line, sow, dict(pull))


def _no_slot(line: Line, sow: list[Sow], pull: dict[int, int]) -> str | None:
    """The first lane whose list sows more than its holes and what is pulled make room for."""
    for lane in line.lanes.lanes:
        to_sow = sum(each.gutters for each in sow if each.lane == lane.id)
        holes, pulled = lane.holes() - bool(lane.reserved), pull.get(lane.id, 0)
        if to_sow > holes + pulled:
            return (
                f"lane {lane.id}: {to_sow} to sow, but it has {holes} free slots and {pulled} to"
                f" pull: {to_sow - holes - pulled} would have no slot"
            )
    return None

"""The conversation of `calibrate SITE timers`: which proposals are taken, the diff, the record."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from linectl.commission.calibrate.timers import TimeoutFound, TimersFound
from linectl.commission.calibrate.timers_write import (
    Signed,
    planned,
    planned_undo,
    shown,
    undo,
    write,
)
from linectl.commission.file_edit import FileEdit
from linectl.commission.person import Ended, Person, answer, yes_or_no
from linectl.errors import UsageError

CAUTIONS = (
    "A longer time-out finds a jam later: a press, a lift or a stroke pushes on until then. The jam"
    " limit in site.yaml is a person's word on how long that may be; no sample replaces it.",
    "A shorter one stops a good machine: what was not seen in these cycles (cold oil, low air, a"
    " heavy gutter) will trip it.",
    "Nobody is near the machine when it runs the first time with new time-outs. Local codes hold.",
)
WHY = "good cycles"


@dataclass(frozen=True)
class TimersDone:
    """How it ended. `edit` is what was written, or would be."""

    found: TimersFound | None
    chosen: tuple[TimeoutFound, ...]
    edit: FileEdit
    written: bool


def choose(
    person: Person, found: TimersFound, who: Signed, show_diff: Callable[[FileEdit], None]
) -> TimersDone:
    """Ask which proposals are taken, show the change, write it if the person says so.

    The record is kept whatever they say: the next time is compared with it. Raises as `write`.
    """
    nothing = planned(found, ())
    try:
        chosen, edit = _confirmed(person, found, show_diff)
    except Ended:
        chosen, edit = (), nothing
    write(found, edit, chosen, who)
    return TimersDone(found, chosen, edit, bool(edit.diff))


def _confirmed(
    person: Person, found: TimersFound, show_diff: Callable[[FileEdit], None]
) -> tuple[tuple[TimeoutFound, ...], FileEdit]:
    """What is to be written, and the change as it was shown. Raises Ended."""
    if found.proposals:
        for caution in CAUTIONS:
            person.say(f"- {caution}")
        chosen = _chosen(person, found.proposals)
        edit = planned(found, chosen)
        if chosen:
            show_diff(edit)
            if yes_or_no(person, "  write this into the file, yes or no: "):
                return chosen, edit
    return (), planned(found, ())


def take_all(found: TimersFound, who: Signed) -> TimersDone:
    """Write every proposal without a question (`--yes`), and keep the record."""
    edit = planned(found, found.proposals)
    write(found, edit, found.proposals, who)
    return TimersDone(found, found.proposals, edit, bool(edit.diff))


def take_back(
    person: Person | None, folder: Path, who: Signed, show_diff: Callable[[FileEdit], None]
) -> TimersDone:
    """One step back, after a typed yes; without a person at once. Raises UsageError."""
    edit = planned_undo(folder)
    show_diff(edit)
    if person is not None and not yes_or_no(person, "  put it back so, yes or no: "):
        return TimersDone(None, (), edit, False)
    undo(folder, edit, who)
    return TimersDone(None, (), edit, True)


def _chosen(person: Person, offered: Sequence[TimeoutFound]) -> tuple[TimeoutFound, ...]:
    for number, one in enumerate(offered, 1):
        assert one.proposal.ms is not None
        change = f"{shown(one.now_ms)} → {shown(one.proposal.ms)}"
        person.say(f"  {number:>3}  {one.name}  {change}  ({one.proposal.why})")
    while True:
        said = answer(person, "  which are taken: all, none, or their numbers: ").lower()
        if said in ("all", "none"):
            return tuple(offered) if said == "all" else ()
        words = said.replace(",", " ").split()
        numbers = [int(word) for word in words if word.isdecimal()]
        if len(numbers) == len(words) > 0 and all(1 <= n <= len(offered) for n in numbers):
            return tuple(offered[n - 1] for n in dict.fromkeys(numbers))
        person.say(f"  {said!r} is none of it: all, none, or numbers from 1 to {len(offered)}")


def named(by: str) -> str:
    """Who does it. Raises UsageError for nobody."""
    if not by.strip():
        raise UsageError("say who does it: --by NAME")
    return by.strip()

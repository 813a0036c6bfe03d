"""What a person answers after a power cut: `answer ID CHOICE`, by a name.

An answer that a sensor contradicts is refused. Nothing moves by an answer: units start as ever,
by a person, with their warning.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from linectl.image import Command
from linectl.line import gutter_commands
from linectl.line.carriage import Carriage
from linectl.line.lane import Lane
from linectl.line.part import Part
from linectl.line.recovery.handing import given, half_out
from linectl.line.recovery.questions import BY_HAND, CLOCK, Question
from linectl.line.transfers import HOLE, UNKNOWN

if TYPE_CHECKING:
    from linectl.line.line import Line

EYES = ("entry_eye", "exit_eye", "on_board", "centred", "gripped")


def answer(line: Line, command: Command) -> str | None:
    """answer ID CHOICE: what a person found; None when taken, else why not."""
    words = command.argument.split()
    if len(words) != 2:
        return "answer ID CHOICE, for example: answer lane3.mouth hole"
    if not command.by:
        return "say who answers: an answer is kept under a person's name"
    question = line.recovery.questions.get(words[0])
    if question is None:
        asked = ", ".join(line.recovery.questions) or "none"
        return f"no question {words[0]!r} waits for an answer; there are: {asked}"
    known = [word for word, _ in question.choices]
    if words[1] not in known:
        return f"{words[0]} can be answered: {', '.join(known)}"
    if why := _take(line, question, words[1], command):
        return why
    line.recovery.tell(question, words[1], command.by)
    line.recovery.answered(question, f"{command.by} says {words[1]}")
    return None


def _take(line: Line, question: Question, choice: str, command: Command) -> str | None:
    if question.id == CLOCK:
        return None  # the record keeps it, and the next boot acts by it
    if question.id == BY_HAND:
        line.by_hand.moved.answered()
        return None
    part = next(part for part in line.parts if part.name == question.part)
    if question.id.endswith(".partial"):
        argument = f"{part.name} {choice}"
        return gutter_commands.partial(line, command._replace(argument=argument))
    if choice == "taken":
        return _taken(line, question)
    if choice == "half_out":
        move = line.open_moves[line.recovery.asked_move(question.gutter)]
        half_out(line.recovery, line.ends.turnout, move)
        return None
    if choice == "removed":
        return _removed(line, question, part)
    assert isinstance(part, Lane)
    return _end(line, question, part, choice)


def _taken(line: Line, question: Question) -> str | None:
    """Packing has it."""
    table = line.ends.turnout
    if line.seen.on[table.exit] or line.seen.on[table.centred]:
        return f"{table.name}: an eye there still sees a gutter"
    number = line.recovery.asked_move(question.gutter)
    if number:
        line.complete(number)
    given(table)
    return None


def _removed(line: Line, question: Question, part: Part) -> str | None:
    """It is nowhere in the machine."""
    if isinstance(part, Lane):
        return _removed_from_transfer(line, question, part)
    for name in {part.name, line.gutters[question.gutter].place}:
        for role in EYES:
            index = line.site_io.get(f"{name}.{role}")
            if index is not None and not line.seen.off[index]:
                return f"{name}.{role} still sees a gutter: take it off first, two people"
    for lane in line.lanes.lanes:
        if lane.tail == line.gutters[question.gutter].place and not line.seen.off[lane.tail_eye]:
            return f"{lane.name}: the eye at its tail still sees a gutter"
    _let_go(line, question.gutter)
    return None


def _removed_from_transfer(line: Line, question: Question, lane: Lane) -> str | None:
    number = lane.which
    last, first = lane.eyes(number)[1], lane.eyes(number + 1)[0]
    if lane.on_board(number) is not False or not lane.clear(number):
        return f"{lane.joints[number]} still sees a gutter: take it off first, two people"
    if not (line.seen.off[last] and line.seen.off[first]):
        return f"{lane.joints[number]}: an eye of a run beside it still sees a gutter"
    _let_go(line, question.gutter)
    return None


def _let_go(line: Line, gutter: int) -> None:
    """The record lets a gutter go from wherever it has it."""
    place = line.gutters[gutter].place
    if number := line.recovery.asked_move(gutter):
        line.abandon(number)
    for station in line.stations.values():
        if station.gutter == gutter:
            station.gutter = station.number = 0
            if isinstance(station, Carriage):
                station.lane = 0
    for lane in line.lanes.lanes:
        for run in lane.slots:
            if gutter in run:
                run[run.index(gutter)] = HOLE
    line.complete(line.intend("correct", gutter, place, "removed"))
    line.lanes.release(line.gutters.pop(gutter))


def _end(line: Line, question: Question, lane: Lane, choice: str) -> str | None:
    """What stands in the first or last slot of a run."""
    stem, _, slot = question.place.rpartition(".")
    number = lane.runs.index(stem)
    run, at = lane.slots[number], int(slot)
    eye = lane.eyes(number)[0 if at == 0 else 1]
    if choice == "hole" and line.seen.on[eye]:
        return f"{question.place}: its eye still sees a gutter; take it out, or clean the eye"
    known = run[at]
    if choice == "hole":
        if known > 0:
            _let_go(line, known)
        elif known == UNKNOWN:
            line.complete(line.intend("correct", UNKNOWN, question.place, "removed"))
        run[at] = HOLE
    elif known == HOLE:
        if line.seen.off[eye]:
            return f"{question.place}: its eye sees none now"
        line.complete(line.intend("correct", UNKNOWN, "removed", question.place))
        run[at] = UNKNOWN
        line.alarms.clear(f"{lane.name}.mouth")
    else:
        line.recovery.confirm(known)
    return None

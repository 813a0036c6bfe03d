"""What became of a lane's stroke or transfer, and whether its ends show what the record has.

Stroke (last: as the record has it after, or before, the stroke):

    home  forward
    on    off      not done
    off   on       done, if the row has followed; else faulted, as in a stroke that does not
    off   off      between its ends: only forward, after a person's lane-resume
    on    on       contradictory: faulted likewise

Lift, by what is on board and where it stands:

    last  on board  first  joints
    lit   no        dark   clear    not done
    dark  no        lit    clear    done
    any   yes       ·      ·        under way: after a lane-resume, at a level
    dark  no        dark   clear    asked: nobody sees it
    ·     ·         ·      across   under way: after a lane-resume, at a level

A lift between its levels is moved by a person at the machine alone; lane-resume refuses until it
stands at one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from linectl.line.lane import Lane
from linectl.line.recovery.questions import Question, caution
from linectl.line.transfers import AT_A_LEVEL, HOLE

if TYPE_CHECKING:
    from linectl.image import Move
    from linectl.line.recovery.recovery import Recovery

FORWARD_ONLY = (
    "the stroke stands between its ends: see that nobody and nothing is in its way, then"
    " lane-resume; it can only be finished forward, at its own speed, for it has no slower one"
)


def judge(recovery: Recovery, lane: Lane) -> None:
    """Judge one lane: what was under way in it, then its ends."""
    if lane.state in ("available", "out_of_service"):
        for number, run in enumerate(lane.runs):
            if move := recovery.open_move("stroke", source=run):
                _stroke(recovery, lane, number, move)
        for number in range(len(lane.joints)):
            source = f"{lane.runs[number]}.{len(lane.slots[number]) - 1}"
            if move := recovery.open_move("transfer", source=source):
                _transfer(recovery, lane, number, move)
    if lane.state != "faulted":
        for number in range(len(lane.runs)):
            _ends(recovery, lane, number)


# strokes -----------------------------------------------------------------------------------------


def _stroke(recovery: Recovery, lane: Lane, number: int, move: Move) -> None:
    seen = recovery.line.seen
    _, _, home, forward = lane.eyes(number)
    lane.which = number
    run = lane.slots[number]
    if seen.on[home] and seen.off[forward]:
        recovery.not_done(move, "its row stands home")
    elif seen.on[forward] and seen.off[home] and lane.followed(number):
        lane.shift(number)
        recovery.confirm(run[-1])
        recovery.done(move, "it stands forward, the last eye shows the next gutter or hole")
        lane.word = recovery.line.words
        recovery.interrupted(lane, "asked_home", "the stroke is forward and not yet home")
    else:
        lane.number = move.number
        recovery.verdict(move, "under_way", "between its ends, or its switches or eyes contradict")
        recovery.interrupted(lane, "stroking", FORWARD_ONLY, "stroke")


# transfers ---------------------------------------------------------------------------------------


def _transfer(recovery: Recovery, lane: Lane, number: int, move: Move) -> None:
    seen = recovery.line.seen
    lane.which = number
    last, first = lane.eyes(number)[1], lane.eyes(number + 1)[0]
    aboard = lane.on_board(number)
    clear = lane.clear(number)
    if seen.on[last] and seen.off[first] and clear and aboard is False:
        recovery.not_done(move, f"{move.source} still sees it, nothing is on the way")
    elif seen.off[last] and seen.on[first] and clear and aboard is False:
        lane.pass_on(number)
        recovery.done(move, f"{move.dest} sees it, nothing is on the way")
    elif clear and _nowhere_or_twice(lane, number):
        _ask_transfer(recovery, lane, number, move)
    else:
        lane.number = move.number
        recovery.verdict(move, "under_way", "it is on the transfer, or across a joint of it")
        if lane.facts.transfers[number].kind == "level":
            recovery.interrupted(lane, "crossing", "a gutter lies across the joint", "cross")
        else:
            _on_lift(recovery, lane, number, bool(aboard and clear))


def _nowhere_or_twice(lane: Lane, number: int) -> bool:
    """No eye sees it, or two eyes that cannot both see it do."""
    seen = lane.line.seen
    last, first = lane.eyes(number)[1], lane.eyes(number + 1)[0]
    aboard = lane.on_board(number)
    if aboard is False:
        return (seen.off[last] and seen.off[first]) or (seen.on[last] and seen.on[first])
    return bool(aboard and seen.on[last])


def _on_lift(recovery: Recovery, lane: Lane, number: int, whole: bool) -> None:
    joint = lane.joints[number]
    if lane.at_level(number, source=True):
        text = f"{joint} stands at its source level with a gutter; lane-resume goes on"
        recovery.interrupted(lane, "loading", text, "load")
    elif lane.at_level(number, source=False):
        text = f"{joint} stands at its far level with a gutter; lane-resume goes on"
        recovery.interrupted(lane, "unloading", text, "unload")
    else:
        text = f"{joint}: {AT_A_LEVEL}, then lane-resume"
        recovery.interrupted(lane, "carrying" if whole else "fetching", text, "between")


def between_levels(recovery: Recovery, lane: Lane) -> None:
    """Once, at the end: lifts that carry nothing and stand between their levels. Where the lane
    is asked about, or in the middle of something, they are seen to before it moves them."""
    lane.adrift = [number for number in range(len(lane.joints)) if lane.between_levels(number)]
    asked = any(question.part == lane.name for question in recovery.questions.values())
    if lane.adrift and lane.state in ("available", "out_of_service") and not (lane.fault or asked):
        lane.strand(lane.adrift[0])


def _ask_transfer(recovery: Recovery, lane: Lane, number: int, move: Move) -> None:
    joint = lane.joints[number]
    recovery.verdict(move, "asked", "the eyes of both runs and of the transfer do not agree")
    recovery.ask(
        Question(
            f"{joint}.transfer", joint,
            f"{joint}: gutter {move.gutter} was on its way from {move.source} to {move.dest}, and"
            " the eyes there do not agree; where is it?",
            (("removed", "it has been taken away; the record lets it go"),),
            caution(lane) + "; when the eyes agree, the question ends by itself",
            lane.name, move.gutter,
        )
    )  # fmt: skip


# ends --------------------------------------------------------------------------------------------


def _ends(recovery: Recovery, lane: Lane, number: int) -> None:
    """First and last eye of a run against the record; a row that is not home shows nothing."""
    seen = recovery.line.seen
    first, last, home, _ = lane.eyes(number)
    if not seen.on[home]:
        return
    slots = lane.slots[number]
    busy = {end for move in lane.line.open_moves.values() for end in (move.source, move.dest)}
    for slot, eye in ((0, first), (len(slots) - 1, last)):
        known = slots[slot]
        if f"{lane.runs[number]}.{slot}" in busy:
            continue  # a matter of the move that is under way there
        if seen.on[eye] and known != HOLE:
            recovery.confirm(known)
            continue
        agrees = seen.off[eye] if known == HOLE else seen.on[eye]
        if not agrees and not _is_asked(recovery, known):
            _ask_end(recovery, lane, number, slot)


def _is_asked(recovery: Recovery, gutter: int) -> bool:
    """That gutter is a matter of another question, or hangs between two places."""
    if gutter <= 0:
        return False
    carried = {part.gutter for part in recovery.line.stations.values()}
    return gutter in carried or any(q.gutter == gutter for q in recovery.questions.values())


def end_name(lane: Lane, number: int, slot: int) -> str:
    """`lane3.mouth`, `lane3.tail`, or `lane3.germ.last` for the ends at a transfer."""
    if slot == 0:
        return f"{lane.name}.mouth" if number == 0 else f"{lane.runs[number]}.first"
    return f"{lane.name}.tail" if number == len(lane.runs) - 1 else f"{lane.runs[number]}.last"


def _ask_end(recovery: Recovery, lane: Lane, number: int, slot: int) -> None:
    name = end_name(lane, number, slot)
    place = f"{lane.runs[number]}.{slot}"
    known = lane.slots[number][slot]
    where = "mouth" if name.endswith("mouth") else "tail" if name.endswith("tail") else place
    if known == HOLE:
        has = "its eye sees one, or cannot be read, and the record has a hole"
        gutter = "one stands there; which it is, nobody knows (correct names it)"
    else:
        which = f"gutter {known}" if known > 0 else "an unknown gutter"
        has = f"its eye sees none, or cannot be read, and the record has {which}"
        gutter = f"{which} stands there, though the eye does not see it"
    choices = (("gutter", gutter), ("hole", "nothing stands there; the record lets it go"))
    recovery.ask(
        Question(
            name, place,
            f"Lane {lane.id}: is there a gutter in the {where}? {has[0].upper()}{has[1:]}.",
            choices, caution(lane), lane.name, known,
        )
    )  # fmt: skip

"""What became of a gutter on the sower's belts, from the eyes.

For a convey A → B that was open (· = any):

    A.exit   B.entry  B.exit
    dark     dark     lit     done: it has arrived, two eyes say so
    lit      dark     lit     asked: no gutter is that long, one of the eyes is wrong
    ·        lit      ·       under way: it lies across the entry, and is drawn on
    lit      dark     dark    not done: it still stands in A
    dark     dark     dark    under way: between B's eyes, where none sees it; B brings it on

A process that was intended and not seen done leaves the gutter partial: how much of it the tool
has worked no sensor tells, and a person decides.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from linectl.line.conveyor import Conveyor
from linectl.line.recovery.questions import Question, caution
from linectl.line.sower import Magazine, Tamp, Turn
from linectl.line.toolzone import ToolZone

if TYPE_CHECKING:
    from linectl.image import Move
    from linectl.line.recovery.recovery import Recovery


BETWEEN = ".between"
"""Ends the id of a question about two zones that both see the one gutter."""
STOCK = "stock"
"""Where a gutter is before it is fed."""


def judge(recovery: Recovery, belt: Conveyor) -> None:
    """Judge one belt, those beyond it being judged already."""
    up = belt.upstream
    if isinstance(belt, Magazine):
        feed = recovery.open_move("feed", source=STOCK)
        if feed is not None:
            _feed(recovery, belt, feed)
            return
    elif up is not None and belt.state == belt.TABLE.initial:
        move = recovery.open_move("convey", source=up.name)
        if move is not None:
            _convey(recovery, belt, up, move)
            return
    asked = any(belt.gutter == question.gutter for question in recovery.questions.values())
    if belt.gutter and belt.state == belt.TABLE.initial and not asked:
        _standing(recovery, belt)


def _feed(recovery: Recovery, belt: Magazine, move: Move) -> None:
    seen = recovery.line.seen
    belt.number = move.number
    belt.gutter = move.gutter
    if seen.on[belt.gate_home] and seen.on[belt.single]:
        if seen.on[belt.exit]:
            recovery.done(move, "gate home and one gutter at the exit eye")
            belt.number = 0
            _rest(belt)
            return
        if seen.off[belt.exit] and seen.off[belt.entry]:
            recovery.not_done(move, "gate home and nothing on the belt")
            belt.number = belt.gutter = 0
            recovery.line.gutters.pop(move.gutter, None)
            return
    why = "the gate is not home, or not one gutter lies before the exit eye"
    recovery.verdict(move, "under_way", why)
    double = seen.off[belt.single]
    recovery.interrupted(belt, "closing", why, "double" if double else "cut")


def _convey(recovery: Recovery, belt: Conveyor, up: Conveyor, move: Move) -> None:
    seen = recovery.line.seen
    entry, gone = not seen.off[belt.entry], _has_left(recovery, up, move)
    if seen.on[belt.exit] and not entry and not gone:
        _contradicted(recovery, belt, up, move)
    elif seen.on[belt.exit] and not entry:
        _take(belt, up, move)
        _leave(up, move.gutter)
        _process(recovery, belt)
        recovery.done(move, f"{belt.name} sees it at its exit eye, its entry eye is dark")
        belt.number = 0
        _arrived(recovery, belt)
    elif entry:
        _take(belt, up, move)
        if up.gutter == move.gutter:
            up.stand("giving")
        _process(recovery, belt)
        recovery.verdict(move, "under_way", f"it lies across {belt.name}'s entry eye")
        if not _partial(recovery, belt):
            recovery.interrupted(belt, "leading", "a gutter lies across its entry eye")
    elif gone:
        _take(belt, up, move)
        given = up.gutter != move.gutter or _another_comes(recovery, up, move)
        if given:
            _leave(up, move.gutter)
        else:
            up.stand("giving")  # its exit eye may be blind: nothing is drawn in there before then
        _process(recovery, belt)
        recovery.verdict(move, "under_way", f"between {belt.name}'s eyes, where none sees it")
        if not _partial(recovery, belt):
            back = "settling" if given else "leading"
            recovery.interrupted(belt, back, "a gutter lies between its eyes")
    else:
        recovery.not_done(move, f"{up.name} still sees it at its exit eye")
        if belt.name == recovery.line.ends.water.name:
            recovery.line.lanes.let_go(recovery.line.gutters[move.gutter])


def _contradicted(recovery: Recovery, belt: Conveyor, up: Conveyor, move: Move) -> None:
    """The eyes of both zones see a gutter where there is one."""
    recovery.verdict(move, "asked", f"the exit eyes of {up.name} and {belt.name} are both lit")
    recovery.ask(
        Question(
            f"{belt.name}{BETWEEN}", belt.name,
            f"{belt.name}: gutter {move.gutter} was on its way from {up.name}, and both exit eyes"
            " see one; where is it, and which eye is wrong?",
            (("removed", "it has been taken away; the record lets it go"),),
            caution(belt) + "; when the eyes agree, the question ends by itself",
            belt.name, move.gutter,
        )
    )  # fmt: skip


def _has_left(recovery: Recovery, up: Conveyor, move: Move) -> bool:
    """The zone before no longer has it: its exit eye is dark, or it has been sent another since,
    which it takes only when the one before is wholly out."""
    if not recovery.line.seen.on[up.exit] or up.gutter != move.gutter:
        return True
    return _another_comes(recovery, up, move)


def _another_comes(recovery: Recovery, up: Conveyor, move: Move) -> bool:
    """The zone before is being sent the next gutter."""
    return any(
        other.dest == up.name and other.number > move.number and other.kind in ("feed", "convey")
        for other in recovery.line.open_moves.values()
    )


def _take(belt: Conveyor, up: Conveyor, move: Move) -> None:
    belt.gutter, belt.number, belt.astray = move.gutter, move.number, True
    belt.ready_for(belt.line.gutters[move.gutter])


def _leave(up: Conveyor, gutter: int) -> None:
    """The zone before has given it; unless it has another one already."""
    if up.gutter == gutter:
        up.gutter = 0
        up.astray = False


def _process(recovery: Recovery, belt: Conveyor) -> None:
    """Which process on the gutter here is open, and whether the tool has been over it."""
    if isinstance(belt, ToolZone):
        belt.worked = belt.name in recovery.worked.get(belt.gutter, ())
    for move in recovery.line.open_moves.values():
        if move.kind == "process" and (move.gutter, move.source) == (belt.gutter, belt.name):
            belt.process = move.number


def _partial(recovery: Recovery, belt: Conveyor) -> bool:
    """Stand partial, and ask, if a process is open here."""
    if not belt.process:
        return False
    line = recovery.line
    gutter = line.gutters[belt.gutter]
    gutter.partial = belt.name
    belt.stand("partial")
    text = f"{belt.name}: gutter {gutter.id} may be only partly done"
    line.alarms.raise_(f"{belt.name}.partial", "medium", text)
    if move := line.open_moves.get(belt.process):
        recovery.verdict(move, "asked", "how far the tool came no sensor tells")
    choices = [("finish", "what is left is done, and it goes on as it is")]
    if isinstance(belt, Tamp):
        choices.append(("redo", "it is tamped once more"))
    choices.append(("reject", "a person has taken it off; it does not come back"))
    recovery.ask(
        Question(
            f"{belt.name}.partial", belt.name,
            f"{belt.name}: gutter {gutter.id} was being worked on when the controller stopped;"
            " what becomes of it?",
            tuple(choices), caution(belt), belt.name, gutter.id,
        )
    )  # fmt: skip
    return True


def _arrived(recovery: Recovery, belt: Conveyor) -> None:
    """It stands at the exit eye since a moment ago: what would have come next?"""
    if _partial(recovery, belt):
        return
    if isinstance(belt, Tamp) and not _worked(recovery, belt):
        belt.begin_process()
        recovery.interrupted(belt, "still", "a gutter has come and is not yet tamped")
        return
    _standing(recovery, belt)


def _worked(recovery: Recovery, belt: Conveyor) -> bool:
    return belt.name in recovery.worked.get(belt.gutter, ())


def _standing(recovery: Recovery, belt: Conveyor) -> None:
    """A gutter that the record has here, and nothing of it under way but perhaps a process."""
    seen = recovery.line.seen
    belt.astray = True
    if not belt.process:
        _process(recovery, belt)
        belt.ready_for(belt.line.gutters[belt.gutter])
        if _partial(recovery, belt):
            return
    if isinstance(belt, Turn) and not (seen.on[belt.at_0] and seen.off[belt.at_90]):
        _turned(recovery, belt)
    elif not seen.on[belt.exit]:
        text = f"gutter {belt.gutter} is out of the exit eye's sight"
        recovery.interrupted(belt, belt.SEEK, text, "lost")
    elif isinstance(belt, Tamp) and not (seen.on[belt.press_up] and seen.off[belt.clamped]):
        back = "opening" if seen.on[belt.press_up] else "rising"
        recovery.interrupted(belt, back, "press or clamp is not home")
    else:
        _rest(belt)


def _turned(recovery: Recovery, turn: Turn) -> None:
    seen = recovery.line.seen
    if not seen.on[turn.centred]:
        text = f"gutter {turn.gutter} is not seen on the table"
        back = "offered" if seen.on[turn.at_90] else "turning"
        recovery.interrupted(turn, back, text, "lost")
    elif seen.on[turn.at_90] and seen.off[turn.at_0]:
        turn.stand("offered")
    else:
        text = "the table stands between its ends, or its switches contradict"
        recovery.interrupted(turn, "turning", text)


def _rest(belt: Conveyor) -> None:
    belt.stand("done")
    belt.astray = True

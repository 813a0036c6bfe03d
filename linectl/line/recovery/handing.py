"""What became of a gutter on the turn-out, and of its hand-over to packing.

For a hand-over that was open:

    centred  exit  packing's word
    ·        dark  taken, and centred dark   done
    lit      ·     ·                         not done: it is offered again
    dark     lit   ·                         under way: half out, it is handed on after a start
    dark     dark  none                      asked: has packing got it?
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from linectl.line.harvest import TurnOut
from linectl.line.recovery.questions import Question, caution

if TYPE_CHECKING:
    from linectl.image import Move
    from linectl.line.recovery.recovery import Recovery


def judge(recovery: Recovery, table: TurnOut) -> None:
    """Judge the turn-out."""
    if not table.gutter or table.state != "empty":
        return
    move = recovery.open_move("handover", gutter=table.gutter, source=table.name)
    if move is not None:
        _handing(recovery, table, move)
    else:
        _lying(recovery, table)


def _handing(recovery: Recovery, table: TurnOut, move: Move) -> None:
    seen = recovery.line.seen
    if seen.on[table.centred]:
        recovery.not_done(move, "it still lies centred on the turn-out")
        _lying(recovery, table)
    elif seen.on[table.exit]:
        half_out(recovery, table, move)
    elif seen.on[table.taken] and seen.off[table.exit] and seen.off[table.centred]:
        recovery.done(move, "the turn-out is empty and packing says taken")
        given(table)
    else:
        _ask(recovery, table, move)


def half_out(recovery: Recovery, table: TurnOut, move: Move) -> None:
    """It lies across the table's edge, before packing: handed on after a start."""
    table.number = move.number
    table.withheld = True
    recovery.verdict(move, "under_way", "it lies half out, before packing")
    recovery.interrupted(table, "handing", "a gutter lies half out, before packing")


def given(table: TurnOut) -> None:
    """Packing has it: what is left of the hand-over goes on after a start."""
    table.line.gutters.pop(table.gutter, None)
    table.gutter = 0
    table.back, table.fault = "parting", "cut"
    table.stand("faulted")


def _ask(recovery: Recovery, table: TurnOut, move: Move) -> None:
    recovery.verdict(move, "asked", "the turn-out is empty and packing has not said taken")
    recovery.ask(
        Question(
            f"{table.name}.handover", table.name,
            f"{table.name}: gutter {move.gutter} is gone and {table.hall} has not said that it has"
            f" it; has {table.hall} got it?",
            (
                ("taken", f"{table.hall} has it: the hand-over is told as done"),
                ("half_out", "it still lies half on the turn-out: it is handed on after a start"),
                ("removed", "somebody else has taken it away; the record lets it go"),
            ),
            caution(table), table.name, move.gutter,
        )
    )  # fmt: skip


def _lying(recovery: Recovery, table: TurnOut) -> None:
    """The record has a gutter on the table, and nothing of it under way."""
    seen = recovery.line.seen
    at_0, at_90 = seen.on[table.at_0], seen.on[table.at_90]
    if not seen.on[table.centred]:
        recovery.ask(
            Question(
                f"{table.name}.load", table.name,
                f"{table.name}: gutter {table.gutter} should lie on it and is not seen;"
                " where is it?",
                (("removed", "it has been taken away; the record lets it go"),),
                caution(table) + "; laid back on the table, it ends the question by itself",
                table.name, table.gutter,
            )
        )  # fmt: skip
    elif at_90 and not at_0:
        table.stand("loaded")
    elif at_0 and not at_90:
        table.stand("offered")
    else:
        recovery.interrupted(table, "turning", "the table stands between its ends")

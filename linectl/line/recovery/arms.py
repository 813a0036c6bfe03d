"""What became of a gutter between a carriage and the place that its arm reaches into.

Arm home (·: any; source: the eye at the place that a pick empties; far: at the place of a put):

    pick   on board   source
           yes        dark     done
           no         lit      not done
           no         dark     asked: neither has it
           yes        lit      asked: both have it
    put    on board   far
           no         lit      done
           yes        dark     not done
           no         dark     asked
           yes        lit      asked

Home with nothing on board and yet something in the grip: the arm's switch or the grip's is wrong,
and it is asked. Arm not home: what is gripped is brought on board again, what is not is left where
it lies. The grip stays closed meanwhile (`Carriage.untried`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from linectl.line.carriage import Carriage
from linectl.line.lane import Lane
from linectl.line.recovery.questions import Question, caution
from linectl.line.trips import Infeed

if TYPE_CHECKING:
    from linectl.image import Move
    from linectl.line.recovery.recovery import Recovery


def judge(recovery: Recovery, carriage: Carriage) -> None:
    """Judge one carriage, its places being judged after it."""
    if carriage.state not in ("idle", "faulted"):
        return
    source = recovery.line.ends.turn.name if isinstance(carriage, Infeed) else ""
    if carriage.gutter and not carriage.number:
        move = recovery.open_move("insert", "put", gutter=carriage.gutter, source=carriage.name)
        if move is not None:
            _put(recovery, carriage, move)
        elif carriage.state == "idle":
            _loaded(recovery, carriage)
        return
    for move in list(recovery.line.open_moves.values()):
        if (
            move.kind in ("pick", "eject")
            and move.dest == carriage.name
            and move.number <= recovery.known
        ):
            if source and move.source != source:
                continue
            _pick(recovery, carriage, move)
            return


def _home(carriage: Carriage) -> bool | None:
    """True: home; False: certainly not; None: the switches do not agree, or cannot be read."""
    seen = carriage.line.seen
    home, out = seen.on[carriage.home], seen.on[carriage.out]
    if home and seen.off[carriage.out]:
        return True
    return False if seen.off[carriage.home] and not (home and out) else None


def _lane_of(carriage: Carriage, place: str) -> Lane | None:
    """The lane whose mouth or tail that place is."""
    for lane in carriage.line.lanes.lanes:
        if place.startswith(f"{lane.name}."):
            return lane
    return None


def _pick(recovery: Recovery, carriage: Carriage, move: Move) -> None:
    seen = recovery.line.seen
    lane = None if isinstance(carriage, Infeed) else _lane_of(carriage, move.source)
    carriage.lane = lane.id if lane is not None else 0
    aboard, none = seen.on[carriage.aboard], seen.off[carriage.aboard]
    clear = carriage.source_clear()
    home = _home(carriage)
    if home and aboard and clear and not seen.off[carriage.gripped]:
        carriage.gutter = move.gutter
        _held_lane(lane, "take_harvest")
        recovery.done(move, "it is on board, the arm is home, its source sees nothing")
        _picked(recovery, carriage, lane)
        carriage.stand("loaded")
    elif home and none and not clear and not seen.on[carriage.gripped]:
        recovery.not_done(move, f"{move.source} still sees it and nothing is on board")
        carriage.lane = 0
    elif home is False and seen.on[carriage.gripped]:
        carriage.gutter, carriage.number = move.gutter, move.number
        _held_lane(lane, "take_harvest")
        if isinstance(carriage, Infeed):
            carriage.turn.stand("offered")
        recovery.verdict(move, "under_way", "it hangs in the grip, the arm is not home")
        recovery.interrupted(carriage, "lifting", "the arm is not home, a gutter in its grip")
    elif home is False and not clear and seen.off[carriage.gripped]:
        recovery.not_done(move, "the arm is out and has gripped nothing")
        carriage.lane = 0
        recovery.interrupted(carriage, "stowing", "the arm is out, nothing in its grip")
    else:
        _ask(recovery, carriage, move, "pick")


def _held_lane(lane: Lane | None, event: str) -> None:
    if lane is not None and lane.state == "available":
        lane.go(event)


def _picked(recovery: Recovery, carriage: Carriage, lane: Lane | None) -> None:
    """The source has given it."""
    if isinstance(carriage, Infeed):
        carriage.turn.gutter = 0
    else:
        carriage.lifted(recovery.line.now)


def _put(recovery: Recovery, carriage: Carriage, move: Move) -> None:
    seen = recovery.line.seen
    lane = _lane_of(carriage, move.dest) if isinstance(carriage, Infeed) else None
    carriage.lane = lane.id if lane is not None else 0
    aboard, none = seen.on[carriage.aboard], seen.off[carriage.aboard]
    laid = carriage.laid(recovery.line.now)
    home = _home(carriage)
    if home and none and laid and not seen.on[carriage.gripped]:
        _held_lane(lane, "take_sowing")
        recovery.done(move, f"{move.dest} sees it, nothing is on board, the arm is home")
        carriage.put_done(recovery.line.now)
        carriage.gutter = carriage.lane = 0
        carriage.stand("idle")
    elif home and aboard and not laid:
        recovery.not_done(move, f"it is on board, {move.dest} sees nothing")
        carriage.stand("loaded")
    elif home is False and seen.on[carriage.gripped]:
        _open_put(carriage, lane, move)
        recovery.verdict(move, "under_way", "it hangs in the grip, the arm is not home")
        recovery.interrupted(carriage, "offering", "the arm is not home, a gutter in its grip")
    elif home is False and laid and none:
        _open_put(carriage, lane, move)
        recovery.verdict(move, "under_way", "it is laid, the arm is not home")
        recovery.interrupted(carriage, "withdrawing", "the arm is not home, it has laid its gutter")
    else:
        _ask(recovery, carriage, move, "put")


def _open_put(carriage: Carriage, lane: Lane | None, move: Move) -> None:
    carriage.number = move.number
    _held_lane(lane, "take_sowing")


def _loaded(recovery: Recovery, carriage: Carriage) -> None:
    """The record has a gutter on board, and nothing of it under way."""
    seen = recovery.line.seen
    home = _home(carriage)
    if home and seen.on[carriage.aboard]:
        carriage.stand("loaded")
        return
    gutter = carriage.gutter
    recovery.ask(
        Question(
            f"{carriage.name}.load", carriage.name,
            f"{carriage.name}: gutter {gutter} should be on board and is not seen; where is it?",
            (("removed", "it has been taken away; the record lets it go"),),
            caution(carriage) + "; laid back on board, it ends the question by itself",
            carriage.name, gutter,
        )
    )  # fmt: skip


def _ask(recovery: Recovery, carriage: Carriage, move: Move, what: str) -> None:
    recovery.verdict(move, "asked", "the eyes at both ends and on board do not agree")
    recovery.ask(
        Question(
            f"{carriage.name}.{what}", carriage.name,
            f"{carriage.name}: gutter {move.gutter} was on its way from {move.source} to"
            f" {move.dest}, and the eyes there do not agree; where is it?",
            (("removed", "it has been taken away; the record lets it go"),),
            caution(carriage) + "; when the eyes agree, the question ends by itself",
            carriage.name, move.gutter,
        )
    )  # fmt: skip

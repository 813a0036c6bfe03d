"""What the recovery tells people, and its state as plain data."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from linectl.image import Move
from linectl.line.recovery.questions import Question

if TYPE_CHECKING:
    from linectl.line.recovery.recovery import Recovery


def count_unverified(recovery: Recovery) -> int:
    """Slots whose gutter nobody has confirmed since power-up; an unknown one counts."""
    count = 0
    for lane in recovery.line.lanes.lanes:
        for run in lane.slots:
            count += sum(gutter < 0 or gutter in recovery.unverified for gutter in run)
    return count


def view(recovery: Recovery) -> dict[str, Any]:
    """The object of `recover --json`, the site's name apart."""
    return {
        "judged": recovery.judged,
        "waits_for": recovery.line.not_good(),
        "moves": [
            {
                "number": move.number, "kind": move.kind, "gutter": move.gutter,
                "source": move.source, "dest": move.dest, "verdict": verdict, "why": why,
            }
            for move, verdict, why in recovery.moves.values()
        ],
        "questions": [
            {
                "id": q.id, "place": q.place, "gutter": q.gutter, "text": q.text,
                "caution": q.caution, "answered": None,
                "answers": [{"choice": word, "text": then} for word, then in q.choices],
            }
            for q in recovery.questions.values()
        ],
        "unverified": count_unverified(recovery),
        "lanes": [
            {
                "lane": lane.id,
                "runs": [
                    {"run": run, "slots": list(slots)}
                    for run, slots in zip(lane.runs, lane.slots, strict=True)
                ],
            }
            for lane in recovery.line.lanes.lanes
        ],
    }  # fmt: skip


def status(recovery: Recovery) -> dict[str, Any]:
    """Counts for `status --json`."""
    return {
        "judged": recovery.judged,
        "questions": len(recovery.questions),
        "moves": len(recovery.moves),
        "unverified": count_unverified(recovery),
    }


def plain(recovery: Recovery) -> dict[str, Any]:
    """The state as plain data."""
    return {
        **{name: _plain(getattr(recovery, name)) for name in recovery.FIELDS},
        "questions": [question.plain() for question in recovery.questions.values()],
        "moves": [[list(move), verdict, why] for move, verdict, why in recovery.moves.values()],
    }


def fill(recovery: Recovery, saved: dict[str, Any]) -> None:
    """Take over what `plain` gave."""
    for name in recovery.FIELDS:
        value = saved[name]
        present = getattr(recovery, name)
        setattr(recovery, name, type(present)(value) if isinstance(present, set | dict) else value)
    questions = [Question.of(row) for row in saved["questions"]]
    recovery.questions = {question.id: question for question in questions}
    moves = [(Move(*row), verdict, why) for row, verdict, why in saved["moves"]]
    recovery.moves = {move.number: (move, verdict, why) for move, verdict, why in moves}


def _plain(value: Any) -> Any:
    if isinstance(value, set):
        return sorted(value)
    if isinstance(value, dict):
        return [[key, list(item)] for key, item in sorted(value.items())]
    return value

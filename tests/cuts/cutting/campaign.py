"""Cuts until every kind of move was cut in every phase often enough, and the table of them."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Container, Iterable
from pathlib import Path
from typing import Any

from cutting.boot import PHASES
from cutting.life import Course, Cut, Life
from cutting.moments import AT_ONCE, Target, key_of, targets_of
from linectl.image import Move

COLUMNS = ("cuts", "done", "not_done", "under_way", "asked", "never on disk", "questions")
LIVES_MAX = 200
VERIFY_EVERY = 5
SILENT_MAX = 3
"""Lives that ended because nothing of what was wanted came up."""
FAILURES_MAX = 12
"""More of them tell no more."""


class _Every:
    def __contains__(self, key: object) -> bool:
        return True


EVERY = _Every()


class Tally:
    """Cuts by kind of move and phase, with what was judged of each move."""

    def __init__(self) -> None:
        self.rows: dict[Target, Counter[str]] = defaultdict(Counter)
        self.cuts = 0
        self.seen: set[str] = set()

    def add(self, cut: Cut) -> None:
        """Every move that was under way counts, not only the one that was aimed at."""
        self.cuts += 1
        for number, (move, phase) in cut.hit.items():
            if move.kind in AT_ONCE and phase not in (PHASES[0], PHASES[-1]):
                continue
            row = self.rows[Target(key_of(move), phase)]
            row["cuts"] += 1
            at_once = "done" if move.kind in AT_ONCE and phase == PHASES[-1] else "never on disk"
            row[cut.verdicts.get(number, at_once)] += 1
            row["questions"] += _asks(move, cut.asked.get(move.gutter, ""))

    def wanting(self, keys: Iterable[str], least: int) -> list[Target]:
        """What has not been cut often enough yet."""
        targets = [t for t in targets_of(list(keys)) if self.rows[t]["cuts"] < least]
        return sorted(targets, key=lambda target: self.rows[target]["cuts"])

    def table(self) -> str:
        """As text."""
        lines = [f"{'move':<14} {'phase':<17}" + "".join(f"{name:>14}" for name in COLUMNS)]
        for target in sorted(self.rows, key=lambda t: (t.key, PHASES.index(t.phase))):
            counts = self.rows[target]
            if counts["cuts"]:
                cells = "".join(f"{counts[name]:>14}" for name in COLUMNS)
                lines.append(f"{target.key:<14} {target.phase:<17}{cells}")
        return "\n".join(lines)


def _asks(move: Move, question: str) -> bool:
    """That question is about this move."""
    kinds = {"partial": "process", "handover": "handover", "transfer": "transfer"}
    place, _, what = question.rpartition(".")
    return kinds.get(what) == move.kind and (move.kind != "process" or place == move.source)


def play(
    course: Course, folder: Path, person: Callable[..., Any], least: int, seed: int = 1,
    only: Container[str] = EVERY,
) -> tuple[Tally, list[str]]:  # fmt: skip
    """Lives of that course until every kind (of `only`) was cut `least` times in every phase.

    Also what was wrong: each with the course, the seed, and the cuts that led there. A life ends
    with its first defect, or when a moment does not come; the next one has the next seed.
    """
    tally, failures, silent = Tally(), list[str](), 0
    for number in range(seed, seed + LIVES_MAX):
        life = Life(course, number, folder, person)
        tally.seen |= {key for key in life.moments.took if key in only}
        try:
            came = _live(life, tally, least, failures)
        finally:
            life.end()
        silent += not came
        if not tally.wanting(tally.seen, least) or silent > SILENT_MAX:
            break
        if len(failures) >= FAILURES_MAX:
            break
    return tally, failures


def _live(life: Life, tally: Tally, least: int, failures: list[str]) -> bool:
    """Cut upon cut, until all was cut often enough or something is wrong; False: nothing came."""
    while wanted := tally.wanting(tally.seen, least):
        cut = life.cut(wanted)
        if cut is None:
            return False
        tally.add(cut)
        if cut.wrong or len(life.story) % VERIFY_EVERY == 0:
            cut.wrong += life.verified()
        if cut.wrong:
            failures.append(_failure(life, cut))
            break
    return True


def _failure(life: Life, cut: Cut) -> str:
    moves = [f"{key_of(move)} ({move.gutter}) {phase}" for move, phase in cut.hit.values()]
    return (
        f"{life.course.name}, seed {life.seed}, cut {len(life.story)} ({cut.form}) at {cut.at_s} s;"
        f" under way: {', '.join(moves)}; verdicts {cut.verdicts}; asked {cut.asked};"
        f" story {[tuple(target) for target in life.story]}\n    " + "\n    ".join(cut.wrong)
    )

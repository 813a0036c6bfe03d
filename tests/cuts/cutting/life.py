"""A line's life: boots and power cuts one after another, each held against the bodies."""

from __future__ import annotations

import traceback
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

from cutting import seen, truth
from cutting.bodies import differences
from cutting.boot import BEFORE, WRITTEN, Boot
from cutting.dead import unattended
from cutting.moments import AT_ONCE, Hit, Moments, Target
from linectl.image import Move, Slot
from linectl.ledger.verify import verify
from linectl.runtime.plant import open_plant
from linectl.runtime.standing import standing
from linectl.site.model import Site

LEARN_MS = 240_000
JUDGED_WITHIN_MS = 60_000
"""From a restart until every move is judged, the devices' own time without power included."""
EVERYTHING = 0.25
"""Share of cuts in which the devices lose power too."""
DEAD_MS = (300, 30_000)
"""How long there is no controller."""
LATER_MS = 150_000
"""What a line may need beyond its work, for a person to put right what they find."""
WORKING = {"Execute", "Suspended", "Suspending", "Unsuspending"}
PASSING = ("magazine_low", "hopper_low", "seed_low", "mutual_wait", "lot.")
"""Beginnings of alarms of a line at work: people bring, or say, what is missing."""


@dataclass(frozen=True)
class Course:
    """How a life begins, and goes on: the share of the lanes that stands full at first, and what
    people command at each boot.

    work_ms: sowing and harvest after each recovery, before the bodies are counted again. again:
    share of recoveries that are cut themselves: while it judges, asks, or begins again.
    """

    name: str
    site: Site
    lanes: float = 1.0
    commands: tuple[tuple[int, str, str], ...] = ()
    """(boot's ms, command, argument)"""
    work_ms: int = 60_000
    again: float = 0.12


@dataclass
class Cut:
    """What came of one cut."""

    target: Target
    at_s: float
    """The plant's time."""
    form: str
    hit: dict[int, tuple[Move, str]]
    """Moves under way and their phases, by number."""
    verdicts: dict[int, str] = field(default_factory=dict)
    """By number, at the first return: done, not_done, under_way, asked; none where the record never
    had the move."""
    asked: dict[int, str] = field(default_factory=dict)
    """By gutter, at the first return: the question's id."""
    returns: int = 0
    wrong: list[str] = field(default_factory=list)
    """What must not be; empty when all is well."""


class Life:
    """One plant, one ledger, many boots."""

    def __init__(self, course: Course, seed: int, folder: Path, person: Callable[..., Any]) -> None:
        self.course, self.seed = course, seed
        self.chance = Random(f"{course.name}/{seed}")
        self.plant = open_plant(course.site, seed)
        self.path = str(folder / f"{course.name}-{seed}.db")
        self._person = person
        stock = standing(course.site, course.lanes)
        self.plant.stock(stock)
        self.boot = self._boot(stock)
        self.moments = Moments(self.chance)
        self._heard = 0
        self.story: list[Target] = []
        """Where it was cut: the same seed and story give the same life."""
        self.person = person(self.boot, first_ms=1_000)
        self.moments.learn(self.boot, LEARN_MS)

    def cut(self, targets: Sequence[Target], within_ms: int = 300_000) -> Cut | None:
        """Work on until the moment of one of these, cut, come back, work on; None if it never
        came. The first of them goes before the others at one moment."""
        hit = self.moments.reach(self.boot, targets, within_ms)
        if hit is None:
            return None
        wrong = self._violations()
        self.story.append(hit.target)
        cut = self._cut_at(hit)
        cut.wrong += wrong
        try:
            self._come_back(cut)
            while not cut.wrong and self.chance.random() < self.course.again:
                self._cut_again(cut)
            if not cut.wrong:
                self._work_on(cut)
        except Exception:  # noqa: BLE001 a crash of the controller is a finding like any other
            cut.wrong.append(traceback.format_exc(limit=-3))
        return cut

    def _boot(self, stock: list[Slot] | None = None) -> Boot:
        boot = Boot(self.course.site, self.plant, self.path, self.chance, stock)
        for at, name, argument in self.course.commands:
            boot.bench.at(at, lambda n=name, a=argument: boot.command("", n, a))
        return boot

    def end(self) -> None:
        """Let the ledger's file go."""
        seen.drop(self.boot.ledger)

    def verified(self) -> list[str]:
        """What `ledger verify` finds in the record of this life."""
        self._held_against()
        verdict = verify(self.path)
        return [] if verdict.ok else [f"ledger verify: {verdict.first}"]

    # the cut -----------------------------------------------------------------------------------

    def _cut_at(self, hit: Hit) -> Cut:
        under_way = self.boot.kill(hit.at)
        if hit.target.phase == WRITTEN or hit.move.kind in AT_ONCE:
            under_way.setdefault(hit.move.number, (hit.move, hit.target.phase))
            under_way[hit.move.number] = (hit.move, hit.target.phase)
        everything = self.chance.random() < EVERYTHING
        form = "everything" if everything else "controller"
        cut = Cut(hit.target, self.plant.now / 1000, form, under_way)
        self._dead(everything)
        return cut

    def _dead(self, everything: bool) -> None:
        """Nobody writes for a while; the devices may have lost their power as well."""
        least, most = DEAD_MS
        dead_ms = round(least * (most / least) ** self.chance.random())
        if everything:
            self.plant.do("cut power", for_ms=round(dead_ms * self.chance.uniform(0.5, 1.3)) + 1)
        unattended(self.plant, self.course.site, dead_ms, self.chance)
        self._violations(dead=True)

    def _come_back(self, cut: Cut) -> None:
        """The next boot judges, and moves nothing; what it says is held against the bodies."""
        self.boot = self._boot()
        line, bench = self.boot.line, self.boot.bench
        with truth.Stillness(self.plant) as still:

            def settled() -> bool:
                still.look()
                return seen.judged(line)

            if not bench.until(JUDGED_WITHIN_MS, settled):
                cut.wrong.append("not judged in time")
                return
            bench.until(bench.now + 3_000, lambda: still.look() is not None)
        cut.wrong += [f"moved before a person's start: {what}" for what in still.stirred]
        cut.wrong += self._violations(dead=True)  # a watchdog may act only after the new start
        told = seen.view(line)
        if not cut.returns:
            cut.verdicts = {move["number"]: move["verdict"] for move in told["moves"]}
            cut.asked = {one["gutter"]: one["id"] for one in told["questions"]}
            cut.wrong += _never_told(cut)
        cut.returns += 1
        cut.wrong += self._held_against()
        cut.wrong += self._questions(told["questions"])

    def _questions(self, questions: list[dict[str, Any]]) -> list[str]:
        """At most one about each gutter that no sensor can tell of, none about any other."""
        rightly = truth.uncertain(self.plant, self.boot.found_open)
        gutters = [one["gutter"] or one["id"] for one in questions]
        wrong = [f"two questions about one gutter: {questions}"]
        return wrong[: len(set(gutters)) < len(gutters)] + [
            f"asked what sensors decide: {one['id']}: {one['text']}"
            for one in questions
            if rightly.get(one["gutter"]) != one["id"]
        ]

    def _cut_again(self, cut: Cut) -> None:
        """Power goes once more: while it settles, while a question stands, while it begins."""
        bench = self.boot.bench
        if self.chance.random() < 0.7:
            self.person = self._person(self.boot, first_ms=bench.now + 500)
            bench.run(bench.now + self.chance.randint(0, 40_000))
            cut.wrong += self._violations()
        self.boot.kill(bench.now + self.chance.randint(0, 9))
        self._dead(self.chance.random() < EVERYTHING)
        self._come_back(cut)

    def _work_on(self, cut: Cut) -> None:
        """A person answers, puts right and starts; the line works, and nothing is left over."""
        bench, line = self.boot.bench, self.boot.line
        self.person = self._person(self.boot, first_ms=bench.now + 1_000)
        before = self.plant.report()["gutters"]
        begun = bench.now
        bench.run(begun + self.course.work_ms)
        at_work = lambda: self._at_work()  # noqa: E731
        if not at_work() and not bench.until(begun + self.course.work_ms + LATER_MS, at_work):
            states = {unit.name: (unit.state, unit.reason) for unit in line.units}
            alarms = sorted(line.alarms.standing)
            cut.wrong.append(f"not at work: {states}, {alarms}, {self.person.acts[-6:]}")
        cut.wrong += self._violations()
        cut.wrong += self._held_against()
        cut.wrong += _unbalanced(before, self.plant.report()["gutters"])

    def _at_work(self) -> bool:
        line = self.boot.line
        alarms = [tag for tag in line.alarms.standing if not tag.startswith(PASSING)]
        return not alarms and all(unit.state in WORKING for unit in line.units)

    # held against the bodies -------------------------------------------------------------------

    def _held_against(self) -> list[str]:
        """What is told is on disk first: the disk is read by itself."""
        bench = self.boot.bench
        bench.until(bench.now + 2_000, lambda: not bench.disk.waiting)
        moves = list(self.boot.line.open_moves.values())
        return differences(self.path, self.plant, moves, truth.taken_by_hand(self.plant))

    def _violations(self, dead: bool = False) -> list[str]:
        """New ones; those of a machine that nobody controls are left out."""
        rows = self.plant.auditor.violations[self._heard :]
        self._heard += len(rows)
        return [
            f"{row['rule']} at {row['at_s']}: {row['detail']}"
            for row in rows
            if not (dead and row["rule"] in truth.DEAD_RULES)
        ]


def _never_told(cut: Cut) -> list[str]:
    """A move whose intent never came to the disk cannot be judged: its number is free again."""
    return [
        f"{move.kind} {number} was never on disk and is judged {cut.verdicts[number]}"
        for number, (move, phase) in cut.hit.items()
        if phase == BEFORE and number in cut.verdicts
    ]


def _unbalanced(before: dict[str, int], after: dict[str, int]) -> list[str]:
    """The plant's counts do not add up, or a gutter was lost on the way."""
    left = after["in_lanes_at_start"] + after["indexed"]
    stands = after["ejected"] + after["in_lanes"] + after["removed_from_lanes"]
    return [] if left == stands else [f"lanes do not balance: {left}, {stands}: {before} {after}"]

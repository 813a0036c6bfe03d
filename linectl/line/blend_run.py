"""A blend as harvest follows it: whose turn it is, what is owed, what has gone. Counting only.

The order of a cycle is repeated. A crop whose turn it is and that cannot be had is skipped and
owed; what is owed goes first, the oldest debt that can be had before the others. No more gutters of
a crop are owed than a cycle has: then harvest waits for it, or a person forgives the debt.

So of each crop, turns = gone + owed + forgiven, always. And while nothing is forgiven, what has
gone is near what was asked: with n of the D gutters of a cycle, and an order whose counts keep
within one gutter of their ideal, the count gone of a crop is less than 1 + n · (1 − n/D) gutters
from its share of all that have gone. For what has gone is the turns less the debts: the turns are
less than 1 off, and the debts shift it by owed − (n/D) · all owed, n · (1 − n/D) at the most.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Literal, NamedTuple

Asked = Callable[[str], bool]
"""A question about a crop."""


class Look(NamedTuple):
    """What the order says now. `take`: that crop; `wait`: it is about to be had; `blocked`: no more
    of it may be owed; `nothing`: no crop of the blend can be had (crop empty)."""

    says: Literal["take", "wait", "blocked", "nothing"]
    crop: str = ""


class Passed(NamedTuple):
    """What the taking of one gutter did: whether it was owed, what was skipped for it, and which
    of that is not owed."""

    made_up: bool
    skipped: list[str]
    forgiven: list[str]


class BlendRun:
    """A blend from its beginning to its end. Lists of counts go by `crops`; `order` holds crops."""

    FIELDS = (
        "name", "by", "crops", "cycle", "order", "place", "owed", "turns", "gone", "skipped",
        "made_up", "forgiven", "beside", "weighed", "weighed_g",
    )  # fmt: skip

    def __init__(self) -> None:
        self.begin("", "", {}, ())

    def begin(self, name: str, by: str, cycle: Mapping[str, int], order: Sequence[str]) -> None:
        """Follow this blend from its first gutter on; without crops: none."""
        self.name, self.by = name, by
        self.crops = list(cycle)
        self.cycle = list(cycle.values())
        self.order = list(order)
        self.place = 0
        """Place in the order of the crop whose turn it is."""
        self.owed: list[str] = []
        """Crops that were skipped, the oldest debt first."""
        self.turns = [0] * len(self.crops)
        """How often it was each crop's turn; what was asked so far."""
        self.gone = [0] * len(self.crops)
        self.skipped = [0] * len(self.crops)
        self.made_up = [0] * len(self.crops)
        self.forgiven = [0] * len(self.crops)
        self.beside = 0
        """Ejected meanwhile and none of the blend's."""
        self.weighed = [0] * len(self.crops)
        self.weighed_g = [0] * len(self.crops)

    def __bool__(self) -> bool:
        return bool(self.order)

    def limit(self, crop: str) -> int:
        """Gutters of a crop that may be owed: as many as a cycle has."""
        return self.cycle[self.crops.index(crop)]

    def look(self, ripe: Asked, coming: Asked, never: Asked, patient: bool) -> Look:
        """What is to be taken, or what keeps harvest from it. It alters nothing.

        ripe: it can be had now; coming: soon; never: not to be had today, so not owed either.
        patient: harvest still waits for what is coming.
        """
        for crop in dict.fromkeys(self.owed):
            if ripe(crop):
                return Look("take", crop)
        debts = {crop: self.owed.count(crop) for crop in self.crops}
        for step in range(len(self.order)):
            crop = self.order[(self.place + step) % len(self.order)]
            if ripe(crop):
                return Look("take", crop)
            if patient and coming(crop):
                return Look("wait", crop)
            debts[crop] += 1
            if debts[crop] > self.limit(crop) and not never(crop):
                return Look("blocked", crop)
        return Look("nothing")

    def took(self, crop: str, never: Asked) -> Passed:
        """A gutter has been ejected: a debt made up, or its turn, with what was skipped before."""
        if crop not in self.crops:
            self.beside += 1
            return Passed(False, [], [])
        if crop in self.owed:
            self.owed.remove(crop)
            self._count(self.made_up, crop)
            self._count(self.gone, crop)
            return Passed(True, [], [])
        skipped, forgiven = [], []
        while (turn := self._next()) != crop:
            skipped.append(turn)
            if never(turn) or self.owed.count(turn) >= self.limit(turn):
                forgiven.append(turn)
                self._count(self.forgiven, turn)
            else:
                self.owed.append(turn)
            self._count(self.skipped, turn)
        self._count(self.gone, crop)
        return Passed(False, skipped, forgiven)

    def forgive(self, crop: str) -> int:
        """What is owed of a crop is owed no more; returns how many gutters."""
        count = self.owed.count(crop)
        self.owed = [other for other in self.owed if other != crop]
        self.forgiven[self.crops.index(crop)] += count
        return count

    def pass_over(self) -> str:
        """The crop whose turn it is has had it, and is not owed for it; returns the crop."""
        crop = self._next()
        self._count(self.skipped, crop)
        self._count(self.forgiven, crop)
        return crop

    def weigh(self, crop: str, kg: float) -> None:
        """One of its gutters was weighed."""
        if crop in self.crops:
            self._count(self.weighed, crop)
            self.weighed_g[self.crops.index(crop)] += round(kg * 1000)

    def turn(self) -> str:
        """The crop whose turn it is."""
        return self.order[self.place]

    def _next(self) -> str:
        crop = self.order[self.place]
        self.place = (self.place + 1) % len(self.order)
        self._count(self.turns, crop)
        return crop

    def _count(self, counts: list[int], crop: str) -> None:
        counts[self.crops.index(crop)] += 1


def rows(run: BlendRun, yields_kg: Mapping[str, float]) -> list[dict[str, Any]]:
    """By crop: gutters asked (turns so far), gone, skipped, made_up, forgiven, owed, weighed; kg
    asked and gone, weighed where a scale did and by the crop's yield elsewhere; shares of 1 of
    gutters and of mass, asked and gone (None while there are none)."""
    found: list[dict[str, Any]] = []
    for at, crop in enumerate(run.crops):
        each_kg = yields_kg.get(crop, 0.0)
        unweighed = max(0, run.gone[at] - run.weighed[at])
        found.append(
            {
                "crop": crop,
                "cycle": run.cycle[at],
                "asked": run.turns[at],
                "gone": run.gone[at],
                "skipped": run.skipped[at],
                "made_up": run.made_up[at],
                "forgiven": run.forgiven[at],
                "owed": run.owed.count(crop),
                "weighed": run.weighed[at],
                "asked_kg": round(run.turns[at] * each_kg, 3),
                "gone_kg": round(run.weighed_g[at] / 1000 + unweighed * each_kg, 3),
            }
        )
    for name in ("asked", "gone", "asked_kg", "gone_kg"):
        whole = sum(row[name] for row in found)
        for row in found:
            row[f"{name}_share"] = round(row[name] / whole, 4) if whole else None
    return found

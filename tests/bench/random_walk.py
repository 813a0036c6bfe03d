"""A line that does whatever is legal, at random: moves overlap, power fails, people correct.

It keeps its own books of what stands where, apart from the ledger's and from what verifies it. For
the site of `tests/ledger/conftest.py`: one lane of two runs with a lift between.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from random import Random

from linectl.image import Move, Slot
from linectl.ledger import Ledger
from linectl.site.model import Site

T0 = 1_700_000_000_000
WAY = ("magazine", "fill", "water", "seed", "infeed")
TOOLS = ("fill", "water", "seed")
GERM, GROW = 4, 8
UNKNOWN = -1


@dataclass
class Act:
    """A move that is wanted: what it is about, what it must have for itself until it is done."""

    kind: str
    gutter: int
    source: str
    dest: str
    needs: frozenset[str]
    took: int = 0


class Walk:
    """`steps` acts at random; afterwards `places` and `slots` are what a ledger has to say."""

    def __init__(self, path: str, site: Site, seed: int, full: bool = False) -> None:
        self.path, self.site, self.chance = path, site, Random(seed)
        self.stations: dict[str, int] = {}
        self.runs = {"lane1.germ": [0] * GERM, "lane1.grow": [0] * GROW}
        self.reserved = 0
        self.worked: dict[int, set[str]] = {}
        self.given = 0
        self.number = 0
        self.now = T0
        self.open: list[tuple[int, Act, Move]] = []
        self.ledger = self._open()
        if full:
            self._full()

    def _open(self) -> Ledger:
        self.began = self.now
        ledger = Ledger.open(self.path, self.site, lambda: self.now)
        # The power that fails here takes a controller, not a disk's cache.
        ledger._connection.execute("PRAGMA synchronous = OFF")
        return ledger

    def _full(self) -> None:
        slots = [(run, n) for run, row in self.runs.items() for n in range(len(row))]
        for gutter, (run, n) in enumerate(slots, 1):
            self.runs[run][n] = gutter if gutter != 3 else UNKNOWN
        self.given = len(slots)
        self.ledger.seed_lanes(
            [Slot(f"{run}.{n}", self.runs[run][n], "oak", -9, 9) for run, n in slots]
        )

    def go(self, steps: int) -> None:
        """So many things happen; the ledger is closed in order at the end."""
        for _ in range(steps):
            self._end_some()
            chance = self.chance.random()
            if chance < 0.02:
                self._power_cut()
            elif chance < 0.035:
                self._person()
            else:
                self._begin()
        self.ledger.close()

    def resume(self) -> None:
        """The controller starts anew; nothing was under way that will still be done."""
        self.open.clear()
        self.now += 1000
        self.ledger = self._open()

    def places(self) -> dict[int, str]:
        """Every named gutter in the machine."""
        found = {gutter: name for name, gutter in self.stations.items()}
        for run, row in self.runs.items():
            found |= {gutter: f"{run}.{n}" for n, gutter in enumerate(row) if gutter > 0}
        return found

    def unnamed(self) -> list[str]:
        """Slots with a gutter that nobody has named, in order."""
        rows = self.runs.items()
        return sorted(f"{run}.{n}" for run, row in rows for n, g in enumerate(row) if g < 0)

    # moves --------------------------------------------------------------------------------------

    def _begin(self) -> None:
        busy = {need for _, act, _ in self.open for need in act.needs}
        acts = [act for act in self._legal() if not (act.needs & busy)]
        rare = ("release", "stroke", "correct")
        acts = [a for a in acts if a.kind not in rare or self.chance.random() < 0.2] or acts
        if not acts:
            self.now += 500
            return
        act = self.chance.choice(acts)
        took = self.chance.choice((0, 1, 700, 2500))
        move = self._intend(act)
        at_once = act.kind in ("reserve", "release")
        if at_once or (took == 0 and self.chance.random() < 0.5):
            self._done(act, move)
            return
        self.open.append((self.now + took, act, move))
        self.now += self.chance.choice((0, 0, 1, 300))

    def _intend(self, act: Act) -> Move:
        self.number += 1
        crop = "oak" if act.gutter > 0 else ""
        move = Move(self.number, act.kind, act.gutter, act.source, act.dest, crop, False,
                    self.now - self.began)  # fmt: skip
        self.ledger.record([move], [])
        return move

    def _done(self, act: Act, move: Move) -> None:
        self.ledger.record([move._replace(done=True, at=self.now - self.began)], [])
        self._effect(act)

    def _end_some(self) -> None:
        # What ends at one moment is told in any order: the record has only the moment.
        for entry in sorted(self.open, key=lambda e: (e[0], self.chance.random())):
            due, act, move = entry
            if due <= self.now:
                self.open.remove(entry)
                self._done(act, move)

    def _legal(self) -> Iterator[Act]:
        at = self.stations
        if "magazine" not in at:
            yield self._act("feed", self.given + 1, "stock", "magazine")
        for here, there in pairwise(WAY):
            gutter = at.get(here)
            if gutter and there not in at and self._ready(gutter, here):
                yield self._act("pick" if there == "infeed" else "convey", gutter, here, there)
        for tool in TOOLS:
            gutter = at.get(tool)
            if gutter and tool not in self.worked.get(gutter, ()):
                yield self._act("process", gutter, tool, tool)
        germ, grow = self.runs["lane1.germ"], self.runs["lane1.grow"]
        for here in reversed(WAY[1:]):  # what had one before and lost it, first
            if at.get(here) and not germ[0] and not self.reserved:
                yield self._act("reserve", at[here], here, "lane1.germ.0", "mouth")
                break
        if self.reserved and at.get("water") == self.reserved:
            yield self._act("release", self.reserved, "lane1.germ.0", "water", "mouth")
        gutter = at.get("infeed")
        if gutter and gutter == self.reserved and not germ[0]:
            yield self._act("insert", gutter, "infeed", "lane1.germ.0", "lane1.germ", "mouth")
        for run, row in self.runs.items():
            if not row[-1] and any(row) and not (run == "lane1.germ" and self.reserved):
                yield self._act("stroke", -1, run, run, run)
        if germ[-1] and not grow[0]:
            yield self._act("transfer", germ[-1], f"lane1.germ.{GERM - 1}", "lane1.grow.0",
                            "lane1.germ", "lane1.grow")  # fmt: skip
        if grow[-1] and "outfeed" not in at:
            yield self._act("eject", grow[-1], f"lane1.grow.{GROW - 1}", "outfeed", "lane1.grow")
        if at.get("outfeed"):
            yield self._act("handover", at["outfeed"], "outfeed", "packing")

    def _ready(self, gutter: int, here: str) -> bool:
        """Its tool has worked on it, and beyond `fill` the mouth's hole is its own."""
        if here in TOOLS and here not in self.worked.get(gutter, ()):
            return False
        return (
            here == "magazine" or self.reserved == gutter or (here == "fill" and not self.reserved)
        )

    def _act(self, kind: str, gutter: int, source: str, dest: str, *needs: str) -> Act:
        own = {source, dest, *needs} | ({f"gutter {gutter}"} if gutter > 0 else set())
        return Act(kind, gutter, source, dest, frozenset(own))

    def _effect(self, act: Act) -> None:
        gutter = act.gutter
        if act.kind == "feed":
            self.given = gutter
        elif act.kind == "process":
            self.worked.setdefault(gutter, set()).add(act.source)
            return
        elif act.kind in ("reserve", "release"):
            self.reserved = gutter if act.kind == "reserve" else 0
            return
        elif act.kind == "stroke":
            row = self.runs[act.source]
            row.insert(0, row.pop())
            return
        self._lay(act.source, 0)
        self._lay(act.dest, gutter)
        if self.reserved == gutter and (act.kind == "insert" or act.dest in ("removed", "reject")):
            self.reserved = 0

    def _lay(self, place: str, gutter: int) -> None:
        run, _, slot = place.rpartition(".")
        if run in self.runs:
            self.runs[run][int(slot)] = gutter
        elif place in (*WAY, "outfeed"):
            self.stations.pop(place, None)
            if gutter:
                self.stations[place] = gutter

    # what else happens --------------------------------------------------------------------------

    def _power_cut(self) -> None:
        """Of what was under way some was done, as the next boot finds out; the rest never was."""
        self.ledger.close()
        self.now += self.chance.choice((0, 1, 60_000))
        self.ledger = self._open()
        self.now += 20
        left, self.open = self.open, []
        for _, act, move in left:
            if self.chance.random() < 0.5:
                self._done(act, move)

    def _person(self) -> None:
        """Somebody takes a gutter off, or finds one that nobody has named."""
        busy = {need for _, act, _ in self.open for need in act.needs}
        taken = [act for act in self._corrections() if not (act.needs & busy)]
        if taken:
            act = self.chance.choice(taken)
            self._done(act, self._intend(act))

    def _corrections(self) -> Iterator[Act]:
        for place, gutter in self.stations.items():
            yield self._act("reject" if gutter % 2 else "correct", gutter, place,
                            "reject" if gutter % 2 else "removed")  # fmt: skip
        for run, row in self.runs.items():
            for slot, gutter in enumerate(row):
                place = f"{run}.{slot}"
                if gutter:
                    yield self._act("correct", gutter, place, "removed", run)
                elif not (run == "lane1.germ" and slot == 0 and self.reserved):
                    yield self._act("correct", UNKNOWN, "stock", place, run)

"""The machine as its moves make it: what stands where, and what is told of each gutter.

Places by integers throughout: a *key* is a place and a seat in one number, so that ten million
moves are replayed by look-ups in two dicts. A run's row is rigid: a gutter keeps its seat, the run
counts its strokes, and a slot is strokes - seat.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Iterator
from itertools import pairwise
from typing import NamedTuple

from linectl.ledger.checkpoint import Checkpoint, State
from linectl.ledger.places import UNKNOWN
from linectl.ledger.schema import KINDS
from linectl.ledger.verify_rules import KIND, ONE_PLACE, Rule

SHIFT = 32
HALF = 1 << (SHIFT - 1)
NEVER = -(1 << 62)
"""A time that no gutter has been given."""

FED, WET, SOWN, INDEXED, EJECTED, HANDED, LANE, ORIGIN = range(8)
"""Columns of what is told of a gutter. ORIGIN: NEVER where its way in is among the moves, else
the time at which it was found standing."""
WIDTH = 8
_BLANK = array("q", [NEVER] * WIDTH)

Row = tuple[int, int, int, int, int, int, int, int]
"""A move that was done: (done_ms, number, kind, gutter, source, source slot, dest, dest slot)."""

Broken = tuple[Rule, str]


class PlaceRow(NamedTuple):
    """A row of `places`."""

    id: int
    name: str
    kind: str
    lane: int | None
    slots: int
    strokes: int


class Books:
    """What stands where after the moves that were played so far, and what they told."""

    def __init__(self, places: Iterable[PlaceRow], stations: dict[str, str]) -> None:
        self.places = {place.id: place for place in places}
        self.strokes = dict.fromkeys(self.places, 0)
        self.at: dict[int, int] = {}
        """Key → gutter, for keys in the machine."""
        self.leaving: dict[int, int] = {}
        """Gutter → key, for those that a newcomer followed before their own move was seen done."""
        self.where: dict[int, int] = {}
        """Gutter → key, for every gutter that has had one; unnamed ones have none."""
        self.bound: dict[int, int] = {}
        """Gutter → place that its last intended move takes it to."""
        self.reserved: dict[int, int] = {}
        """Mouth's run → gutter."""
        self.holds: dict[int, int] = {}
        """Gutter → mouth's run."""
        self.unsure: set[int] = set()
        """Gutters whose reservations are not known: they stood when a version 1 ended."""
        self.in_lanes = 0
        self.last_gutter = 0
        self.row_of: dict[int, int] = {}
        self.told = array("q")
        self.counts = dict.fromkeys(KINDS.values(), 0)
        self._ends = {p.id for p in self.places.values() if p.kind == "end"}
        self._rows = {p.id for p in self.places.values() if p.kind == "run"}
        self._laned = {p.id for p in self.places.values() if p.kind in ("run", "transfer")}
        self._stations = {p.id for p in self.places.values() if p.kind in ("sowing", "harvest")}
        self._last_slot = {p.id: p.slots - 1 for p in self.places.values()}
        self._lane = {p.id: p.lane or 0 for p in self.places.values()}
        self._next_run, self._mouths, self._tails = _lanes(self.places)
        self.water = {p.id for p in self.places.values() if stations.get(p.name) == "water"}
        self.seed = {p.id for p in self.places.values() if stations.get(p.name) == "seed"}
        kinds = KINDS
        self._reserve, self._release = kinds["reserve"], kinds["release"]
        self._process, self._stroke = kinds["process"], kinds["stroke"]
        self._feed, self._insert = kinds["feed"], kinds["insert"]
        self._eject, self._transfer = kinds["eject"], kinds["transfer"]
        self._handover, self._correct = kinds["handover"], kinds["correct"]
        self._by_person = frozenset((kinds["reject"], kinds["correct"]))
        self._between_stations = frozenset((kinds["convey"], kinds["pick"], kinds["put"]))

    # where things are ---------------------------------------------------------------------------

    def key(self, place: int, slot: int) -> int:
        """A place or a slot as it stands now, as one number."""
        if place in self._rows:
            return (place << SHIFT) + self.strokes[place] - slot
        return place << SHIFT

    def parts(self, key: int) -> tuple[int, int]:
        """A key as (place, seat)."""
        place = (key + HALF) >> SHIFT
        return place, key - (place << SHIFT)

    def say(self, key: int) -> str:
        """A key as people name it: lane3.germ.17."""
        place, seat = self.parts(key)
        row = self.places.get(place)
        if row is None:
            return f"place {place}"
        return f"{row.name}.{self.strokes[place] - seat}" if row.kind == "run" else row.name

    def outside(self, key: int) -> bool:
        """True for stock, packing, reject, removed."""
        return (key + HALF) >> SHIFT in self._ends

    def standing(self) -> Iterator[tuple[int, int]]:
        """Every gutter in the machine, with its key."""
        yield from ((gutter, key) for key, gutter in self.at.items())
        yield from self.leaving.items()

    # taking up a state --------------------------------------------------------------------------

    def begin(self, base: Checkpoint) -> None:
        """Take up the state before the first move that is replayed."""
        state = base.state
        for place, count in state.strokes.items():
            if place in self.strokes:
                self.strokes[place] = count
        self.last_gutter = base.last_gutter
        self.stand(state, base.at_ms)
        if state.reserved is None:
            self.unsure.update(s.gutter for s in state.standing)
        for gutter, run in state.reserved or ():
            self.reserved[run] = gutter
            self.holds[gutter] = run

    def stand(self, state: State, at_ms: int) -> Broken | None:
        """These gutters are found standing; what speaks against it, if anything does."""
        broken: Broken | None = None
        for gutter, place, seat in state.standing:
            key = (place << SHIFT) + seat
            if place not in self.places:
                broken = broken or (KIND, f"gutter {gutter} at place {place}, unknown here")
                continue
            newest = max(gutter, self.at.get(key, gutter))
            if key in self.at and place in self._stations:  # the older is leaving it
                self.leaving[min(gutter, self.at[key])] = key
            elif key in self.at:
                broken = broken or (ONE_PLACE, f"two gutters at {self.say(key)}")
            self.at[key] = newest
            self.in_lanes += place in self._laned
            if gutter != UNKNOWN:
                self.where[gutter] = key
                self.last_gutter = max(self.last_gutter, gutter)
                self.tell(gutter, ORIGIN, at_ms)
                if self._lane[place]:
                    self.tell(gutter, LANE, self._lane[place])
        return broken

    def tell(self, gutter: int, column: int, value: int) -> None:
        """Keep what a move says of a gutter: a time as first told, a lane as last."""
        row = self.row_of.get(gutter)
        if row is None:
            row = self.row_of[gutter] = len(self.told)
            self.told.extend(_BLANK)
        if column == LANE or self.told[row + column] == NEVER:
            self.told[row + column] = value

    # carrying --------------------------------------------------------------------------------

    def _go(self, move: Row, key: int, to: int) -> None:
        _, _, kind, gutter, source, _, dest, _ = move
        laned = self._laned
        if gutter != UNKNOWN:
            key = self.where.get(gutter, key)
            self.where[gutter] = to
            if gutter > self.last_gutter:
                self.last_gutter = gutter
            source = (key + HALF) >> SHIFT
        if self.leaving.pop(gutter, None) is not None:
            pass  # another has come there meanwhile
        elif self.at.pop(key, None) is not None and source in laned:
            self.in_lanes -= 1
        if dest in self._ends:
            self._free(gutter)
        else:
            if to not in self.at and dest in laned:
                self.in_lanes += 1
            elif to in self.at and self._leaves(to, dest):
                self.leaving[self.at[to]] = to
            self.at[to] = gutter
            if kind == self._insert or (kind == self._correct and dest in laned):
                self._free(gutter)

    def _leaves(self, key: int, station: int) -> bool:
        """The gutter at this station is on its way to the next, and its tail may be out of it: its
        move hangs open, while a cut or a fault keeps it from the eye that ends it."""
        if station not in self._stations:
            return False
        return self.bound.get(self.at[key], station) != station

    def _free(self, gutter: int) -> None:
        run = self.holds.pop(gutter, None)
        if run is not None and self.reserved.get(run) == gutter:
            del self.reserved[run]

    def _stamp(self, move: Row) -> None:
        done, _, kind, gutter, source, _, dest, _ = move
        if kind == self._process:
            if source in self.seed:
                self.tell(gutter, SOWN, done)
            elif source in self.water:
                self.tell(gutter, WET, done)
        elif gutter == UNKNOWN:
            return
        elif kind == self._insert:
            self.tell(gutter, INDEXED, done)
            self.tell(gutter, LANE, self._lane[dest])
        elif kind == self._feed:
            self.tell(gutter, FED, done)
        elif kind == self._eject:
            self.tell(gutter, EJECTED, done)
        elif kind == self._handover:
            self.tell(gutter, HANDED, done)
        elif kind == self._correct and self._lane[dest]:
            self.tell(gutter, LANE, self._lane[dest])


def _lanes(places: dict[int, PlaceRow]) -> tuple[dict[int, int], set[int], set[int]]:
    """Each run's next one; the runs with a mouth; the runs with a tail."""
    runs: dict[int, list[int]] = {}
    for place in sorted(places):
        row = places[place]
        if row.kind == "run":
            runs.setdefault(row.lane or 0, []).append(place)
    following = {a: b for row in runs.values() for a, b in pairwise(row)}
    return following, {row[0] for row in runs.values()}, {row[-1] for row in runs.values()}

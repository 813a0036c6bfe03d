"""Which moves the rules forbid, held against what stands where as they are played one by one."""

from __future__ import annotations

from linectl.ledger.places import UNKNOWN
from linectl.ledger.schema import NAMES
from linectl.ledger.verify_rules import IDS, KIND, LANES, ONE_PLACE, PROCESS, RESERVE, SOURCE
from linectl.ledger.verify_state import HALF, SHIFT, Books, Broken, Row

STOCK = "stock"


class Machine(Books):
    """Plays moves in the order in which they were done. `play` refuses, `put` takes it as told."""

    def play(self, move: Row) -> Broken | None:
        """Do one move; if a rule forbids it nothing is altered and the rule is told."""
        _, _, kind, gutter, source, source_slot, dest, dest_slot = move
        if kind == self._stroke:
            last = (source << SHIFT) + self.strokes[source] - self._last_slot[source]
            if source not in self._rows or source != dest or gutter > 0:
                return KIND, f"a stroke of {self.places[source].name}, of no run or of one gutter"
            if last in self.at:
                return LANES, (
                    f"a stroke of {self.places[source].name} with {_named(self.at[last])} in its"
                    " last slot"
                )
            self.strokes[source] += 1
            self.counts[kind] += 1
            return None
        key = source << SHIFT
        if source in self._rows:
            key += self.strokes[source] - source_slot
        if kind == self._process:
            broken = self._may_process(gutter, key, source, dest)
        elif kind == self._reserve or kind == self._release:
            return self._reservation(move, key)
        else:
            to = dest << SHIFT
            if dest in self._rows:
                to += self.strokes[dest] - dest_slot
            broken = self._may_go(move, key, to)
            if broken is None:
                self._go(move, key, to)
        if broken is None:
            self._stamp(move)
            self.counts[kind] += 1
        return broken

    def put(self, move: Row) -> None:
        """Take a forbidden move as it is told, so that what follows is judged by itself."""
        _, _, kind, gutter, source, source_slot, dest, dest_slot = move
        self.counts[kind] += 1
        if kind == self._stroke:
            self.strokes[source] += 1
        elif kind == self._reserve:
            self.reserved[dest], self.holds[gutter] = gutter, dest
        elif kind == self._release:
            self._free(gutter)
        else:
            if kind != self._process:
                self._go(move, self.key(source, source_slot), self.key(dest, dest_slot))
            self._stamp(move)

    # what the rules say -------------------------------------------------------------------------

    def _may_process(self, gutter: int, key: int, source: int, dest: int) -> Broken | None:
        if source != dest or source not in self._stations:
            return KIND, f"a process from {self.say(key)} to place {dest}"
        if self.where.get(gutter) != key and self.bound.get(gutter) != source:
            return PROCESS, (
                f"gutter {gutter} is worked on at {self.say(key)}, but {self._stands(gutter)}"
            )
        return None

    def _reservation(self, move: Row, key: int) -> Broken | None:
        _, _, kind, gutter, source, source_slot, dest, dest_slot = move
        if kind == self._release:
            if source not in self._mouths or source_slot:
                return KIND, f"{self.say(key)} is no mouth"
            if self.reserved.get(source, gutter) != gutter:
                return RESERVE, (
                    f"gutter {gutter} gives back the hole at {self.say(key)}, which is reserved"
                    f" for gutter {self.reserved[source]}"
                )
            if self.where.get(gutter) != self.key(dest, dest_slot):
                return SOURCE, (
                    f"gutter {gutter} gives back a hole at {self.say(self.key(dest, dest_slot))},"
                    f" but {self._stands(gutter)}"
                )
            self._free(gutter)
            self.counts[kind] += 1
            return None
        if dest not in self._mouths or dest_slot:
            return KIND, f"{self.say(self.key(dest, dest_slot))} is no mouth"
        if self.where.get(gutter) != key:
            return SOURCE, (
                f"gutter {gutter} reserves from {self.say(key)}, but {self._stands(gutter)}"
            )
        other = self.reserved.get(dest, gutter)
        if other != gutter:
            return RESERVE, (
                f"the mouth {self.places[dest].name}.0 is reserved for gutter {gutter} while it is"
                f" for gutter {other}"
            )
        self._free(gutter)
        self.reserved[dest], self.holds[gutter] = gutter, dest
        self.counts[kind] += 1
        return None

    def _may_go(self, move: Row, key: int, to: int) -> Broken | None:
        """May this move carry its gutter from `key` to `to`?"""
        _, _, kind, gutter, source, _, dest, _ = move
        if kind == self._feed:
            if self.places[source].name != STOCK or dest not in self._stations:
                return KIND, f"a feed from {self.say(key)} to {self.say(to)}"
            if gutter <= self.last_gutter:
                return IDS, f"a feed gives id {gutter}, but {self.last_gutter} was given before"
        elif kind in self._by_person:
            broken = self._may_correct(move, key, to)
            if broken is not None:
                return broken
        elif gutter == UNKNOWN:
            if self.at.get(key) != UNKNOWN:
                return SOURCE, f"an unnamed gutter leaves {self.say(key)}, where none stood"
        elif self.where.get(gutter) != key:
            return SOURCE, (
                f"gutter {gutter} is moved from {self.say(key)}, but {self._stands(gutter)}"
            )
        if to == key and kind not in self._by_person:
            return KIND, f"{_named(gutter)} is moved from {self.say(key)} to where it was"
        if to in self.at and to != key and not self._leaves(to, dest):
            if kind == self._insert:
                return LANES, (
                    f"gutter {gutter} is put into the mouth {self.say(to)}, where"
                    f" {_named(self.at[to])} stood"
                )
            return ONE_PLACE, (
                f"{_named(gutter)} comes to {self.say(to)}, where {_named(self.at[to])} stood"
            )
        return self._fits_lane(move, key, to)

    def _fits_lane(self, move: Row, key: int, to: int) -> Broken | None:
        _, _, kind, gutter, source, source_slot, dest, dest_slot = move
        if kind == self._insert:
            if dest not in self._mouths or dest_slot:
                return LANES, f"gutter {gutter} is put into {self.say(to)}, which is no mouth"
            if self.reserved.get(dest) != gutter and gutter not in self.unsure:
                return RESERVE, f"gutter {gutter} is put into {self.say(to)} without a reservation"
        elif kind == self._eject:
            if source not in self._tails or source_slot != self._last_slot[source]:
                return LANES, f"{_named(gutter)} is ejected from {self.say(key)}, not from a tail"
        elif kind == self._transfer:
            out = source_slot == self._last_slot[source] if source in self._rows else True
            into = dest_slot == 0 if dest in self._rows else True
            runs = source in self._rows and dest in self._rows
            follows = self._next_run.get(source) == dest if runs else True
            if not (out and into and follows and self._lane[source] == self._lane[dest] != 0):
                return LANES, (
                    f"{_named(gutter)} is transferred from {self.say(key)} to {self.say(to)}:"
                    " only a run's last slot gives, only the next run's first slot takes"
                )
        elif kind in self._between_stations:
            if source not in self._stations or dest not in self._stations:
                return KIND, f"a {NAMES[kind]} from {self.say(key)} to {self.say(to)}"
        elif kind == self._handover and (source not in self._stations or dest not in self._ends):
            return KIND, f"a handover from {self.say(key)} to {self.say(to)}"
        return None

    def _may_correct(self, move: Row, key: int, to: int) -> Broken | None:
        """A person's word is legal; but it is about a gutter that is there, or comes from outside.

        Taken off a carriage or a lift, a gutter is named where it lay: on the way to where its
        last move was to bring it, or on a transfer of its lane.
        """
        _, _, _, gutter, source, _, _, _ = move
        if gutter == UNKNOWN:
            if self.at.get(key) == UNKNOWN or source in self._ends:
                return None
            return SOURCE, f"an unnamed gutter is taken from {self.say(key)}, where none stood"
        stood = self.where.get(gutter)
        if stood == key or self.bound.get(gutter) == source:
            return None
        if stood is None:
            if source in self._ends:
                return None
            return SOURCE, f"gutter {gutter} is taken from {self.say(key)} and was never here"
        place = (stood + HALF) >> SHIFT
        if place in self._ends and source in self._ends:
            return None
        on_the_way = self.places[source].kind == "transfer" or self.places[place].kind == "transfer"
        if on_the_way and self._lane[place] == self._lane[source]:
            return None
        return SOURCE, f"gutter {gutter} is taken from {self.say(key)}, but {self._stands(gutter)}"

    def _stands(self, gutter: int) -> str:
        key = self.where.get(gutter)
        if key is None:
            return "it was never fed" if gutter > 0 else "it has no name"
        return f"it stood at {self.say(key)}"


def _named(gutter: int) -> str:
    return "an unnamed gutter" if gutter == UNKNOWN else f"gutter {gutter}"

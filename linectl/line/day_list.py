"""Today's list: what is still to be sown by lane and crop, and what is to be pulled by lane.

Without a list the line sows the crop in the drum wherever a lane accepts it, and harvest takes
whatever is ripe. With one, a hole is reserved only for the crop that its lane's list has next, a
tail is taken only while its lane's list has gutters left, and no gutter is fed that the list has
no slot for. It is counted down as gutters are reserved and ejected, and told to the record. Only a
wet gutter that has lost its lane goes where no list has it: that counts in no list.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

from linectl.image import DayLeft, Event

if TYPE_CHECKING:
    from linectl.line.line import Line


class Sow(NamedTuple):
    """So many gutters of a crop are to be sown into a lane, after what stands before it."""

    lane: int
    crop: str
    gutters: int


class DayList:
    """`sow`: [crop, gutters] by lane, in the order of sowing; `pull`: gutters by lane."""

    FIELDS = ("stands", "sow", "pull")

    def __init__(self, line: Line) -> None:
        self._line = line
        self.stands = False
        """A list is in force."""
        self.sow: dict[int, list[list[Any]]] = {}
        self.pull: dict[int, int] = {}

    def tell(self, sow: Sequence[Sow], pull: Mapping[int, int]) -> None:
        """From now on this list is in force, instead of any before it."""
        self.stands = True
        self.sow, self.pull = {}, {lane: left for lane, left in pull.items() if left}
        for each in sow:
            left = self.sow.setdefault(each.lane, [])
            if left and left[-1][0] == each.crop:
                left[-1][1] += each.gutters
            else:
                left.append([each.crop, each.gutters])
        self._say_all()

    def end(self) -> None:
        """No list any more: the line is free again."""
        self.stands = False
        self.sow, self.pull = {}, {}
        self._say_all()

    def take_over(self, left: Mapping[int, DayLeft]) -> None:
        """At start: what the record has as left, as it was counted down."""
        here = {lane: told for lane, told in left.items() if lane in self._line.lanes.by_id}
        self.stands = bool(here)
        self.sow = {
            lane: [list(row) for row in told.sow] for lane, told in here.items() if told.sow
        }
        self.pull = {lane: told.pull for lane, told in here.items() if told.pull}

    # for the sower -----------------------------------------------------------------------------

    def may_sow(self, lane: int, crop: str) -> bool:
        """True if the lane's next gutter may be of that crop."""
        return not self.stands or self.next_crop(lane) == crop

    def next_crop(self, lane: int) -> str:
        """The crop that the lane's list has next; empty: nothing is left to sow there."""
        left = self.sow.get(lane)
        return str(left[0][0]) if left else ""

    def open_for(self, crop: str) -> int:
        """Gutters of that crop that come next in their lanes: no other crop stands before them."""
        return sum(left[0][1] for left in self.sow.values() if left and left[0][0] == crop)

    def next_crops(self) -> tuple[str, ...]:
        """The crops that lanes have next, by name."""
        return tuple(sorted({str(left[0][0]) for left in self.sow.values() if left}))

    def feeds(self) -> bool:
        """True if another gutter may be fed: the list has a slot for it and for those before.

        What stands in a lane behind another crop does not count: a gutter fed for it would keep
        the sower from running out before the change of crop.
        """
        if not self.stands:
            return True
        line = self._line
        inside = {part.gutter for part in line.sowing.parts if part.gutter}  # one between two: once
        without = sum(1 for gutter in inside if not line.gutters[gutter].lane)
        return without < self.open_for(line.crop_in_drum)

    def sown(self, lane: int, crop: str) -> None:
        """A hole of the lane is reserved for a gutter of that crop."""
        left = self.sow.get(lane)
        if not self.stands or not left or left[0][0] != crop:
            return
        left[0][1] -= 1
        if not left[0][1]:
            left.pop(0)
        if not left:
            del self.sow[lane]
        self._say(lane)

    def unsown(self, lane: int, crop: str) -> None:
        """A reservation has ended without insert: another gutter takes its place.

        It comes first, or last if another crop is in the drum by now: the line goes on with that.
        """
        if not self.stands:
            return
        left = self.sow.setdefault(lane, [])
        place = 0 if crop == self._line.crop_in_drum else -1
        if left and left[place][0] == crop:
            left[place][1] += 1
        else:
            left.insert(0 if place == 0 else len(left), [crop, 1])
        self._say(lane)

    # for harvest -------------------------------------------------------------------------------

    def may_pull(self, lane: int) -> bool:
        """True if the lane's list has a gutter left to be ejected."""
        return not self.stands or self.pull.get(lane, 0) > 0

    def pulled(self, lane: int) -> None:
        """A gutter has been ejected from the lane."""
        if self.stands and self.pull.get(lane):
            self.pull[lane] -= 1
            if not self.pull[lane]:
                del self.pull[lane]
            self._say(lane)

    # for people --------------------------------------------------------------------------------

    def sowing_text(self, crop: str) -> str:
        """Why no gutter of that crop is sown, as far as the list has a part in it; or empty."""
        if not self.stands or self.open_for(crop):
            return ""
        after = self.next_crops()
        if not after:
            return "today's list is sown"
        behind = any(name == crop for left in self.sow.values() for name, _ in left)
        more = "no lane next for" if behind else "no more"
        text = f"today's list has {more} {crop}; next: {', '.join(after)}"
        return text.replace("_", " ")

    def harvest_text(self) -> str:
        """Why no tail is taken, as far as the list has a part in it; or empty."""
        return "today's list is pulled" if self.stands and not any(self.pull.values()) else ""

    def status(self) -> dict[str, Any] | None:
        """What is left, for `status`; None without a list."""
        if not self.stands:
            return None
        lanes = sorted(set(self.sow) | set(self.pull))
        return {
            "lanes": [
                {
                    "lane": lane,
                    "sow": [{"crop": crop, "gutters": n} for crop, n in self.sow.get(lane, [])],
                    "pull": self.pull.get(lane, 0),
                }
                for lane in lanes
            ]
        }

    def _say_all(self) -> None:
        """Every lane, one that the list does not name too: its last word in the record holds."""
        for lane in sorted(self._line.lanes.by_id):
            self._say(lane)

    def _say(self, lane: int) -> None:
        line = self._line
        line.changed = True
        sow, pull = self.sow.get(lane, []), self.pull.get(lane, 0)
        data = {"stands": self.stands, "sow": [list(row) for row in sow], "pull": pull}
        left = sum(n for _, n in sow)
        text = f"lane {lane}: {left} to sow, {pull} to pull" if self.stands else "no list"
        line.emit(Event(line.now, "day_list", f"lane{lane}", text, data))

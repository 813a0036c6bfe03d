"""All lanes together: which hole is reserved next, which tail may be taken, and why not."""

from __future__ import annotations

import itertools
from collections.abc import Collection, Sequence
from typing import TYPE_CHECKING

from linectl.line.gutters import Gutter
from linectl.line.inputs import NEVER
from linectl.line.lane import Lane
from linectl.line.transfers import HOLE

if TYPE_CHECKING:
    from linectl.line.line import Line

Crops = Collection[str] | None
"""What a choice is limited to; None: any crop."""
_AT_WORK = frozenset(("Execute", "Suspending", "Suspended", "Unsuspending"))
"""States in which sowing fills holes, or carries on by itself."""


def lanes_text(lanes: Sequence[Lane]) -> str:
    """`lane 2`, `lanes 1, 4`, `lanes 1–6`, or `no lane`."""
    if not lanes:
        return "no lane"
    ids = [lane.id for lane in lanes]
    if len(ids) == 1:
        return f"lane {ids[0]}"
    if len(ids) > 2 and ids == list(range(ids[0], ids[-1] + 1)):
        return f"lanes {ids[0]}–{ids[-1]}"
    return f"lanes {', '.join(map(str, ids))}"


class LaneBook:
    """The lanes by id, and the choices between them."""

    def __init__(self, line: Line, lanes: list[Lane]) -> None:
        self._line = line
        self.lanes = lanes
        self.by_id = {lane.id: lane for lane in lanes}
        self.ripe_check = True
        """False in a rehearsal of plants without an age."""

    # for the sower -----------------------------------------------------------------------------

    def hole_for(self, crop: str, now: int) -> Lane | None:
        """The lane whose reservable hole for `crop` has been open longest; lowest id on a tie."""
        best: Lane | None = None
        for lane in self.lanes:
            if not lane.reservable(crop) or not self._line.day.may_sow(lane.id, crop):
                continue
            if best is None or lane.open_since < best.open_since:
                best = lane
        return best

    def reserve(self, gutter: Gutter, lane: Lane) -> None:
        """Bind gutter, lane and hole."""
        number = self._line.intend("reserve", gutter.id, gutter.place, lane.mouth)
        lane.reserved = gutter.id
        gutter.lane = lane.id
        self._line.day.sown(lane.id, gutter.crop)
        self._line.complete(number)

    def lane_for(self, gutter: Gutter, now: int) -> Lane | None:
        """The gutter's lane; another one if its own can no longer take it; None if none can.

        It is wet: where no lane's list has its crop next, any that accepts it will do.
        """
        lane = self.by_id.get(gutter.lane)
        if lane is not None:
            if lane.in_service() and lane.programme in ("filling", "steady"):
                return lane
            self.let_go(gutter)
        other = self.hole_for(gutter.crop, now)
        if other is None:
            free = (lane for lane in self.lanes if lane.reservable(gutter.crop))
            other = min(free, key=lambda lane: lane.open_since, default=None)
        if other is not None:
            self.reserve(gutter, other)
        return other

    def let_go(self, gutter: Gutter) -> None:
        """Its reservation ends without an insert, told to the record; it stays in the line."""
        lane = self.by_id.get(gutter.lane)
        if lane is not None:
            number = self._line.intend("release", gutter.id, lane.mouth, gutter.place)
            self.release(gutter)
            gutter.lane = 0
            self._line.complete(number)

    def release(self, gutter: Gutter) -> None:
        """The gutter will not be inserted: its reservation ends."""
        lane = self.by_id.get(gutter.lane)
        if lane is not None and lane.reserved == gutter.id:
            lane.release()
            self._line.day.unsown(lane.id, gutter.crop)
        gutter.lane = 0

    def no_hole_text(self, crop: str) -> str:
        """Why no gutter may be watered, in a person's words."""
        if text := self._line.day.sowing_text(crop):
            return text
        may = self._line.day.may_sow
        lanes = [lane for lane in self.lanes if crop in lane.facts.crops and may(lane.id, crop)]
        serving = [lane for lane in lanes if lane.in_service() and lane.programme != "resting"]
        text = f"no freed slot in {lanes_text(serving)} (crop {crop.replace('_', ' ')})"
        out = [lane for lane in lanes if lane not in serving]
        if out:
            text += f"; {lanes_text(out)} not in service"
        return f"{text}; {self._line.harvest.account()}"

    # for harvest -------------------------------------------------------------------------------

    def ripe(self, gutter: int, now: int) -> bool:
        """True if a gutter may be taken by its age."""
        record = self._line.gutters.get(gutter)
        checked = self.ripe_check and self._line.interventions.overrides.ripe_check()
        return record is not None and (not checked or record.ripe_at <= now)

    def may_take(self, lane: Lane, crops: Crops, now: int) -> bool:
        """True if this lane's tail may be ejected now."""
        gutter = lane.tail_gutter
        if gutter <= HOLE or not lane.may_eject() or not self.ripe(gutter, now):
            return False
        if not self._line.day.may_pull(lane.id):
            return False
        return crops is None or self._line.gutters[gutter].crop in crops

    def ripe_tail(self, crops: Crops, now: int) -> Lane | None:
        """The lane whose tail is to be taken next: ripe the longest; lowest id on a tie."""
        best: Lane | None = None
        best_at = NEVER
        for lane in self.lanes:
            if self.may_take(lane, crops, now):
                ripe_at = self._line.gutters[lane.tail_gutter].ripe_at
                if ripe_at < best_at:
                    best, best_at = lane, ripe_at
        return best

    def tails_waiting(self, crops: Crops, now: int) -> list[Lane]:
        """Lanes with a ripe tail of those crops that wait for sowing to fill their hole."""
        return [
            lane
            for lane in self.lanes
            if lane.tail_gutter > HOLE
            and lane.in_service()
            and not lane.may_eject()
            and lane.programme == "steady"
            and self._line.day.may_pull(lane.id)
            and self.ripe(lane.tail_gutter, now)
            and (crops is None or self._line.gutters[lane.tail_gutter].crop in crops)
        ]

    def is_coming(self, crop: str, now: int) -> bool:
        """True if a ripe tail of that crop will be free soon: its row moves, or sowing, which is at
        work with a crop that the lane accepts, fills its hole."""
        return any(self._is_coming(lane, crop, now) for lane in self.lanes)

    def _is_coming(self, lane: Lane, crop: str, now: int) -> bool:
        line = self._line
        record = line.gutters.get(lane.next_out())
        if record is None or record.crop != crop or not self.ripe(record.id, now):
            return False
        if not lane.in_service() or lane.programme in ("resting", "filling"):
            return False
        if not line.day.may_pull(lane.id):
            return False
        drum = line.crop_in_drum
        filled = drum in lane.facts.crops and line.day.may_sow(lane.id, drum)
        return lane.may_eject() or (filled and line.sowing.state in _AT_WORK)

    def pulls_left(self, crop: str) -> bool:
        """True unless today's list lets no gutter of that crop be pulled any more."""
        day = self._line.day
        return not day.stands or any(self._pulled_yet(lane, crop) for lane in self.lanes)

    def _pulled_yet(self, lane: Lane, crop: str) -> bool:
        """The crop is among the gutters of this lane that are still to be pulled today."""
        left = self._line.day.pull.get(lane.id, 0)
        if left > lane.filled():
            return crop in lane.facts.crops
        gutters = self._line.gutters
        nearest = itertools.islice(lane.from_tail(), left)
        return any(gutter in gutters and gutters[gutter].crop == crop for gutter in nearest)

    def no_tail_text(self, crops: Crops, now: int) -> str:
        """Why nothing is ejected, in a person's words."""
        if text := self._line.day.harvest_text():
            return text
        wanted = f" of {', '.join(crops)}".replace("_", " ") if crops else ""
        waiting = self.tails_waiting(crops, now)
        day = self._line.day
        if waiting and day.stands and not any(day.next_crop(lane.id) for lane in waiting):
            return (
                f"today's list pulls more from {lanes_text(waiting)} than it sows there:"
                " one in for one out"
            )
        if waiting:
            return (
                f"ripe tails{wanted} in {lanes_text(waiting)} wait for sowing"
                " to fill the freed slots"
            )
        where = "at any tail"
        if day.stands:
            left = [lane for lane in self.lanes if day.may_pull(lane.id)]
            where = f"at the tail of {lanes_text(left)}, where today's list has gutters left"
        return f"no ripe gutter{wanted} {where}"

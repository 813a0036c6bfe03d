"""What each carriage carries from where to where: infeed to the mouths, outfeed from the tails."""

from __future__ import annotations

from typing import TYPE_CHECKING

from linectl.line.carriage import Carriage
from linectl.line.inputs import NEVER
from linectl.site import machine

if TYPE_CHECKING:
    from linectl.line.harvest import TurnOut
    from linectl.line.line import Line
    from linectl.line.sower import Turn
    from linectl.line.units import Unit


class Infeed(Carriage):
    """Picks at the sowing turntable, inserts into the reserved mouth."""

    FIELDS = (*Carriage.FIELDS, "no_lane")
    turn: Turn

    def __init__(
        self, line: Line, name: str, unit: Unit, facts: machine.Carriage, io: dict[str, int]
    ) -> None:
        super().__init__(line, name, unit, facts, io)
        self.no_lane = False

    def choose(self, now: int) -> int | None:
        return self.facts.home_mm

    def may_pick(self, now: int) -> bool:
        return self.turn.state == "offered"

    def begin_pick(self) -> int:
        self.gutter = self.turn.gutter
        return self.intend("pick", self.gutter, self.turn.name, self.name)

    def source_clear(self) -> bool:
        return self.line.seen.off[self.turn.centred]

    def lifted(self, now: int) -> None:
        self.turn.picked(now)

    def destination(self, now: int) -> int | None:
        lane = self.line.lanes.lane_for(self.line.gutters[self.gutter], now)
        no_lane = lane is None
        if no_lane is not self.no_lane:
            self.no_lane = no_lane
            text = f"gutter {self.gutter} is wet and its lane is lost; no other takes it"
            if no_lane:
                self.line.alarms.raise_(
                    f"{self.name}.no_lane",
                    "high",
                    text,
                )
            else:
                self.line.alarms.clear(f"{self.name}.no_lane")
        if lane is None:
            return None
        self.lane = lane.id
        return lane.facts.infeed_mm

    def may_put(self, now: int) -> bool:
        lane = self.line.lanes.by_id[self.lane]
        if lane.state != "available":
            return False
        if lane.slots[0][0]:
            if not lane.calling:
                lane.calling = True
                self.line.changed = True
            return False
        if not self.line.seen.off[lane.mouth_eye] or lane.open_since == NEVER:
            return False
        lane.go("take_sowing")
        return True

    def begin_put(self) -> int:
        record = self.line.gutters[self.gutter]
        if record.sown_at == NEVER:
            record.crop = ""  # dry, or passed the drum unsown: it has no crop
        lane = self.line.lanes.by_id[self.lane]
        return self.intend("insert", self.gutter, self.name, lane.mouth)

    def give_up_put(self) -> None:
        self.line.lanes.by_id[self.lane].give_back()

    def laid(self, now: int) -> bool:
        return self.line.seen.on[self.line.lanes.by_id[self.lane].mouth_eye]

    def put_done(self, now: int) -> None:
        record = self.line.gutters[self.gutter]
        if record.sown_at == NEVER:
            record.sown_at = record.ripe_at = now
        record.lane = 0
        record.wet_at = NEVER
        self.line.lanes.by_id[self.lane].inserted(self.gutter)

    def wait(self) -> tuple[bool, str] | None:
        if self.state == "loaded" and self.no_lane:
            return False, "the gutter on the infeed carriage has lost its lane"
        return None


class Outfeed(Carriage):
    """Ejects a ripe tail, lays the gutter on the turn-out."""

    FIELDS = (*Carriage.FIELDS, "waiting")
    turnout: TurnOut

    def __init__(
        self, line: Line, name: str, unit: Unit, facts: machine.Carriage, io: dict[str, int]
    ) -> None:
        super().__init__(line, name, unit, facts, io)
        self.waiting = False

    def choose(self, now: int) -> int | None:
        if self.unit is None or not self.unit.may_start or self.unit.run_out:
            return None
        lane = self.line.order.tail(now)
        self._note_wait(lane is None, now)
        if lane is None:
            return None
        self.lane = lane.id
        return lane.facts.outfeed_mm

    def _note_wait(self, waiting: bool, now: int) -> None:
        if waiting is not self.waiting:
            self.waiting = waiting
            self.line.note_wait("harvest", waiting, self.line.order.waiting_text(now))

    def may_pick(self, now: int) -> bool:
        lane = self.line.lanes.by_id[self.lane]
        if not self.line.order.may_take(lane, now):
            self.lane = 0
            self.go("leave")
            return False
        if lane.state != "available":
            return False
        lane.go("take_harvest")
        return True

    def begin_pick(self) -> int:
        lane = self.line.lanes.by_id[self.lane]
        self.gutter = lane.tail_gutter
        return self.intend("eject", self.gutter, lane.tail, self.name)

    def give_up_pick(self) -> None:
        self.line.lanes.by_id[self.lane].give_back()

    def source_clear(self) -> bool:
        return self.line.seen.off[self.line.lanes.by_id[self.lane].tail_eye]

    def lifted(self, now: int) -> None:
        self.line.lanes.by_id[self.lane].ejected()
        self.line.day.pulled(self.lane)
        record = self.line.gutters.get(self.gutter)
        self.line.order.went(record.crop if record is not None else "")

    def destination(self, now: int) -> int | None:
        return self.facts.home_mm

    def may_put(self, now: int) -> bool:
        return self.turnout.receives()

    def begin_put(self) -> int:
        return self.intend("put", self.gutter, self.name, self.turnout.name)

    def laid(self, now: int) -> bool:
        return self.line.seen.on[self.turnout.centred]

    def put_done(self, now: int) -> None:
        self.turnout.received(self.gutter)

    def wait(self) -> tuple[bool, str] | None:
        if self.state == "idle" and self.waiting:
            return True, self.line.order.waiting_text(self.line.now)
        return None

"""A lane: its runs and what joins them, its mouth and tail as berths for the carriages' arms."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from linectl.site.machine import Lane
from linectl_sim.bodies import Body
from linectl_sim.carriages import CarriagePart
from linectl_sim.joints import LevelJoint, Lift, Link
from linectl_sim.rows import Row
from linectl_sim.tables import Table
from linectl_sim.world import World

Passage = Callable[[Body, "LanePart"], object]


class LanePart:
    """One lane, first in first out."""

    def __init__(self, world: World, facts: Lane) -> None:
        self.facts = facts
        self.rows = [
            Row(world, f"{facts.prefix}.{run.name}", run, facts.zone) for run in facts.runs
        ]
        self.links: list[Link] = []
        for number, transfer in enumerate(facts.transfers):
            kind = LevelJoint if transfer.kind == "level" else Lift
            name = f"{facts.prefix}.{transfer.name}"
            source, dest = self.rows[number], self.rows[number + 1]
            link = kind(world, name, transfer, facts.zone, source, dest)
            source.came_last = link.poke
            self.links.append(link)
        for number, row in enumerate(self.rows):
            row.joints_busy = self._busy_around(number)
        self.indexed = self.ejected = 0

    def _busy_around(self, number: int) -> Callable[[], bool]:
        before = self.links[number - 1].crossings[-1] if number > 0 else None
        after = self.links[number].crossings[0] if number < len(self.links) else None
        return lambda: (before is not None and before.busy) or (after is not None and after.busy)

    def bodies(self) -> Iterator[Body]:
        """Every gutter in the lane, mouth first."""
        for number, row in enumerate(self.rows):
            yield from (body for body in row.slots if body is not None)
            if number < len(self.links):
                yield from self.links[number].bodies()

    def filled(self) -> int:
        """Gutters in the lane."""
        held = sum(len(link.bodies()) for link in self.links)
        return sum(len(row.slots) - row.slots.count(None) for row in self.rows) + held


class Mouth:
    """The first slot of a lane, as the infeed carriage reaches it. `came` and `went` are called
    when the arm, half-way, brings a gutter into the lane or takes one out of it."""

    slot = 0
    taken_rule = "insert_into_occupied_mouth"

    def __init__(self, world: World, lane: LanePart, came: Passage, went: Passage) -> None:
        self._world, self._lane = world, lane
        self._came, self._went = came, went
        self.row = lane.rows[self.slot]
        self.name = f"{lane.facts.prefix} {type(self).__name__.lower()}"
        self.at_mm = float(lane.facts.infeed_mm)

    def body(self) -> Body | None:
        """The gutter within the arm's reach."""
        return self.row.slots[self.slot]

    def open_to_arm(self) -> bool:
        """Whether the row stands on its slots."""
        return self.row.straight

    def lay(self, body: Body, who: str) -> bool:
        """The arm brings a gutter over the slot; False if there is no room."""
        if self.row.slots[self.slot] is not None:
            self._world.auditor.violate(
                self.taken_rule, f"{who} brings {body} into the occupied {self.name}"
            )
            return False
        self.row.slots[self.slot] = body
        self._came(body, self._lane)
        self.row.show()
        return True

    def lift_off(self, body: Body) -> bool:
        """The arm takes it away; False if it is no longer there."""
        if self.row.slots[self.slot] is not body:
            return False
        self.row.slots[self.slot] = None
        self._went(body, self._lane)
        self.row.show()
        return True

    def arm_moves(self, who: str) -> None:
        """An arm leaves home in front of this place: the row must stand."""
        if self.row.stroke.direction > 0:
            self._world.auditor.violate(
                "stroke_with_gripper_out", f"{who} gripper moves into the stroking {self.row.name}"
            )


class Tail(Mouth):
    """The last slot of a lane, as the outfeed carriage reaches it."""

    slot = -1
    taken_rule = "handover_onto_occupied"

    def __init__(self, world: World, lane: LanePart, came: Passage, went: Passage) -> None:
        super().__init__(world, lane, came, went)
        self.at_mm = float(lane.facts.outfeed_mm)


class TableBerth:
    """A turntable at 90°, as a carriage reaches it from its home."""

    def __init__(self, world: World, table: Table, at_mm: int) -> None:
        self._world, self._table = world, table
        self.name = table.name
        self.at_mm = float(at_mm)

    def body(self) -> Body | None:
        """The gutter lying on the table."""
        return self._table.body()

    def open_to_arm(self) -> bool:
        """Whether the table stands at 90°."""
        return self._table.square_90

    def lay(self, body: Body, who: str) -> bool:
        """The arm brings a gutter over the table; False if it cannot lie there."""
        table = self._table
        if table.stage.bodies:
            self._world.auditor.violate(
                "handover_onto_occupied", f"{who} brings {body} onto the occupied {self.name}"
            )
            return False
        if not table.square_90:
            return False
        table.axis.lay(body, table.stage, table.rest_mm())
        table.laid()
        return True

    def lift_off(self, body: Body) -> bool:
        """The arm takes it away; False if it is no longer there."""
        if body.stage is not self._table.stage:
            return False
        self._table.axis.take(body)
        self._table.show_centred()
        return True

    def arm_moves(self, who: str) -> None:
        """An arm leaves home in front of the table: it must stand."""
        if self._table.turning.moving:
            self._world.auditor.violate(
                "table_moves_with_gripper_out", f"{who} gripper moves into the turning {self.name}"
            )


def arms_over(row: Row, carriages: list[tuple[CarriagePart, Mouth]]) -> Callable[[], str]:
    """Name of the carriage whose gripper is out over `row`, or empty."""
    mine = [(carriage, berth) for carriage, berth in carriages if berth.row is row]

    def out() -> str:
        for carriage, berth in mine:
            if carriage.arm_out_at(berth):
                return carriage.name
        return ""

    return out

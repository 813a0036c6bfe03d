"""Places by name: which gutter is where, and a person's hand that takes one out or puts one in."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import NamedTuple

from linectl_sim.belts import Axis, Stage
from linectl_sim.bodies import Body
from linectl_sim.joints import LevelJoint, Link
from linectl_sim.machine import Machine
from linectl_sim.rows import Row


class Place(NamedTuple):
    """How to see, empty and fill one place."""

    body: Callable[[], Body | None]
    take: Callable[[], Body | None]
    put: Callable[[Body], object]
    lane: bool
    """Whether it belongs to a lane."""


class PlaceBook:
    """Every place of the machine by the name that controller and ledger use."""

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self._places: dict[str, Place] = {}
        for name, stage in machine.stages.items():
            axis = machine.out_axis if stage is machine.turnout.stage else machine.sower
            self._places[name] = _on_belt(machine, axis, stage)
        for name, carriage in machine.carriages.items():
            self._places[name] = Place(
                carriage.carried,
                lambda c=carriage: c.lose(by_fault=False),  # type: ignore[misc]
                carriage.load,
                False,
            )
        for lane in machine.lanes.values():
            for row in lane.rows:
                for slot in range(row.facts.slots):
                    self._places[f"{row.name}.{slot}"] = _slot(row, slot)
            for link in lane.links:
                self._places[link.name] = _link(link)
        self._places["packing"] = Place(
            lambda: machine.hall.body, lambda: None, lambda body: None, False
        )

    def __iter__(self) -> Iterator[str]:
        return iter(self._places)

    def get(self, name: str) -> Place | None:
        """The place of that name, or None."""
        return self._places.get(name)

    def where(self) -> dict[str, int | None]:
        """Every place with the controller's id of its gutter (−1: never told), None if empty."""
        found: dict[str, int | None] = {}
        for name, place in self._places.items():
            body = place.body()
            found[name] = None if body is None else body.gutter
        return found


def _on_belt(machine: Machine, axis: Axis, stage: Stage) -> Place:
    def take() -> Body | None:
        body = stage.bodies[0] if stage.bodies else None
        if body is not None:
            axis.take(body)
            machine.turn.show_centred()
            machine.turnout.show_centred()
            machine.magazine.show_single()
        return body

    def put(body: Body) -> None:
        facts = stage.drive.facts
        axis.lay(body, stage, stage.start_mm + facts.exit_eye_mm + 30)
        machine.turn.show_centred()
        machine.turnout.show_centred()

    return Place(lambda: stage.bodies[0] if stage.bodies else None, take, put, False)


def _slot(row: Row, slot: int) -> Place:
    def take() -> Body | None:
        found = row.slots[slot]
        row.slots[slot] = None
        row.show()
        return found

    def put(found: Body) -> None:
        row.slots[slot] = found
        row.show()
        if slot == row.facts.slots - 1:
            row.came_last()

    return Place(lambda: row.slots[slot], take, put, True)


def _link(link: Link) -> Place:
    if isinstance(link, LevelJoint):
        return Place(link.body, link.crossings[0].remove, lambda body: None, True)
    return Place(link.body, link.take_from_deck, link.lay_on_deck, True)

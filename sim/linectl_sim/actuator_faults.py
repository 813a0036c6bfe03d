"""What is wrong with an actuator itself: it sticks as it is, or it turns the wrong way.

A belt that turns backwards carries no gutter on: what lies on it stands against its upstream
end. A carriage so wired runs away from its target until its end stop. A doser, drum or pump so
wired gives nothing, though its contact says that it turns.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from linectl.site.faults import BACKWARDS, actuator_faults
from linectl_sim.machine import Machine

Act = Callable[[], object]


class ActuatorFaults:
    """Starts faults of actuators, by the tag of their output."""

    def __init__(self, machine: Machine) -> None:
        self._world = machine.world
        self.kinds = actuator_faults(machine.world.site)
        self._settles: dict[str, Act] = {
            f"{machine.filler.name}.doser": machine.filler.settle,
            f"{machine.seeder.name}.drum": machine.seeder.settle,
            f"{machine.seeder.name}.pump": machine.seeder.show_vacuum,
        }
        for name, carriage in machine.carriages.items():
            self._settles[f"{name}.run"] = carriage.sets_out
        for lane in machine.lanes.values():
            for link in lane.links:
                self._settles[f"{link.name}.belt"] = link.run_belt

    def begin(self, tag: str, kind: str) -> Act:
        """The fault begins; returns what puts it right."""
        if kind == BACKWARDS:
            self._turn(tag, backwards=True)
            return partial(self._turn, tag, backwards=False)
        index = self._world.points.by_tag[tag]
        self._world.outputs.stuck.add(index)
        return partial(self._free, index)

    def _free(self, index: int) -> None:
        self._world.outputs.stuck.discard(index)
        self._world.outputs.settle(index)

    def _turn(self, tag: str, backwards: bool) -> None:
        turned = self._world.backwards
        (turned.add if backwards else turned.discard)(tag)
        settle = self._settles.get(tag)
        if settle is not None:  # a belt's drive looks when it starts, a brush only turns
            settle()

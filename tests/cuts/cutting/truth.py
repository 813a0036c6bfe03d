"""What the plant alone knows: what moves, what is under a tool, what no sensor can tell."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from linectl.image import Move
from linectl_sim.causes import _moving_outputs

DEAD_RULES = frozenset(("released_without_gutter",))
"""What a machine does by itself while nobody writes and no watchdog has acted yet."""


class Stillness:
    """Watches that nothing begins to move and no moving output comes on."""

    def __init__(self, plant: Any) -> None:
        self._plant = plant
        self.stirred: list[str] = []
        self._watch = plant.auditor.warning
        self._known: Callable[[int, bool, str], None] = self._watch.stirred
        self._moving = _moving_outputs(plant.site.points)
        self._before = {p.index: bool(plant._outputs.on[p.index]) for p in self._moving}

    def __enter__(self) -> Stillness:
        def told(zone: int, moving: bool, what: str) -> None:
            if moving:
                self.stirred.append(f"{what} at {self._plant.now}")
            self._known(zone, moving, what)

        self._watch.stirred = told
        return self

    def __exit__(self, *_: object) -> None:
        del self._watch.stirred

    def look(self) -> None:
        """A moving output that was off and is on now."""
        for point in self._moving:
            on = bool(self._plant._outputs.on[point.index])
            if on and not self._before[point.index]:
                self.stirred.append(f"{point.tag} on at {self._plant.now}")
            self._before[point.index] = on


def uncertain(plant: Any, moves: Iterable[Move]) -> dict[int, str]:
    """Gutters of which no sensor tells what became of them, with the question that may be asked.

    moves: open on the disk when the boot began. A tool's work that was intended and is not known
    as done: no sensor tells how far it came. A hand-over whose gutter no eye of the turn-out sees:
    packing's word for it ended with the offer. A gutter between a run and a lift's deck.
    """
    places = {gutter: place for place, gutter in plant.places().items() if gutter}
    truth, site = plant.machine.world.points.truth, plant.site
    found: dict[int, str] = {}
    for move in moves:
        place = places.get(move.gutter, "")
        if move.kind == "process" and (_at(plant, move) or not place):
            found[move.gutter] = f"{move.source}.partial"
        elif move.kind == "handover":
            eyes = (site.index(f"{move.source}.{eye}") for eye in ("exit_eye", "centred"))
            if not any(truth[eye] for eye in eyes):
                found[move.gutter] = f"{move.source}.handover"
        elif move.kind == "transfer" and place.count(".") == 1 and _off(plant, place):
            found[move.gutter] = f"{place}.transfer"
    return found


def _at(plant: Any, move: Move) -> bool:
    """The gutter lies, wholly or in part, at the station of its process."""
    axis = plant.machine.sower
    names = [stage.name for stage in axis.stages]
    before = names[max(0, names.index(move.source) - 1)]
    stages = [stage for stage in axis.stages if stage.name in (before, move.source)]
    return any(body.gutter == move.gutter for stage in stages for body in stage.bodies)


def _off(plant: Any, joint: str) -> bool:
    """A gutter of this joint has left its source and not reached deck or run."""
    links = {link.name: link for lane in plant.machine.lanes.values() for link in lane.links}
    return any(crossing.off_source for crossing in links[joint].crossings)


def taken_by_hand(plant: Any) -> set[int]:
    """Gutters that a person has taken out: the record cannot know before they say so."""
    return {body.gutter for body in plant.machine.world.bodies if body.handled and body.gone}

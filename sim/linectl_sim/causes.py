"""A device output still on, or something still moving, after a cause that forbids it.

Causes come from the site's interlocks, conditions from what is true in the plant. A cause that
has been present for longer than the worst reaction forbids its outputs until it is gone.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from linectl.image import Value
from linectl.registers.budget import Budget
from linectl.site import roles
from linectl.site.hardware import Point
from linectl.site.interlocks import Cause, Condition
from linectl_sim.joints import Lift
from linectl_sim.kernel import LATE, Entry, cancel, whole_ms
from linectl_sim.machine import Machine

if TYPE_CHECKING:
    from linectl_sim.auditor import Auditor

STAND_MS = 60
"""Allowed on top of a drive's own ramp until it stands."""


class Forbidden:
    """One cause and the outputs that it forbids."""

    def __init__(self, watch: CauseWatch, name: str, facts: Cause, outputs: list[Point]) -> None:
        self._watch, self.name, self.facts, self.outputs = watch, name, facts, outputs
        self.points = [watch.site_points[watch.tags[c.point]] for c in facts.when]
        self.present = False
        self._due: list[Entry] = []
        self._armed: list[int] = []

    def look(self) -> None:
        """A point of the cause has changed."""
        truth = self._watch.truth
        votes = sum(
            _holds(condition, truth[point.index])
            for condition, point in zip(self.facts.when, self.points, strict=True)
        )
        present = votes >= (self.facts.vote or len(self.points))
        if present == self.present:
            return
        self.present = present
        if present:
            for output in self.outputs:
                self._await(output)
        else:
            for entry in self._due:
                cancel(entry)
            for index in self._armed:
                self._watch.forbid(index, self.name, False)
            self._due, self._armed = [], []

    def _await(self, output: Point) -> None:
        watch = self._watch
        worst_ms = whole_ms(watch.worst_ms(self.points, output) + self.facts.on_delay_ms) + 1
        dumb_ms = watch.dumb_ms(self.points)

        def due() -> None:
            grace_ms = max(dumb_ms, watch.dumb_ms(self.points))
            if grace_ms:  # nobody could tell before the device counts as silent
                self._due.append(watch.after(grace_ms, lambda: self._arm(output)))
            else:
                self._arm(output)

        self._due.append(watch.after(worst_ms, due))

    def _arm(self, output: Point) -> None:
        self._armed.append(output.index)
        self._watch.forbid(output.index, self.name, True)
        moving, run_down_ms = self._watch.motions.get(output.index, (None, 0))
        if moving is not None:
            wait_ms = run_down_ms + STAND_MS + self._watch.deaf_ms(output)
            self._due.append(self._watch.after(wait_ms, lambda: self._stands(output, moving)))

    def _stands(self, output: Point, moving: Callable[[], bool]) -> None:
        if moving():
            self._watch.violate("motion_after_run_down", f"{output.tag} moves after {self.name}")


class CauseWatch:
    """All at-once causes of the site, watched."""

    def __init__(self, machine: Machine, auditor: Auditor) -> None:
        world = machine.world
        self._machine, self._auditor = machine, auditor
        self.violate = auditor.violate
        self.truth = world.points.truth
        self.tags = world.points.by_tag
        self.site_points = world.site.points
        self._outputs = world.outputs
        self._forbidding: dict[int, list[str]] = {}
        self._budget: Budget | None = None
        self.motions = _motions(machine, self.tags)
        self.causes: list[Forbidden] = []
        interlocks = world.site.interlocks
        moving = _moving_outputs(world.site.points)
        for name, cause in interlocks.causes.items():
            if cause.moment != "at_once" or cause.modes:
                continue  # the plant does not know a unit's mode
            tags: set[str] = set()
            zones: set[str] = set()
            for _, effect, kind in interlocks.cells(name):
                if kind == "permissive":
                    continue
                facts = interlocks.effects[effect]
                tags.update(facts.outputs)
                if facts.zone is not None:
                    zones.add(facts.zone)
            outputs = [point for point in moving if point.tag in tags or point.zone in zones]
            if outputs:
                self._watch(Forbidden(self, name, cause, outputs))

    def _watch(self, forbidden: Forbidden) -> None:
        self.causes.append(forbidden)
        for point in forbidden.points:
            self._machine.world.points.watch(point.index, lambda _: forbidden.look())
        for output in forbidden.outputs:
            index = output.index
            if self._outputs.watchers[index] is None:
                self._outputs.watchers[index] = self._written(index)
        forbidden.look()

    def after(self, delay_ms: int, action: Callable[[], object]) -> Entry:
        """The auditor looks late in its instant: what is written in it counts."""
        return self._machine.world.kernel.after(delay_ms, action, LATE)

    def worst_ms(self, causes: list[Point], output: Point) -> float:
        """The worst reaction from any of these points to the output."""
        if self._budget is None:
            self._budget = Budget(self._machine.world.site)
        budget = self._budget
        return max(budget.reaction(point, output).worst_ms for point in causes)

    def dumb_ms(self, causes: list[Point]) -> int:
        """How long the line may not hear of these points, as their devices do not answer now."""
        devices = self._machine.world.site.file.devices
        answers = self._machine.safety.answers
        return max(
            (devices[p.device].silent_after_ms for p in causes if not answers(p.device)), default=0
        )

    def deaf_ms(self, output: Point) -> int:
        """How long the output may stay on, as its device does not answer: its own watchdog acts."""
        device = self._machine.world.site.file.devices[output.device]
        deaf = not self._machine.safety.answers(output.device)
        return (device.watchdog_ms or 0) if deaf else 0

    def forbid(self, index: int, cause: str, on: bool) -> None:
        """From now on (or no longer) that output must be off."""
        causes = self._forbidding.setdefault(index, [])
        if not on:
            causes.remove(cause)
            return
        causes.append(cause)
        if self._outputs.on[index]:
            self._late(index, cause)

    def _late(self, index: int, cause: str) -> None:
        point = self.site_points[index]
        if deaf_ms := self.deaf_ms(point):
            self.after(deaf_ms, lambda: self._still(index, cause))
        else:
            self.violate("output_on_after_cause", f"{point.tag} on after {cause}")

    def _still(self, index: int, cause: str) -> None:
        """The device did not answer; its own watchdog has had its time now."""
        if self._outputs.on[index] and cause in self._forbidding.get(index, ()):
            self.violate("output_on_after_cause", f"{self.site_points[index].tag} on after {cause}")

    def _written(self, index: int) -> Callable[[Value], None]:
        forbidding = self._forbidding.setdefault(index, [])

        def written(value: Value) -> None:
            if forbidding and value:
                self.violate(
                    "output_on_after_cause",
                    f"{self.site_points[index].tag} switched on during {forbidding[0]}",
                )

        return written


def _holds(condition: Condition, value: Value) -> bool:
    if condition.is_ is not None:
        return bool(value) == condition.is_
    if condition.below is not None and not value < condition.below:
        return False
    return condition.above is None or value > condition.above


def _moving_outputs(points: tuple[Point, ...]) -> list[Point]:
    """Outputs that set something in motion and whose safe state is off."""
    tables = (*roles.STATION_ROLES.values(), roles.RUN_ROLES, roles.LIFT_ROLES, roles.LEVEL_ROLES)
    names = {role.name for table in tables for role in table if role.moves}
    return [
        point
        for point in points
        if point.direction == "out"
        and point.is_bool
        and not point.safe
        and point.tag.rpartition(".")[2] in names
    ]


def _motions(machine: Machine, tags: dict[str, int]) -> dict[int, tuple[Callable[[], bool], int]]:
    """What an output moves: whether it moves now, and how long it may run down."""
    found: dict[str, tuple[Callable[[], bool], int]] = {}
    for name, drive in machine.drives.items():
        found[f"{name}.run"] = (lambda d=drive: d.moving, drive.facts.ramp_ms)  # type: ignore[misc]
    for name, carriage in machine.carriages.items():
        found[f"{name}.run"] = (
            lambda c=carriage: c.travel.moving,  # type: ignore[misc]
            carriage.facts.ramp_ms,
        )
        for role in ("extend", "retract"):
            found[f"{name}.{role}"] = (lambda c=carriage: c.arm.moving, 0)  # type: ignore[misc]
    for table in (machine.turn, machine.turnout):
        for role in ("to_0", "to_90"):
            found[f"{table.name}.{role}"] = (
                lambda t=table: t.turning.moving,  # type: ignore[misc]
                0,
            )
    for lane in machine.lanes.values():
        for row in lane.rows:
            for role in ("stroke", "back"):
                found[f"{row.name}.{role}"] = (lambda r=row: r.stroke.moving, 0)  # type: ignore[misc]
        for link in lane.links:
            if isinstance(link, Lift):
                for role in ("up", "down"):
                    found[f"{link.name}.{role}"] = (
                        lambda x=link: x.height.moving,  # type: ignore[misc]
                        0,
                    )
    return {tags[tag]: motion for tag, motion in found.items() if tag in tags}

"""Belt zones standing end to end, and the gutters on them: eyes, tools and joints they cross.

A gutter moves with the zone that holds its middle. Positions on an axis run in mm from the
upstream end of its first zone; a gutter is known by its head. Belts run one way, so each
gutter has a list of marks before it, in order, and exactly one event due: its next mark.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from linectl_sim.bodies import Body
from linectl_sim.drives import Drive
from linectl_sim.kernel import Kernel, cancel
from linectl_sim.points import Points

Crossing = Callable[[Body], object]


class Spot(Protocol):
    """Something at one position of an axis that notices gutters over it."""

    def enter(self, body: Body) -> None:
        """The head of `body` has reached the spot (or it was laid over it)."""

    def leave(self, body: Body) -> None:
        """The tail of `body` has passed the spot (or it was taken away)."""


class Eye:
    """A light barrier: 1 while a gutter is in the beam."""

    __slots__ = ("_index", "_points", "count")

    def __init__(self, points: Points, part: str, role: str) -> None:
        self._points = points
        self._index = points.bind(part, role)
        self.count = 0

    def enter(self, body: Body) -> None:
        self.count += 1
        self._points.put(self._index, True)

    def leave(self, body: Body) -> None:
        self.count -= 1
        self._points.put(self._index, self.count > 0)


class Joint:
    """Where two zones meet: counts gutters across it."""

    __slots__ = ("changed", "count", "entered", "passed")

    def __init__(self) -> None:
        self.count = 0
        self.entered: Crossing | None = None
        self.passed: Crossing | None = None
        self.changed: Callable[[], object] | None = None

    def enter(self, body: Body) -> None:
        self.count += 1
        if self.changed is not None:
            self.changed()
        if self.entered is not None:
            self.entered(body)

    def leave(self, body: Body) -> None:
        self.count -= 1
        if self.changed is not None:
            self.changed()
        if self.passed is not None:
            self.passed(body)


class Stage:
    """One belt zone on an axis: its drive, its span, the gutters that it drives."""

    __slots__ = ("bodies", "drive", "end_mm", "name", "next", "skew_mm", "start_mm")

    def __init__(self, name: str, drive: Drive, start_mm: int) -> None:
        self.name = name
        self.drive = drive
        self.start_mm = start_mm
        self.end_mm = start_mm + drive.facts.length_mm
        self.next: Stage | None = None
        self.bodies: list[Body] = []
        self.skew_mm = 0.0
        """Gutters lie skewed here, and look that much longer to eyes."""

    def skew(self, by_mm: float) -> None:
        """From now on gutters lie that much skewed here (0: straight)."""
        self.skew_mm = by_mm
        for body in self.bodies:
            body.skew_mm = by_mm
        self.drive.changed()


def driven(body: Body) -> bool:
    """Whether the belt under a gutter was told to run (it may drift without)."""
    stage = body.stage
    return isinstance(stage, Stage) and stage.drive.run


class Axis:
    """Zones end to end. `fallen` is called when a gutter's middle passes the last zone's end,
    `doubled` when a zone comes to hold a second gutter, `arrived` at each change of zone; both
    with whether it came on a belt told to run, or was laid, rather than by a drift."""

    def __init__(self, kernel: Kernel, length_mm: int) -> None:
        self._kernel = kernel
        self._length_mm = length_mm
        self._spots: list[tuple[float, Spot]] = []
        self._marks: list[tuple[float, Crossing, bool]] = []
        self._spans: list[tuple[int, int, Spot]] = []
        self.stages: list[Stage] = []
        self.fallen: Crossing = lambda body: None
        self.doubled: Callable[[Stage, Body, bool], object] = lambda stage, body, driven: None
        self.arrived: Callable[[Stage, Body, bool], object] = lambda stage, body, driven: None

    def add_stage(self, name: str, drive: Drive) -> Stage:
        """Append a zone; its drive's changes of speed re-aim the gutters it carries."""
        start = self.stages[-1].end_mm if self.stages else 0
        stage = Stage(name, drive, start)
        if self.stages:
            self.stages[-1].next = stage
        self.stages.append(stage)
        drive.changed = lambda: self._reaim(stage)
        return stage

    def add_spot(self, position_mm: float, spot: Spot) -> None:
        """Put an eye, a tool or a joint on the axis (before `close`)."""
        self._spots.append((position_mm, spot))

    def close(self) -> None:
        """All spots are there: make the list of marks in the order a head reaches them."""
        length = self._length_mm
        marks: list[tuple[float, Crossing, bool]] = []
        for position, spot in sorted(self._spots, key=lambda item: item[0]):
            marks.append((position, spot.enter, False))
            marks.append((position + length, spot.leave, True))
        for stage in self.stages:
            action = self._beyond if stage.next is None else self._change_stage
            marks.append((stage.end_mm + length / 2, action, False))
        marks.sort(key=lambda item: item[0])
        self._marks = marks
        order = [mark[1] for mark in marks]
        self._spans = [
            (order.index(spot.enter), order.index(spot.leave), spot) for _, spot in self._spots
        ]

    @property
    def last_mark(self) -> int:
        """What `Body.mark` is when a head has passed every mark."""
        return len(self._marks)

    def head(self, body: Body) -> float:
        """Where the head of a gutter on this axis is now, mm."""
        stage = body.stage
        assert isinstance(stage, Stage)
        return body.ref_mm + stage.drive.travel()

    def lay(self, body: Body, stage: Stage, head_mm: float) -> None:
        """Lay a gutter on the axis with its head there."""
        body.stage = stage
        body.skew_mm = stage.skew_mm
        body.ref_mm = head_mm - stage.drive.travel()
        body.mark = next(
            (i for i, mark in enumerate(self._marks) if mark[0] > head_mm), len(self._marks)
        )
        stage.bodies.append(body)
        for entered, left, spot in self._spans:
            if entered < body.mark <= left:
                spot.enter(body)
        if len(stage.bodies) > 1:
            self.doubled(stage, body, True)
        self._aim(body)

    def take(self, body: Body) -> None:
        """Take a gutter off the axis."""
        stage = body.stage
        assert isinstance(stage, Stage)
        cancel(body.entry)
        body.entry = None
        for entered, left, spot in self._spans:
            if entered < body.mark <= left:
                spot.leave(body)
        stage.bodies.remove(body)
        body.stage = None
        body.skew_mm = 0.0

    def _reaim(self, stage: Stage) -> None:
        for body in stage.bodies:
            self._aim(body)

    def _aim(self, body: Body) -> None:
        cancel(body.entry)
        body.entry = None
        if body.mark >= len(self._marks):
            return
        position, _, tail = self._marks[body.mark]
        if tail:
            position += body.skew_mm
        stage = body.stage
        assert isinstance(stage, Stage)
        due = stage.drive.when(position - body.ref_mm)
        if due is not None:
            body.entry = self._kernel.at(due, lambda: self._cross(body))

    def _cross(self, body: Body) -> None:
        """The head has reached its mark: act on it and on any other passed by now."""
        body.entry = None
        marks = self._marks
        while True:
            action = marks[body.mark][1]
            body.mark += 1
            action(body)
            if body.stage is None:
                return
            if body.mark >= len(marks):
                return
            position, _, tail = marks[body.mark]
            if (position + body.skew_mm if tail else position) > self.head(body) + 1e-6:
                break
        self._aim(body)

    def _change_stage(self, body: Body) -> None:
        old = body.stage
        assert isinstance(old, Stage) and old.next is not None
        head = self.head(body)
        moved = driven(body)
        new = old.next
        old.bodies.remove(body)
        body.stage = new
        body.ref_mm = head - new.drive.travel()
        body.skew_mm = new.skew_mm
        new.bodies.append(body)
        self.arrived(new, body, moved)
        if len(new.bodies) > 1:
            self.doubled(new, body, moved)

    def _beyond(self, body: Body) -> None:
        self.fallen(body)

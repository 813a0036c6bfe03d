"""One linear motion between two end stops, solved exactly: press, table, arm, stroke, lift.

Position runs from 0 (home) to 1 at constant speed. An actuator tells its owner when it passes
a mark, never on a grid: the time of a mark is computed once, from where and when it started.
"""

from __future__ import annotations

from collections.abc import Callable

from linectl_sim.kernel import Entry, Kernel, cancel, whole_ms

Passed = Callable[[float, int], object]
"""Called with the mark and the direction (+1 outward, −1 homeward) in which it is passed."""
Stirred = Callable[[bool], object]
"""Called with True when the actuator begins to move and False when it stands."""


class Actuator:
    """A motion of `out_ms` from 0 to 1 and `home_ms` back, with `marks` strictly between."""

    __slots__ = (
        "_entry", "_from", "_gone", "_home_ms", "_kernel", "_marks", "_next", "_out_ms",
        "_passed", "_since", "_stirred", "bound", "direction", "jam",
    )  # fmt: skip

    def __init__(
        self,
        kernel: Kernel,
        out_ms: int,
        home_ms: int,
        marks: tuple[float, ...],
        passed: Passed,
        stirred: Stirred | None = None,
    ) -> None:
        self._kernel = kernel
        self._out_ms = out_ms
        self._home_ms = home_ms
        self._marks = (0.0, *marks, 1.0)
        self._passed = passed
        self._stirred = stirred
        self._from = 0.0
        self._gone = {1: 0.0, -1: 0.0}
        """Shares of its way gone outward and homeward, but for a motion under way."""
        self._since = 0
        self._next = 0.0
        self._entry: Entry | None = None
        self.direction = 0
        self.bound = 0
        """The direction asked for, also when an end stop or a jam holds it."""
        self.jam: float | None = None
        """Sticks here, in either direction, while not None."""

    @property
    def moving(self) -> bool:
        return self.direction != 0

    def position(self) -> float:
        """Where it is now, 0 to 1."""
        if not self.direction:
            return self._from
        span = self._out_ms if self.direction > 0 else self._home_ms
        place = self._from + self.direction * (self._kernel.now - self._since) / span
        return min(max(place, 0.0), 1.0)

    def gone(self, direction: int) -> float:
        """How much of its way it has gone outward (+1) or homeward (−1) since the start."""
        under_way = abs(self.position() - self._from) if self.direction == direction else 0.0
        return self._gone[direction] + under_way

    def _book(self, here: float) -> None:
        """A motion ends or is aimed anew here."""
        if self.direction:
            self._gone[self.direction] += abs(here - self._from)

    def drive(self, direction: int) -> None:
        """Be driven outward (+1), homeward (−1) or not at all (0: it stays where it is)."""
        self.bound = direction
        if direction == self.direction:
            return
        here = self.position()
        was = self.direction
        cancel(self._entry)
        self._book(here)
        self._from, self._since, self.direction = here, self._kernel.now, direction
        if direction and not self._aim():
            self.direction = 0
        if (self.direction != 0) != (was != 0) and self._stirred is not None:
            self._stirred(self.direction != 0)

    def place(self, position: float) -> None:
        """Stand at a position without having moved there (a drift, a person's hand)."""
        cancel(self._entry)
        self._book(self.position())
        if self.direction and self._stirred is not None:
            self._stirred(False)
        self.direction = self.bound = 0
        self._from, self._since = position, self._kernel.now

    def stick(self, at: float | None) -> None:
        """Stick at a position (None: wherever it is now), also if it is on its way."""
        self.jam = self.position() if at is None else at
        self._reaim()

    def release(self) -> None:
        """A jam is gone: go on as asked."""
        self.jam = None
        if self.direction:
            self._reaim()
        elif self.bound:
            self.drive(self.bound)

    def _reaim(self) -> None:
        """What lies in the way has changed: look anew from here."""
        if not self.direction:
            return
        here = self.position()
        cancel(self._entry)
        self._book(here)
        self._from, self._since = here, self._kernel.now
        if not self._aim():
            self.direction = 0
            if self._stirred is not None:
                self._stirred(False)

    def _aim(self) -> bool:
        """Set the time of the next mark; False if an end stop or jam is where it stands."""
        direction, start = self.direction, self._from
        ahead = [mark for mark in self._marks if (mark - start) * direction > 1e-9]
        if self.jam is not None:
            if abs(self.jam - start) < 1e-9:
                return False
            if (self.jam - start) * direction > 0:
                ahead = [mark for mark in ahead if (mark - self.jam) * direction < -1e-9]
                ahead.append(self.jam)
        if not ahead:
            return False
        self._next = min(ahead, key=lambda mark: (mark - start) * direction)
        span = self._out_ms if direction > 0 else self._home_ms
        due = self._since + whole_ms(abs(self._next - start) * span)
        self._entry = self._kernel.at(due, self._reached)
        return True

    def _reached(self) -> None:
        mark, direction = self._next, self.direction
        if mark in (0.0, 1.0) or mark == self.jam:
            self._book(mark)
            self._from, self._since, self.direction = mark, self._kernel.now, 0
            self._entry = None
            if self._stirred is not None:
                self._stirred(False)
        else:
            self._aim_beyond(mark)
        self._passed(mark, direction)

    def _aim_beyond(self, passed: float) -> None:
        """Aim at the mark after `passed`, still from the start of this motion."""
        marks = self._marks
        step = marks.index(passed) + self.direction
        mark = marks[step]
        jam = self.jam
        if jam is not None and (jam - passed) * self.direction > 0:
            mark = min(mark, jam) if self.direction > 0 else max(mark, jam)
        span = self._out_ms if self.direction > 0 else self._home_ms
        self._next = mark
        due = self._since + whole_ms(abs(mark - self._from) * span)
        self._entry = self._kernel.at(due, self._reached)

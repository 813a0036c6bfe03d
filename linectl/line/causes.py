"""Causes and what they stop: conditions on points → present → latched → one integer of verdicts.

Every interlock is a `Cause` row, whether a site file wrote it or `build` derived it from the
machine's structure. A condition on a bad point counts as present: absent is the safe side.
"""

from __future__ import annotations

from dataclasses import dataclass

from linectl.line.inputs import NEVER, Inputs

STRENGTH = {"suspend": 1, "hold": 2, "abort": 3}


@dataclass(frozen=True)
class Test:
    """One comparison: present at `level`, below `low`, above `high`; none given: only when bad."""

    index: int
    level: bool | None = None
    low: float | None = None
    high: float | None = None

    def present(self, inputs: Inputs) -> bool:
        """True when the comparison holds, and when the point is bad."""
        if not inputs.good[self.index]:
            return True
        if self.level is not None:
            return inputs.on[self.index] == self.level
        if self.low is None and self.high is None:
            return False
        value = inputs.value[self.index]
        return (self.low is None or value < self.low) and (self.high is None or value > self.high)


@dataclass(frozen=True)
class Cause:
    """One row of the matrix. `blocks` has a bit for every output it switches off."""

    name: str
    text: str
    do: str
    tests: tuple[Test, ...]
    on_delay_ms: int = 0
    moment: str = "at_once"
    latched: bool = False
    priority: str | None = None
    """None: a permissive, which is no alarm."""
    blocks: int = 0
    actions: tuple[tuple[str, str], ...] = ()
    """(unit, action): abort, hold or suspend that unit."""
    stations: tuple[str, ...] = ()
    """Stations that may not begin another gutter."""
    silence: bool = False
    """The row that stands for its device's silence; other rows keep quiet while points are bad."""


class Causes:
    """The present state of every cause, and what they stop together.

    `blocked`: bits of outputs off. `actions[unit]`: (action, cause number) of the strongest.
    `stations[name]`: number of the cause that keeps the station from another gutter.
    """

    FIELDS = ("present", "active", "announced", "judged", "due")

    def __init__(self, rows: tuple[Cause, ...], points: int) -> None:
        self.rows = rows
        self._of_point: list[list[int]] = [[] for _ in range(points)]
        for number, row in enumerate(rows):
            for index in {test.index for test in row.tests}:
                self._of_point[index].append(number)
        self.present = [True] * len(rows)
        self.active = [True] * len(rows)
        self.announced = [False] * len(rows)
        """Told as an alarm, hence seen on good points: only then does a row latch."""
        self.judged = [False] * len(rows)
        """Judged at least once; before that a cause blocks, but has not come."""
        self.due: dict[int, int] = {}
        self.blocked = 0
        self.actions: dict[str, tuple[str, int]] = {}
        self.stations: dict[str, int] = {}
        self.add_up()

    def update(self, changed: list[int], inputs: Inputs, now: int) -> list[tuple[int, bool]]:
        """Judge the causes of the changed points and ended delays: (cause, came) to announce."""
        numbers = {number for index in changed for number in self._of_point[index]}
        before = [self.active[number] for number in numbers]
        for number in numbers:
            self._judge(number, inputs, now)
        altered = before != [self.active[number] for number in numbers]
        if self.due:
            for number in [n for n, due in self.due.items() if due <= now]:
                del self.due[number]
                self.active[number] = True
                numbers.add(number)
                altered = True
        if altered:
            self.add_up()
        return self._announce(sorted(numbers), inputs)

    def reset_latches(self, inputs: Inputs) -> list[tuple[int, bool]]:
        """Interlock reset: latched causes that are no longer present let go."""
        let_go = [
            number
            for number, row in enumerate(self.rows)
            if row.latched and self.active[number] and not self.present[number]
        ]
        for number in let_go:
            self.active[number] = False
        self.add_up()
        return self._announce(let_go, inputs)

    def never_heard(self, inputs: Inputs) -> list[int]:
        """Rows of devices that have not answered since power-up; from now on they are told."""
        silent = [
            number
            for number, row in enumerate(self.rows)
            if row.silence and not self.announced[number] and not inputs.good[row.tests[0].index]
        ]
        for number in silent:
            self.announced[number] = True
        return silent

    def next_due(self) -> int:
        """When the earliest on-delay ends."""
        return min(self.due.values(), default=NEVER)

    def add_up(self) -> None:
        """Recompute what is derived from the active causes."""
        self.blocked = 0
        self.actions = {}
        self.stations = {}
        for number, row in enumerate(self.rows):
            if not self.active[number]:
                continue
            self.blocked |= row.blocks
            for unit, action in row.actions:
                known = self.actions.get(unit)
                if known is None or STRENGTH[action] > STRENGTH[known[0]]:
                    self.actions[unit] = (action, number)
            for station in row.stations:
                self.stations.setdefault(station, number)

    def _judge(self, number: int, inputs: Inputs, now: int) -> None:
        row = self.rows[number]
        present = all(test.present(inputs) for test in row.tests)
        self.present[number] = present
        if not present:
            self.due.pop(number, None)
            if not (row.latched and self.announced[number]):
                self.active[number] = False
        elif not (self.active[number] and self.judged[number]):
            if row.on_delay_ms:
                self.due.setdefault(number, now + row.on_delay_ms)
            else:
                self.active[number] = True
        self.judged[number] = True

    def _announce(self, numbers: list[int], inputs: Inputs) -> list[tuple[int, bool]]:
        said: list[tuple[int, bool]] = []
        for number in numbers:
            row = self.rows[number]
            if row.priority is None:
                continue
            good = row.silence or all(inputs.good[test.index] for test in row.tests)
            wanted = self.active[number] and (good or self.announced[number])
            wanted = wanted and number not in self.due
            if wanted != self.announced[number]:
                self.announced[number] = wanted
                said.append((number, wanted))
        return said

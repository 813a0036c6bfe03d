"""What the causes stop now: conditions → present → delayed → latched → the verdict on each effect.

Judged are only causes of changed points and ended delays; what follows is added up to one
integer of outputs and a few names, from the same rows that `why` and every proof read.
"""

from __future__ import annotations

from linectl.line.cause_rows import Cause
from linectl.line.inputs import NEVER, Inputs

STRENGTH = {"suspend": 1, "hold": 2, "abort": 3}


class Causes:
    """The present state of every cause, and what they stop together.

    `blocked`: bits of outputs off. `barred`: bits that may not come on. `actions[unit]`: (action,
    cause number) of the strongest. `stations[name]`: number of the cause that keeps the station
    from another gutter. `starts[unit]`: number of the cause that keeps the unit from starting.
    """

    FIELDS = (
        "met", "present", "live", "active", "announced", "judged", "due", "off_due", "came",
        "modes", "again", "since", "held",
    )  # fmt: skip

    def __init__(self, rows: tuple[Cause, ...], points: int, modes: dict[str, str]) -> None:
        self.rows = rows
        self._of_point: list[list[int]] = [[] for _ in range(points)]
        for number, row in enumerate(rows):
            for index in {test.index for test in row.tests}:
                self._of_point[index].append(number)
        self.latches = tuple(
            (number, row.name)
            for number, row in enumerate(rows)
            if row.latched and row.priority is not None
        )
        """Number and name of the rows whose alarm outlasts its condition."""
        self._hiding = tuple(n for n, row in enumerate(rows) if row.explains or row.modes)
        self._falls = {test.index: test for row in rows if row.together_ms for test in row.tests}
        self.met = [0] * len(rows)
        """One bit for each test that held when it was last judged on a good point."""
        self.present = [True] * len(rows)
        self.live = [True] * len(rows)
        """Present, delays counted."""
        self.active = [True] * len(rows)
        """Live, or latched and waiting for its reset."""
        self.announced = [False] * len(rows)
        """Told as an alarm, hence seen on good points: only then does a row latch."""
        self.judged = [False] * len(rows)
        """Judged at least once; before that a cause blocks, but has not come."""
        self.due: dict[int, int] = {}
        self.off_due: dict[int, int] = {}
        self.came: dict[int, int] = {}
        """When each point of a supply came to read 0."""
        self.since = [0] * len(rows)
        """When each row came to be present, its own delay not counted, ms."""
        self.held = [NEVER] * len(rows)
        """Since when enough tests hold on good points, ms; NEVER while they do not."""
        self.modes = modes
        self.again: set[int] = set()
        """To be judged in the next scan though none of their points changes."""
        self.bypassed: set[int] = set()
        """Kept from acting by a person: judged and told as ever, and left out of the sum."""
        self.blocked = 0
        self.barred = 0
        self.actions: dict[str, tuple[str, int]] = {}
        self.stations: dict[str, int] = {}
        self.starts: dict[str, int] = {}
        self.add_up()

    def update(self, changed: list[int], inputs: Inputs, now: int) -> list[tuple[int, bool]]:
        """Judge the causes of the changed points and ended delays: (cause, came) to announce."""
        numbers = {number for index in changed for number in self._of_point[index]} | self.again
        self.again.clear()
        for index in changed:
            if index in self._falls:
                self._note_came(index, inputs, now)
        before = [(self.live[number], self.active[number]) for number in numbers]
        for number in numbers:
            self._judge(number, inputs, now)
        altered = before != [(self.live[number], self.active[number]) for number in numbers]
        for number in self._ended(self.due, now):
            self.live[number] = self.active[number] = True
            numbers.add(number)
            altered = True
        for number in self._ended(self.off_due, now):
            self._end(number)
            numbers.add(number)
            altered = True
        if altered:
            self.add_up()
        return self._announce(sorted(numbers), inputs)

    def wants(self) -> bool:
        """True if a scan must judge though no point has changed."""
        return bool(self.due or self.off_due or self.again)

    def mode(self, unit: str, mode: str) -> None:
        """A unit's mode has changed: causes enabled in some modes only are judged anew."""
        self.modes[unit] = mode
        self.again.update(
            number for number, row in enumerate(self.rows) if row.modes and unit in row.units
        )

    def reset_latches(self, inputs: Inputs, zone: str = "") -> list[tuple[int, bool]]:
        """Interlock reset: latched causes that are no longer live let go; those to announce.

        zone: whose button was pressed; empty for a command, which resets nothing `at_machine`.
        """
        let_go = [
            number
            for number, row in enumerate(self.rows)
            if row.latched and self.active[number] and not self.live[number]
            if row.reset == "interlock" or row.zone == zone
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

    def shows(self, number: int, inputs: Inputs) -> bool:
        """The cause itself is there, seen on good points."""
        return self.live[number] and self._seen(number, inputs)

    def suppressed(self) -> frozenset[str]:
        """Names of causes whose alarms say nothing now: explained by another, or not enabled."""
        names: set[str] = set()
        for number in self._hiding:
            row = self.rows[number]
            if self.announced[number]:
                names.update(row.explains)
            if not self.enabled(number) and not self.active[number]:  # a latch stays, and is told
                names.add(row.name)
        return frozenset(names)

    def next_due(self) -> int:
        """When the earliest delay ends."""
        return min((*self.due.values(), *self.off_due.values()), default=NEVER)

    def add_up(self) -> None:
        """Recompute what is derived from the live and the latched causes."""
        self.blocked = self.barred = 0
        self.actions, self.stations, self.starts = {}, {}, {}
        for number in range(len(self.rows)):
            if not self._acts(number):
                continue
            self.blocked |= self.stops(number)
            self.barred |= self.bars(number)
            for unit in self.bars_start(number):
                self.starts.setdefault(unit, number)
            for unit, action in self.asks(number):
                known = self.actions.get(unit)
                if known is None or STRENGTH[action] > STRENGTH[known[0]]:
                    self.actions[unit] = (action, number)
            for station in self.keeps(number):
                self.stations.setdefault(station, number)

    def stops(self, number: int) -> int:
        """Bits of the outputs that this cause keeps off now."""
        row = self.rows[number]
        if not self._acts(number):
            return 0
        return row.latches | (row.acts if self.live[number] else 0)

    def bars(self, number: int) -> int:
        """Bits of the outputs that this cause keeps from coming on now."""
        return self.rows[number].bars if self.live[number] and self._acts(number) else 0

    def asks(self, number: int) -> list[tuple[str, str]]:
        """What this cause asks of units now: (unit, action)."""
        acts, live = self._acts(number), self.live[number]
        actions = self.rows[number].actions
        return [(unit, action) for unit, action, latched in actions if acts and (live or latched)]

    def keeps(self, number: int) -> list[str]:
        """The stations that this cause keeps from another gutter now."""
        acts, live = self._acts(number), self.live[number]
        stations = self.rows[number].stations
        return [station for station, latched in stations if acts and (live or latched)]

    def bars_start(self, number: int) -> tuple[str, ...]:
        """The units that this cause keeps from starting now."""
        return self.rows[number].bars_units if self.live[number] and self._acts(number) else ()

    def enabled(self, number: int) -> bool:
        """A unit that it concerns is in one of the modes in which it is enabled."""
        row = self.rows[number]
        return not row.modes or any(self.modes[unit] in row.modes for unit in row.units)

    def _acts(self, number: int) -> bool:
        return self.active[number] and number not in self.bypassed

    # judging -----------------------------------------------------------------------------------

    def _judge(self, number: int, inputs: Inputs, now: int) -> None:
        row = self.rows[number]
        present = self._present(number, inputs)
        if present and not self.present[number]:
            self.since[number] = now
        if self.met[number].bit_count() < row.needed:
            self.held[number] = NEVER
        elif self.held[number] == NEVER:
            self.held[number] = now
        self.present[number] = present
        if present:
            self.off_due.pop(number, None)
            if not (self.live[number] and self.judged[number]):
                if row.on_delay_ms:
                    self.due.setdefault(number, now + row.on_delay_ms)
                else:
                    self.live[number] = self.active[number] = True
        else:
            waiting = self.due.pop(number, None) is not None
            if row.off_delay_ms and self.live[number] and self.judged[number] and not waiting:
                self.off_due.setdefault(number, now + row.off_delay_ms)
            else:
                self._end(number)
        self.judged[number] = True

    def _end(self, number: int) -> None:
        self.live[number] = False
        if not (self.rows[number].latched and self.announced[number]):
            self.active[number] = False

    def _present(self, number: int, inputs: Inputs) -> bool:
        """Enough tests hold, bad ones counted as the row says, in a mode it is enabled in."""
        row = self.rows[number]
        met = bad = 0
        for place, test in enumerate(row.tests):
            if not inputs.good[test.index]:
                bad += 1
            elif test.holds(inputs, bool(self.met[number] >> place & 1)):
                met |= 1 << place
        self.met[number] = met
        if not self.enabled(number):
            return False
        votes = met.bit_count()
        if row.bad == "present":
            return votes + bad >= row.needed
        if row.bad == "left_out":
            return votes >= row.needed or len(row.tests) - bad < row.needed
        return votes >= row.needed and self._together(row)

    def _note_came(self, index: int, inputs: Inputs, now: int) -> None:
        if inputs.good[index] and self._falls[index].holds(inputs, False):
            self.came.setdefault(index, now)
        else:
            self.came.pop(index, None)

    def _together(self, row: Cause) -> bool:
        """At least two of the row's points went within its time of the last: not one by one."""
        times = [self.came[test.index] for test in row.tests if test.index in self.came]
        last = max(times, default=0)
        return sum(last - time <= row.together_ms for time in times) > 1

    def _ended(self, dues: dict[int, int], now: int) -> list[int]:
        ended = [number for number, due in dues.items() if due <= now]
        for number in ended:
            del dues[number]
        return ended

    def _announce(self, numbers: list[int], inputs: Inputs) -> list[tuple[int, bool]]:
        said: list[tuple[int, bool]] = []
        for number in numbers:
            row = self.rows[number]
            if row.priority is None:
                continue
            seen = row.silence or self._seen(number, inputs)
            new = seen and number not in self.due
            wanted = self.active[number] and (new or self.announced[number])
            if wanted != self.announced[number]:
                self.announced[number] = wanted
                said.append((number, wanted))
        return said

    def _seen(self, number: int, inputs: Inputs) -> bool:
        """Enough tests hold on good points: the cause itself, not the lack of its readings."""
        row = self.rows[number]
        votes = sum(
            self.met[number] >> place & 1 and inputs.good[test.index]
            for place, test in enumerate(row.tests)
        )
        return votes >= row.needed

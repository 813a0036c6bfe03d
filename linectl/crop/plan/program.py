"""Writes a plan's integer program as plain sparse lists; pure, and free of any solver.

A gutter that is still to be sown needs no crop before it is pulled: the crop is decided once, so
it may as well be decided at the pull, and the order in which a lane's gutters are pulled is the
order in which they were sown. Hence `new[crop][day]` counts gutters sown in the plan and pulled on
that day as that crop. They stand in positions 1, 2, … of their lane by the order of sowing; what
is pulled up to a day must have been sown so many days before. No variable says which gutter.

What stands at the beginning is pulled in its order: a binary stands only between neighbours of
different crops. Within a lane's day the slower crops leave first, for they must be the older ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from linectl.crop.plan.model import ALONE_TAKTS, Case, LaneFacts, Stock

Terms = list[tuple[int, float]]
"""(variable, factor), to be added up."""


@dataclass
class Program:
    """Least `cost` · x + `constant` with low ≤ x ≤ high, rows between their bounds."""

    cost: list[float] = field(default_factory=list)
    low: list[float] = field(default_factory=list)
    high: list[float] = field(default_factory=list)
    whole: list[bool] = field(default_factory=list)
    rows: list[Terms] = field(default_factory=list)
    row_low: list[float] = field(default_factory=list)
    row_high: list[float] = field(default_factory=list)
    constant: float = 0.0

    def variable(self, high: float, cost: float = 0.0, whole: bool = True) -> int:
        """A new variable from 0 to `high`; its number."""
        self.cost.append(cost)
        self.low.append(0.0)
        self.high.append(high)
        self.whole.append(whole)
        return len(self.cost) - 1

    def row(self, terms: Terms, low: float = float("-inf"), high: float = float("inf")) -> None:
        """low ≤ sum of terms ≤ high."""
        self.rows.append(terms)
        self.row_low.append(low)
        self.row_high.append(high)

    def running(self, before: int | None, adds: Sequence[int], high: float) -> int:
        """A variable that is the one `before` plus those added."""
        total = self.variable(high, whole=False)
        terms = [(total, 1.0), *((each, -1.0) for each in adds)]
        self.row(terms if before is None else [*terms, (before, -1.0)], 0.0, 0.0)
        return total


@dataclass(frozen=True)
class Run:
    """Neighbours of one crop in a lane's stock, from the tail on, with what parts they have."""

    crop: str
    before: int
    """Gutters that stand nearer to the tail."""
    parts: tuple[Stock, ...]

    @property
    def gutters(self) -> int:
        return sum(part.gutters for part in self.parts)

    def late_by(self, day: int) -> int:
        return sum(part.gutters for part in self.parts if part.late <= day)


@dataclass
class LaneProgram:
    """The variables of a lane by day; a day without the variable has no entry."""

    lane: LaneFacts
    runs: tuple[Run, ...]
    old: list[dict[int, int]]
    """Pulls of each run of the stock."""
    new: dict[str, dict[int, int]]
    fill: dict[int, int]
    filled: list[int] = field(default_factory=list)
    """Holes filled by the end of each day; empty for a lane without any."""
    sown: list[int] = field(default_factory=list)
    gone: list[int] = field(default_factory=list)
    """What the plan has sown, and what it has pulled of that, by the end of each day."""

    def pulls(self, day: int) -> list[tuple[str, int]]:
        """(crop, variable) of all that may be pulled on that day, in the order of pulling."""
        old = [(run.crop, at[day]) for run, at in zip(self.runs, self.old, strict=True)
               if day in at]  # fmt: skip
        return old + [(crop, at[day]) for crop, at in self.new.items() if day in at]


def runs_of(stock: Sequence[Stock]) -> tuple[Run, ...]:
    """Stock with neighbours of one crop joined."""
    runs: list[Run] = []
    before = 0
    for part in stock:
        if runs and runs[-1].crop == part.crop:
            runs[-1] = Run(part.crop, runs[-1].before, (*runs[-1].parts, part))
        else:
            runs.append(Run(part.crop, before, (part,)))
        before += part.gutters
    return tuple(runs)


def ripe_by(stock: Sequence[Stock], day: int) -> int:
    """How many from the tail on may be gone by the end of a day, if no other is in the way."""
    count = 0
    for part in stock:
        if part.ripe > day:
            return count
        count += part.gutters
    return count


def slow_first(case: Case, lane: LaneFacts) -> list[str]:
    """The lane's crops in the order in which they leave within a day."""
    return sorted(lane.crops, key=lambda c: (-case.crops[c].ripe, -case.crops[c].late, c))


def build(case: Case) -> tuple[Program, list[LaneProgram]]:
    """The program of a case, and where its lanes' variables are."""
    program = Program()
    lanes = [_Lane(case, program, lane).build() for lane in case.lanes]
    _shifts(case, program, lanes)
    _orders(case, program, lanes)
    # as a variable that is 1, so that the solver reckons its gap by the whole cost
    one = program.variable(1, program.constant, whole=False)
    program.low[one], program.constant = 1.0, 0.0
    return program, lanes


def _shifts(case: Case, program: Program, lanes: list[LaneProgram]) -> None:
    for day, most in enumerate(case.capacity):
        moves = [(at, 1.0) for lane in lanes for _, at in lane.pulls(day)]
        moves += [(lane.fill[day], 1.0) for lane in lanes if day in lane.fill]
        if moves:
            program.row(moves, high=most)


def _orders(case: Case, program: Program, lanes: list[LaneProgram]) -> None:
    """Pulled + short − surplus = ordered, for each crop and day; and the time that it takes."""
    for day in range(case.days):
        pulled: dict[str, list[Terms]] = {}
        for lane in lanes:
            of_lane: dict[str, Terms] = {}
            for crop, at in lane.pulls(day):
                of_lane.setdefault(crop, []).append((at, 1.0))
            for crop, terms in of_lane.items():
                pulled.setdefault(crop, []).append(terms)
        asked = {crop for crop, on in case.demand if on == day}
        for crop in sorted(asked | set(pulled)):
            wanted = case.demand.get((crop, day), 0)
            terms = [term for part in pulled.get(crop, []) for term in part]
            if not terms:
                program.constant += wanted * case.costs.short
                continue
            short = program.variable(wanted, case.costs.short, whole=False)
            surplus = program.variable(float("inf"), case.costs.surplus, whole=False)
            program.row([*terms, (short, 1.0), (surplus, -1.0)], wanted, wanted)
        if pulled:
            _time(case, program, day, list(pulled.values()))


def _time(case: Case, program: Program, day: int, crops: list[list[Terms]]) -> None:
    """Takts of a day, by `ALONE_TAKTS`, that are more than its shift has."""
    takts = []
    for lanes in crops:
        takts.append(program.variable(ALONE_TAKTS * case.capacity[day], whole=False))
        alone = [[(at, ALONE_TAKTS) for at, _ in terms] for terms in lanes]
        for terms in ([term for part in lanes for term in part], *alone):
            program.row([*terms, (takts[-1], -1.0)], high=0.0)
    over = program.variable(float("inf"), case.costs.over, whole=False)
    program.row([*((at, 1.0) for at in takts), (over, -1.0)], high=case.capacity[day])


class _Lane:
    """Writes one lane's variables and rows, day by day."""

    def __init__(self, case: Case, program: Program, lane: LaneFacts) -> None:
        self._case = case
        self._program = program
        self._lane = lane
        self._crops = slow_first(case, lane)
        runs = runs_of(lane.stock)
        new: dict[str, dict[int, int]] = {crop: {} for crop in self._crops}
        self._made = LaneProgram(lane, runs, [{} for _ in runs], new, {})
        self._out: list[list[int]] = [[] for _ in runs]
        """By run: what is pulled of it by the end of each day."""
        self._sown, self._gone = self._made.sown, self._made.gone
        self._reach = [0]
        """Gutters that the lane can have passed before each day, and at the end."""
        for day in range(case.days):
            self._reach.append(self._reach[-1] + case.most(day))

    def build(self) -> LaneProgram:
        filled: int | None = None
        for day in range(self._case.days):
            full, filled = self._fill(day, filled)
            self._stock(day)
            gate = self._gate(day)
            self._new(day, gate)
            self._passes(day, full)
            self._overdue(day)
        return self._made

    def _fill(self, day: int, before: int | None) -> tuple[int | None, int | None]:
        """Holes are filled before anything is pulled: nothing reaches the tail of a lane with
        holes but by inserts."""
        holes, program, case = self._lane.holes, self._program, self._case
        if not holes:
            return None, None
        adds = []
        if case.most(day):
            self._made.fill[day] = program.variable(min(holes, case.most(day)))
            adds = [self._made.fill[day]]
        filled = program.running(before, adds, holes)
        self._made.filled.append(filled)
        program.cost[filled] -= case.costs.hole
        program.constant += holes * case.costs.hole
        full = program.variable(1)
        program.row([(filled, 1.0), (full, -float(holes))], low=0.0)
        return full, filled

    def _stock(self, day: int) -> None:
        """What stood at the beginning, in its order, when it is ripe."""
        program, case = self._program, self._case
        ripe = ripe_by(self._lane.stock, day)
        for number, run in enumerate(self._made.runs):
            most = min(max(0, ripe - run.before), run.gutters)
            adds = []
            if most and case.most(day):
                self._made.old[number][day] = program.variable(min(most, case.most(day)))
                adds = [self._made.old[number][day]]
            before = self._out[number][-1] if day else None
            out = program.running(before, adds, most)
            self._out[number].append(out)
            if number and most:
                begun = program.variable(1)
                program.row([(out, 1.0), (begun, -float(most))], high=0.0)
                last = self._made.runs[number - 1].gutters
                program.row([(self._out[number - 1][day], 1.0), (begun, -float(last))], low=0.0)

    def _gate(self, day: int) -> int | None:
        """1 if all that stood has been pulled by the end of the day; None if that cannot be."""
        runs, program = self._made.runs, self._program
        if self._reach[day + 1] < self._lane.standing:
            return None
        if runs and ripe_by(self._lane.stock, day) < self._lane.standing:
            return None
        gate = program.variable(1)
        if runs:
            last = float(runs[-1].gutters)
            program.row([(self._out[-1][day], 1.0), (gate, -last)], low=0.0)
        return gate

    def _new(self, day: int, gate: int | None) -> None:
        """What the plan has sown, pulled as some crop: it must be old enough, and may be late."""
        program, case = self._program, self._case
        most = case.most(day)
        for crop in self._crops:
            due = case.crops[crop]
            if gate is None or not most or day < due.ripe or not self._reach[day - due.ripe + 1]:
                continue
            pulled = program.variable(most)
            chosen = program.variable(1)
            program.row([(pulled, 1.0), (chosen, -float(most))], high=0.0)
            program.row([(chosen, 1.0), (gate, -1.0)], high=0.0)
            self._made.new[crop][day] = pulled
            self._old_enough(day, crop, chosen)
            if day >= due.late and self._reach[day - due.late + 1]:
                self._in_time(day, crop, pulled)

    def _up_to(self, day: int, crop: str) -> Terms:
        """The last position that is pulled as `crop` on that day."""
        upper = self._crops[: self._crops.index(crop) + 1]
        today = [(self._made.new[each][day], 1.0) for each in upper if day in self._made.new[each]]
        return [(self._gone[day - 1], 1.0), *today] if day else today

    def _old_enough(self, day: int, crop: str, chosen: int) -> None:
        ripe = self._case.crops[crop].ripe
        first = day - min(self._case.crops[each].ripe for each in self._crops)
        spare = float(self._reach[first + 1] - self._reach[day - ripe + 1])
        terms = [*self._up_to(day, crop), (self._sown[day - ripe], -1.0)]
        self._program.row([*terms, (chosen, spare)] if spare else terms, high=spare)

    def _in_time(self, day: int, crop: str, pulled: int) -> None:
        """`late` of those pulled are late, unless the positions say that they are not."""
        program, case = self._program, self._case
        most = float(case.most(day))
        late = program.variable(most, case.costs.late, whole=False)
        some = program.variable(1)  # 1: some are in time
        program.row([(pulled, 1.0), (late, -1.0), (some, -most)], high=0.0)
        program.row([(pulled, 1.0), (late, -1.0)], low=0.0)
        beyond = float(self._lane.slots)
        terms = [(at, -factor) for at, factor in self._up_to(day, crop) if at != pulled]
        sown = self._sown[day - case.crops[crop].late]
        program.row([*terms, (late, -1.0), (sown, 1.0), (some, beyond)], high=beyond)

    def _passes(self, day: int, full: int | None) -> None:
        """One in for one out; a lane passes no more than its mechanics do."""
        program, most = self._program, self._case.most(day)
        pulls = [at for _, at in self._made.pulls(day)]
        fill = [self._made.fill[day]] if day in self._made.fill else []
        if len(pulls) + len(fill) > 1:
            program.row([(at, 1.0) for at in pulls + fill], high=most)
        if pulls and full is not None:
            program.row([*((at, 1.0) for at in pulls), (full, -float(most))], high=0.0)
        reach = float(self._reach[day + 1])
        new = [at[day] for at in self._made.new.values() if day in at]
        before = (self._sown[-1], self._gone[-1]) if day else (None, None)
        self._sown.append(program.running(before[0], pulls + fill, reach))
        self._gone.append(program.running(before[1], new, reach))

    def _overdue(self, day: int) -> None:
        """Late gutters that still stand at the end of the day."""
        program, case = self._program, self._case
        for number, run in enumerate(self._made.runs):
            if late := run.late_by(day):
                stays = program.variable(late, case.costs.standing_late, whole=False)
                program.row([(stays, 1.0), (self._out[number][day], 1.0)], low=late)
        slowest = max((case.crops[crop].late for crop in self._crops), default=case.days)
        if day >= slowest:
            stays = program.variable(self._lane.slots, case.costs.standing_late, whole=False)
            sown, gone = self._sown[day - slowest], self._gone[day]
            program.row([(stays, 1.0), (gone, 1.0), (sown, -1.0)], low=0.0)

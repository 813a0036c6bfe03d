"""The search: from every state the default course of things, and within its budget every other.

In each state one step is the *default*: a tool's own timer, then what moves, upstream first, then
other timers, then people, then long waits. Every other step costs: another order one *deviation*,
a fault one *fault*. All states that a budget can reach are visited, each once (by a 64-bit hash of
its normal form). The default successors alone make a graph with one way out of each state;
following it answers whether a state is a dead end.
"""

from __future__ import annotations

import heapq
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from explorer import acts, clock, faults
from explorer.engine import Engine, State
from explorer.rules import Watch

Option = tuple[str, Any]
"""(kind, what): machine, partly, clock, act, mend, fault."""
EJECTED, INSERTED = 1, 2
TOLD_EVERY = 10_000
RESCUES_MAX = 12
"""States that are tried to get out of one dead end."""
SPREAD = 2_654_435_769
"""Odd: steps off the default course are tried in a mixed order, so that a bounded search samples
all of the course and not its beginning."""
ROUND_MAX = 500
"""Steps followed before a course counts as endless."""


@dataclass
class Budget:
    """How far a search goes."""

    faults: int = 0
    orders: int = 0
    seconds: float = 1e9
    states: int = 10**9
    every: int = 1
    """Stops, guards, silence are tried in every n-th state that is found, and where all rests."""
    kinds: frozenset[str] = frozenset()
    """Only these kinds of fault; empty: all."""
    near: tuple[str, ...] = ()
    """Only faults whose target begins so; empty: all."""
    until: str = ""
    """End at the first finding of this rule."""
    told: Callable[[int, int, float], None] | None = None
    """Told (states, steps waiting to be tried, states per second) after every `TOLD_EVERY`."""


@dataclass
class Finding:
    """A rule broken, where, and the way there."""

    rule: str
    detail: str
    faults: int
    path: list[Option]


@dataclass
class Result:
    """What a search has seen."""

    states: int = 0
    transitions: int = 0
    depth: int = 0
    exhausted: bool = False
    seconds: float = 0.0
    tried: int = 0
    """Faults tried; beside them those left out by `every`."""
    left: int = 0
    waiting: int = 0
    """Steps still to be tried when the search ended."""
    findings: list[Finding] = field(default_factory=list)

    def rules(self) -> set[str]:
        """Rules that were broken."""
        return {finding.rule for finding in self.findings}


class Search:
    """One search from the engine's present state."""

    def __init__(self, engine: Engine, budget: Budget) -> None:
        self.engine, self.budget = engine, budget
        self.watch = Watch(engine)
        self.result = Result()
        self._best: dict[int, list[tuple[int, int]]] = {}
        self._next: dict[int, tuple[int, int, bool]] = {}
        """State → (default successor, gutters ejected and inserted on the way, ill)."""
        self._parent: dict[int, tuple[int, Option | None, int]] = {}
        self._heap: list[tuple[int, int, int, int, int, State, Option]] = []
        self._said: set[tuple[str, str]] = set()
        self._count = 0
        self._ended = False
        self._fate: dict[int, bool] = {}
        """State → whether its default course comes to a round that works, or was not followed."""
        self._stands = ""
        self._rest = False
        self._start = self._last = engine.save()

    # the loop ----------------------------------------------------------------------------------

    def run(self) -> Result:
        """Search until the budget or everything is spent."""
        started = time.perf_counter()
        self._end_at = started + self.budget.seconds
        state = self.engine.save()
        self._follow(state, 0, 0, 0, None)
        while self._heap and not self._ended:
            _, _, used_f, used_o, parent, state, option = heapq.heappop(self._heap)
            self.engine.load(state)
            self._take(option)
            self._follow(self._normal(), used_f, used_o, parent, option)
        self._dead_ends()
        result = self.result
        result.waiting = len(self._heap)
        result.exhausted = not self._ended and not result.left
        result.states, result.seconds = len(self._best), time.perf_counter() - started
        return result

    def _normal(self) -> State:
        self.engine.keeper.normalise(self.engine.world)
        return self.engine.save()

    def _follow(self, state: State, f: int, o: int, parent: int, by: Option | None) -> None:
        """Visit the state and all that follow from it by default, until one is known."""
        engine = self.engine
        while True:
            key = engine.key(state)
            depth = self._parent[parent][2] + 1 if parent else 0
            if key not in self._parent:
                self._parent[key] = (parent, by, depth)
                self.result.depth = max(self.result.depth, depth)
            self._findings(key, f)
            known = self._best.setdefault(key, [])
            if any(kf <= f and ko <= o for kf, ko in known) or self._ended:
                return
            known[:] = [(kf, ko) for kf, ko in known if not (f <= kf and o <= ko)] + [(f, o)]
            if len(self._best) >= self.budget.states or time.perf_counter() > self._end_at:
                self._ended = True
                return
            self._tell()
            default, others = self._options()  # the engine stands in this very state
            self._findings(key, f)
            self._push(key, state, f, o, default, others)
            by = self._default(default, key, state)
            if by is None:
                return
            state, parent = self._last, key

    def _tell(self) -> None:
        states, told = len(self._best), self.budget.told
        if told is not None and states % TOLD_EVERY == 0:
            passed = time.perf_counter() - self._end_at + self.budget.seconds
            told(states, len(self._heap), states / passed)

    def _default(self, options: list[Option], key: int, state: State) -> Option | None:
        """Take the first of the options that alters the state; None if none does."""
        for option in options:
            self._take(option)
            labels = self._labels()
            after = self._normal()
            following = self.engine.key(after)
            if following != key:
                self._next[key] = (following, labels, self._ill())
                self._last = after
                return option
            self.engine.load(state)
        self._say("dead_end", "nothing is left to do: " + self._described(), key, 0)
        return None

    def _labels(self) -> int:
        done = {move.kind for move in self.engine.moves if move.done}
        return EJECTED * ("eject" in done) + INSERTED * ("insert" in done)

    def _ill(self) -> bool:
        line = self.engine.line
        parts = any(p.state in ("faulted", "partial", "out_of_service") for p in line.parts)
        return parts or any(a.priority == "high" for a in line.alarms.standing.values())

    # what can be done --------------------------------------------------------------------------

    def _options(self) -> tuple[list[Option], list[Option]]:
        """(the default and what stands in for it where it alters nothing; all others)."""
        engine = self.engine
        machine = engine.machine()
        plan = clock.planned(engine)
        tools = [("clock", step) for step in plan if step[1] == "act_at"]
        later = [("clock", step) for step in plan if step[1] != "act_at"]
        guards = [("clock", step) for step in clock.guards(engine, machine)]
        slow = [("clock", step) for step in clock.slow(engine)]
        disk = [("machine", step) for step in machine if step[1] == "durable"]
        moves = [("machine", step) for step in machine if step[1] != "durable"]
        course = [*disk, *tools, *moves, *guards]  # the disk answers long before a tool is due
        self._rest = not course
        if course:
            return course[:1], [*course[1:], *later, *slow]
        self.watch.at_rest()
        for text in acts.unreadable(engine):
            engine.motion.violate("suggestion_unreadable", text)
        does = [("act", act) for act in acts.suggested(engine)]
        late = [("clock", step) for step in clock.limits(engine)]
        mends = [("mend", fault) for fault in faults.active(engine)]
        ready = [("mend", fault) for fault in faults.active(engine) if fault[0] == "not_ready"]
        return [*does, *later, *slow, *ready, *late, *mends], [*does[1:], *later, *slow, *late]

    def _push(
        self, key: int, state: State, f: int, o: int, default: list[Option], others: list[Option]
    ) -> None:
        budget = self.budget
        if o < budget.orders:
            extra = list(others)
            if default and default[0][0] == "machine":
                extra += self._partly(default[0][1])
            for option in extra:
                self._add(f, o + 1, key, state, option)
        if f < budget.faults:
            for option in self._faults(default):
                self._add(f + 1, o, key, state, option)

    def _add(self, f: int, o: int, key: int, state: State, option: Option) -> None:
        self._count += 1
        mixed = self._count * SPREAD % (1 << 32)
        heapq.heappush(self._heap, (f + o, mixed, f, o, key, state, option))

    def _partly(self, step: Any) -> list[Option]:
        """The same step, of whose several edges one is seen before the others."""
        if step[1] in ("tell", "count", "durable"):
            return []
        tags = self.engine.would_alter(step)
        return [("partly", (step, tag)) for tag in tags] if len(tags) > 1 else []

    def _faults(self, default: list[Option]) -> list[Option]:
        engine, found = self.engine, []
        if default and default[0][0] == "machine":
            step = default[0][1]
            found += [("fault", (fault, step)) for fault in faults.at_step(engine, step)]
            found += [("fault", (fault, None)) for fault in faults.by_hand(engine, step[0])]
        anytime = [("fault", (fault, None)) for fault in faults.at_any_time(engine)]
        found = [option for option in found if self._asked(option)]
        anytime = [option for option in anytime if self._asked(option)]
        if len(self._best) % self.budget.every and not self._rest:
            self.result.left += len(anytime)
            anytime = []
        self.result.tried += len(found) + len(anytime)
        return found + anytime

    def _asked(self, option: Option) -> bool:
        (kind, target), _ = option[1]
        budget = self.budget
        if budget.near and not target.startswith(budget.near):
            return False
        return not budget.kinds or kind in budget.kinds

    def _take(self, option: Option) -> None:
        engine, (kind, what) = self.engine, option
        self.result.transitions += 1
        if kind == "machine":
            engine.do(what)
        elif kind == "partly":
            engine.happen(what[0])
            engine.tell([what[1]])
        elif kind == "clock":
            clock.end(engine, what)
        elif kind == "act":
            acts.do(engine, what)
        elif kind == "mend":
            faults.mend(engine, what)
        else:
            faults.begin(engine, *what)
        self.watch.stepped()

    # what was found ----------------------------------------------------------------------------

    def _findings(self, key: int, f: int) -> None:
        for rule, detail in self.engine.motion.broken:
            self._say(rule, detail, key, f)
        self.engine.motion.broken.clear()

    def _say(self, rule: str, detail: str, key: int, f: int) -> None:
        if (rule, detail) in self._said:
            return
        self._said.add((rule, detail))
        self.result.findings.append(Finding(rule, detail, f, self.path(key)))
        if rule == self.budget.until:
            self._ended = True

    def path(self, key: int) -> list[Option]:
        """The steps from the start to a state."""
        steps: list[Option] = []
        while key and self._parent[key][1] is not None:
            key, by, _ = self._parent[key]
            steps.append(by)  # type: ignore[arg-type]
        return steps[::-1]

    def _described(self) -> str:
        line = self.engine.line
        units = "; ".join(f"{unit.name} {unit.state}: {unit.reason}" for unit in line.units)
        parts = [f"{p.name} {p.state} {p.back}".strip() for p in line.parts if not p.resting()
                 or p.state in ("faulted", "partial", "out_of_service")]  # fmt: skip
        alarms = [f"{alarm.tag} ({alarm.do})" for alarm in line.alarms.standing.values()]
        return f"{units}; {', '.join(parts)}; alarms: {', '.join(alarms) or 'none'}"

    def _dead_ends(self) -> None:
        """Follow the default successors: each must come to a round that ejects and inserts.

        Where the default course does not, the other acts that the line suggests are tried.
        """
        bad: list[list[int]] = []
        for start in self._next:
            trail: dict[int, int] = {}
            key = start
            while key in self._next and key not in trail and key not in self._fate:
                trail[key] = len(trail)
                key = self._next[key][0]
            if key in trail:
                ring = [k for k, at in trail.items() if at >= trail[key]]
                if not self._works(ring):
                    bad.append(ring)
                self._fate[key] = self._works(ring)
            self._fate.update(dict.fromkeys(trail, self._fate.get(key, True)))
        for ring in bad:
            if not self._rescued(ring[0]):
                rule = "fault_without_end" if self._ejects_and_inserts(ring) else "dead_end"
                detail = f"{len(ring)} steps round and round; {self._stands}"
                self._say(rule, detail, ring[0], 0)

    def _ejects_and_inserts(self, ring: list[int]) -> bool:
        labels = 0
        for key in ring:
            labels |= self._next[key][1]
        return labels == EJECTED | INSERTED

    def _works(self, ring: list[int]) -> bool:
        return self._ejects_and_inserts(ring) and not all(self._next[key][2] for key in ring)

    def _rescued(self, key: int) -> bool:
        """True if other acts than the default ones, up to three, lead out of a round."""
        engine = self.engine
        engine.load(self._start)
        for option in self.path(key):
            self._take(option)
            self._normal()
        self._stands = self._described()
        tried: set[int] = set()
        layer = [engine.save()]
        for _ in range(3):
            following: list[State] = []
            for state in layer:
                for option, at in self._forks(state):
                    engine.load(at)
                    self._take(option)
                    after = self._normal()
                    new = engine.key(after)
                    if new not in tried and len(tried) < RESCUES_MAX:
                        tried.add(new)
                        if self._runs_well(after):
                            return True
                        following.append(after)
            layer = following
        return False

    def _forks(self, state: State) -> list[tuple[Option, State]]:
        """Every act suggested in the states that follow by default, until one comes again."""
        engine, seen, found = self.engine, set(), []
        while (key := engine.key(state)) not in seen and len(seen) < ROUND_MAX:
            seen.add(key)
            engine.load(state)
            default, _ = self._options()
            found += [(option, state) for option in default[1:] if option[0] == "act"]
            engine.load(state)
            if self._default(default, key, state) is None:
                break
            state = self._last
        return found

    def _runs_well(self, state: State) -> bool:
        """True if the default course from here comes to a state known to be no dead end."""
        engine, seen = self.engine, set()
        while (key := engine.key(state)) not in seen and len(seen) < ROUND_MAX:
            if key in self._fate:
                return self._fate[key]
            seen.add(key)
            engine.load(state)
            default, _ = self._options()
            engine.load(state)
            if self._default(default, key, state) is None:
                return False
            state = self._last
        return key in seen and key in self._next and self._works(self._ring(key))

    def _ring(self, key: int) -> list[int]:
        ring = [key]
        while (key := self._next[key][0]) != ring[0]:
            ring.append(key)
        return ring

"""Every cause that acts at once, tripped in the plant's registers while all outputs are wanted:
from register to register no output takes longer than the budget computed for that pair.

The line's own rows, inputs and judging run; its stations do not, so that every output is on and
each cause is measured with all its outputs in a second. A trip in whose time this machine was
late itself (a watching thread woke late, or the scan missed a beat) says nothing of the line: it
is made again, and the tries are counted.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from linectl.field.wiring import Field, reach_in
from linectl.image import Event, Frame, Move, Value
from linectl.line.build import Gates, rows_of
from linectl.line.cause_rows import Cause
from linectl.line.causes import Causes
from linectl.line.inputs import Inputs
from linectl.registers.budget import Budget
from linectl.runtime.live import Live
from linectl.runtime.pacing import controller_clock
from linectl.site.interlocks import Condition
from linectl.site.load import load_site
from linectl.site.model import Site

pytestmark = pytest.mark.wire

SITE = load_site(Path(__file__).parents[2] / "config" / "small")
TAGS = SITE.tags
MODES = {"sowing": "production", "harvest": "production"}
TRIES_MAX = 20
WOKE_LATE_MS = 2.0
"""Half of what the budget allows the host for each exchange."""
AWAY_S = 3.0
"""By then an output is off, or the reaction is no reaction."""


class Wanting:
    """Wants every output that may be on, and resets each latch as soon as its cause has gone."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self.outputs: list[Value] = [p.safe if not p.is_bool else bool(p.safe) for p in site.points]
        self.written: list[int] = []
        self.asks: list[int] = []
        self.rows: tuple[Cause, ...] = tuple(row for row in rows_of(site) if row.priority)
        self._inputs = Inputs(site)
        self._causes = Causes(self.rows, len(site.points), dict(MODES))
        self._gates = Gates(site, [])
        self._wanted = [
            p.index for p in site.points if p.direction == "out" and p.is_bool and not p.safe
        ]

    def scan(self, frame: Frame, now: int) -> bool:
        changed = self._inputs.take(frame, now)
        self._causes.update(changed, self._inputs, now)
        for zone in ("", *SITE.file.zones):
            self._causes.reset_latches(self._inputs, zone)
        allowed = ~self._causes.blocked & self._gates.ready(self._inputs)
        self.written = []
        for index in self._wanted:
            on = bool(allowed >> index & 1)
            if self.outputs[index] is not on:
                self.outputs[index] = on
                self.written.append(index)
        return bool(self.written)

    def take_events(self) -> list[Event]:
        return []

    def take_moves(self) -> list[Move]:
        return []

    def status(self, now: int) -> dict[str, Any]:
        return {"edition": "none", "units": {}, "alarms": 0, "forced": 0, "bypassed": 0}

    def why(self, name: str, now: int) -> list[dict[str, Any]]:
        return []


class NoLedger:
    """A ledger that nobody asks for anything."""

    def put(self, moves: Sequence[Move], events: Sequence[Event]) -> None: ...

    def durable(self) -> int:
        return 0

    def fault(self) -> None: ...


class Wakeful(threading.Thread):
    """Sleeps a millisecond at a time; `late_ms` is the worst it overslept since it was asked."""

    def __init__(self) -> None:
        super().__init__(name="wakeful")
        self.late_ms = 0.0
        self.tries = 0
        self._over = threading.Event()

    def run(self) -> None:
        while not self._over.is_set():
            begun_s = time.monotonic()
            time.sleep(0.001)
            self.late_ms = max(self.late_ms, (time.monotonic() - begun_s) * 1000 - 1)

    def end(self) -> None:
        self._over.set()
        self.join()


class Trip(NamedTuple):
    """One output of one cause: what was measured, and what may be."""

    cause: str
    output: str
    took_ms: float
    worst_ms: float


def _healthy(condition: Condition) -> Value:
    if condition.is_ is not None:
        return not condition.is_
    return (condition.below or 0.0) + 100.0 if condition.below is not None else 0.0


def _tripped(condition: Condition) -> Value:
    if condition.is_ is not None:
        return condition.is_
    return condition.below - 1 if condition.below is not None else condition.above + 1  # type: ignore[operator]


class Bench:
    """The plant's registers, and when each output in them went off."""

    def __init__(self, serve: Any) -> None:
        self.served = serve(SITE)
        self.values: list[Value] = self.served.plant.values
        self.off_s: dict[int, float] = {}
        write = self.served.plant.write

        def timed(index: int, value: Value) -> None:
            if not value and self.values[index]:
                self.off_s[index] = time.monotonic()
            write(index, value)

        self.served.plant.write = timed
        for cause in SITE.interlocks.causes.values():
            for condition in cause.when:
                self._set(condition, _healthy(condition))

    def _set(self, condition: Condition, value: Value) -> None:
        point = SITE.points[TAGS[condition.point]]
        self.values[point.index] = (not value) if point.invert and point.is_bool else value

    def trip(self, name: str, outputs: list[int], eventually: Callable[..., float]) -> float:
        """Trip a cause until all its outputs are off, then let it go; when it was tripped."""
        conditions = SITE.interlocks.causes[name].when
        eventually(lambda: all(self.values[index] for index in outputs), AWAY_S)
        self.off_s.clear()
        start_s = time.monotonic()
        for condition in conditions:
            self._set(condition, _tripped(condition))
        try:
            eventually(lambda: all(index in self.off_s for index in outputs), AWAY_S)
        finally:
            for condition in conditions:
                self._set(condition, _healthy(condition))
        return start_s


def _trips(
    bench: Bench, live: Live, row: Cause, wakeful: Wakeful, eventually: Callable[..., float]
) -> list[Trip]:
    budget = Budget(SITE)
    outputs = [p for p in SITE.points if row.blocks >> p.index & 1 and not p.safe]
    inputs = [SITE.points[test.index] for test in row.tests]
    for _ in range(TRIES_MAX):
        missed, wakeful.late_ms = live.missed, 0.0
        wakeful.tries += 1
        start_s = bench.trip(row.name, [p.index for p in outputs], eventually)
        if live.missed == missed and wakeful.late_ms < WOKE_LATE_MS:
            break
    else:
        pytest.fail(f"{row.name}: this machine was late itself at each of {TRIES_MAX} trips")
    return [
        Trip(
            row.name,
            output.tag,
            (bench.off_s[output.index] - start_s) * 1000,
            max(budget.reaction(point, output).worst_ms for point in inputs) + row.on_delay_ms,
        )
        for output in outputs
    ]


def test_no_reaction_over_the_wire_takes_longer_than_computed(
    serve: Any, eventually: Callable[..., float]
) -> None:
    bench = Bench(serve)
    line = Wanting(SITE)
    statuses: list[dict[str, Any]] = []
    clock = controller_clock()
    field = Field(SITE, clock, reach_in(bench.served.endpoints, SITE))
    live = Live(SITE, line, field, NoLedger(), clock, None, statuses.append)
    stop = threading.Event()
    thread = threading.Thread(target=live.run, args=(stop,), name="scan")
    thread.start()
    wakeful = Wakeful()
    wakeful.start()
    trips: list[Trip] = []
    try:
        eventually(lambda: bool(statuses), 10)
        causes = SITE.interlocks.causes
        for place, row in enumerate(r for r in line.rows if r.name in causes and r.blocks):
            time.sleep(0.013 * (place % 8))  # at another phase of the polls each time
            trips += _trips(bench, live, row, wakeful, eventually)
    finally:
        wakeful.end()
        stop.set()
        thread.join()
    worst = max(trips, key=lambda trip: trip.took_ms / trip.worst_ms)
    shares = sorted(trip.took_ms / trip.worst_ms for trip in trips)
    print(
        f"\n{len(trips)} reactions of {len({trip.cause for trip in trips})} causes: at most"
        f" {worst.took_ms:.0f} of {worst.worst_ms:.0f} ms ({worst.cause} → {worst.output}),"
        f" median {shares[len(shares) // 2]:.0%} of the computed worst; {wakeful.tries} trips"
    )
    late = [trip for trip in trips if trip.took_ms > trip.worst_ms]
    assert not late, late
    assert len({trip.cause for trip in trips}) == sum(
        bool(row.blocks) for row in line.rows if row.name in causes
    )

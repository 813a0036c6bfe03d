"""The plant's clock, held against published results for flow lines."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from random import Random

import pytest

from linectl_sim.kernel import EARLY, LATE, Kernel, cancel, whole_ms


def test_equal_times_go_by_priority_then_by_order_of_asking() -> None:
    kernel, seen = Kernel(), []
    for name, priority in (("late", LATE), ("a", 1), ("b", 1), ("early", EARLY)):
        kernel.at(5, lambda name=name: seen.append(name), priority)
    kernel.run(5)
    assert seen == ["early", "a", "b", "late"]


def test_what_an_instant_causes_at_once_belongs_to_it() -> None:
    kernel, seen = Kernel(), []
    kernel.at(5, lambda: kernel.after(0, lambda: seen.append(kernel.now)))
    assert kernel.instant(5)
    assert seen == [5]


def test_a_cancelled_entry_does_not_happen_and_stops_nobody() -> None:
    kernel = Kernel()
    cancel(kernel.at(5, lambda: pytest.fail("cancelled")))
    assert not kernel.instant(100)
    assert kernel.now == 0


def test_the_past_is_now() -> None:
    kernel, seen = Kernel(), []
    kernel.run(100)
    kernel.at(3, lambda: seen.append(kernel.now))
    kernel.run(100)
    assert seen == [100]


def test_a_process_waits_what_it_yields() -> None:
    kernel, seen = Kernel(), []

    def steps():
        for wait in (10, 0, 5):
            seen.append(kernel.now)
            yield wait
        seen.append(kernel.now)

    kernel.process(steps())
    kernel.run(100)
    assert seen == [0, 10, 10, 15]


@pytest.mark.parametrize(("exact", "whole"), [(3.0, 3), (3.0000001, 3), (3.1, 4), (2.9999999, 3)])
def test_times_are_rounded_up_but_not_for_dust(exact: float, whole: int) -> None:
    assert whole_ms(exact) == whole


class Station:
    """Works on one job; a finished job stays (blocking after service) until the next is free."""

    def __init__(self, kernel: Kernel, time: Callable[[int], int]) -> None:
        self.kernel, self.time = kernel, time
        self.before: Station | None = None
        self.after: Station | None = None
        self.job: int | None = None
        self.finished = False
        self.done: list[int] = []
        """Times at which jobs left (kept by the last station)."""
        self.supply = 0
        """Jobs that the first station may still begin."""

    def start(self, job: int) -> None:
        self.job, self.finished = job, False
        self.kernel.after(self.time(job), self.finish)

    def finish(self) -> None:
        self.finished = True
        self.pass_on()

    def pass_on(self) -> None:
        """Give the finished job away if its next place is free; then take the next job."""
        if self.job is None or not self.finished:
            return
        if self.after is None:
            self.done.append(self.kernel.now)
        elif self.after.job is None:
            self.after.start(self.job)
        else:
            return
        job, self.job = self.job, None
        if self.before is not None:
            self.before.pass_on()
        elif job + 1 < self.supply:
            self.start(job + 1)


def line(kernel: Kernel, times: list[Callable[[int], int]], jobs: int) -> Station:
    """Stations in series without buffers, saturated by `jobs` jobs; returns the last."""
    stations = [Station(kernel, time) for time in times]
    for before, after in pairwise(stations):
        before.after, after.before = after, before
    stations[0].supply = jobs
    stations[0].start(0)
    return stations[-1]


@pytest.mark.parametrize(
    ("stations", "throughput"), [(2, 2 / 3), (3, 22 / 39), (4, 0.5148), (5, 0.4858)]
)
def test_exponential_stations_without_buffers(stations: int, throughput: float) -> None:
    """Published: Hillier & Boling, Operations Research 15 (1967): blocking after service, no
    buffers, saturated, unit rates: 2/3, 22/39, 0.5148, 0.4858 jobs per mean service time.

    40,000 jobs in ten batches; the published value must lie within three standard errors."""
    mean_ms = 100_000
    random = Random(1967 + stations)
    kernel = Kernel()
    draw = lambda _: round(random.expovariate(1 / mean_ms))  # noqa: E731
    last = line(kernel, [draw] * stations, 40_000)
    while kernel.instant(10**13):
        pass
    size = 3_900
    starts = range(1_000, 40_000, size)
    rates = [
        size * mean_ms / (last.done[start + size - 1] - last.done[start - 1]) for start in starts
    ]
    mean = sum(rates) / len(rates)
    variance = sum((rate - mean) ** 2 for rate in rates) / (len(rates) - 1)
    error = (variance / len(rates)) ** 0.5
    assert error < 0.004
    assert abs(mean - throughput) < 3 * error


@pytest.mark.parametrize("times", [[7, 20, 3, 11], [5, 5], [30, 1, 1], [1, 2, 3, 4, 5, 6]])
def test_the_deterministic_makespan(times: list[int]) -> None:
    """Computed exactly: identical jobs on a flow line take Σt + (n−1)·max t, whatever buffers."""
    kernel = Kernel()
    jobs = 25
    last = line(kernel, [lambda _, t=t: t for t in times], jobs)
    while kernel.instant(10**9):
        pass
    assert len(last.done) == jobs
    assert last.done[-1] == sum(times) + (jobs - 1) * max(times)

"""A second opinion on every scan: the matrix read anew, and what the units' rights are.

Nothing here asks the line which cause is active. Conditions are judged from the frames, effects
are read from the site's matrix, and what moves something is what the IO list cuts by hardware.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from typing import Any

import pytest

from linectl.image import Frame, Value
from linectl.registers.budget import Budget
from linectl.site.hardware import Point
from linectl.site.interlocks import Cause, Condition
from linectl.site.model import Site
from linectl_sim.kernel import LATE

UNITS = ("sowing", "harvest")
WARNED = ("Starting", "Unholding", "Unsuspending")
INERT = (
    "Stopped", "Idle", "Held", "Suspended", "Aborted", "Complete", "Clearing", "Resetting",
    "Aborting",
)  # fmt: skip
LADDER = (
    ("Aborted", "clear", ("Clearing", "Stopped")),
    ("Stopped", "reset", ("Resetting", "Idle")),
    ("Complete", "reset", ("Resetting", "Idle")),
    ("Idle", "start", ("Starting",)),
    ("Held", "unhold", ("Unholding",)),
    ("Suspended", "unsuspend", ("Unsuspending",)),
)
"""The only ways up: from, the person's command, to. All else that leaves a standing state goes
down. ANSI/ISA-TR88.00.02-2015, matrix as encoded in a published ontology."""
DOWN = ("Holding", "Held", "Stopping", "Stopped", "Aborting", "Aborted")
STAND_MS = 60
"""Allowed on top of a drive's own ramp until it stands."""


# the matrix, read anew ----------------------------------------------------------------------------


def moving_outputs(site: Site) -> dict[int, Point]:
    """What the IO list cuts by hardware and what is off when safe: that moves something."""
    return {
        point.index: point
        for point in site.points
        if point.direction == "out" and point.is_bool and point.cut_by and not point.safe
    }


@dataclass(frozen=True)
class Row:
    """One at-once cause and the outputs that it keeps off."""

    name: str
    facts: Cause
    points: tuple[Point, ...]
    outputs: frozenset[int]
    units: frozenset[str]
    """Units that it stops, or whose zone or a shared zone it stops."""
    actions: frozenset[tuple[str, str]]
    """(unit, abort or hold or suspend)."""
    zone: str


def read_matrix(site: Site) -> tuple[Row, ...]:
    """The at-once causes of the site, as its interlocks.yaml says them."""
    moving = moving_outputs(site)
    rows = []
    for name, cause in site.interlocks.causes.items():
        if cause.moment != "at_once":
            continue
        assert cause.vote is None and len(cause.when) == 1 and not cause.modes, "read it anew"
        assert not any(test.hysteresis for test in cause.when), "read it anew"
        outputs: set[int] = set()
        units: set[str] = set()
        actions: set[tuple[str, str]] = set()
        for cell in site.interlocks.cells(name):
            if cell.kind == "permissive":
                continue
            effect = site.interlocks.effects[cell.effect]
            for index, point in moving.items():
                if point.zone == effect.zone or any(
                    fnmatchcase(point.tag, pattern) for pattern in effect.outputs
                ):
                    outputs.add(index)
                    units.update(_units_of(site, point.zone))
            if effect.unit and effect.action:
                units.add(effect.unit)
                actions.add((effect.unit, effect.action))
        points = tuple(site.points[site.index(test.point)] for test in cause.when)
        zone = points[0].zone or ""
        row = Row(
            name, cause, points, frozenset(outputs), frozenset(units), frozenset(actions), zone
        )
        rows.append(row)
    return tuple(rows)


def _units_of(site: Site, zone: str | None) -> tuple[str, ...]:
    unit = site.file.zones[zone].unit if zone else None
    return (unit,) if unit else UNITS


def holds(condition: Condition, value: Value) -> bool:
    """The comparison, on a good value."""
    if condition.is_ is not None:
        return bool(value) == condition.is_
    low, high = condition.below, condition.above
    return (low is None or value < low) and (high is None or value > high)


# every scan -------------------------------------------------------------------------------------


@dataclass
class Seen:
    """What was covered, over all examples."""

    tripped_while_on: dict[str, int] = field(default_factory=dict)
    executing: int = 0
    """Examples in which both units reached Execute."""
    restarts: dict[str, int] = field(default_factory=dict)
    by_itself: int = 0
    held_after_suspended: int = 0
    scans: int = 0
    reactions: int = 0
    worst_share: float = 0.0
    """Greatest measured reaction as a share of the computed worst case."""
    excused: int = 0
    run_downs: int = 0


class Book:
    """A row's state in this judge's own book."""

    __slots__ = ("latched", "live", "present", "since")

    def __init__(self) -> None:
        self.present = self.live = True
        self.latched = False
        self.since = -(1 << 60)


class Judge:
    """Looks at the line after every scan. `forbidden` has a bit for every output that must be off.

    `clock` in ms is the line's own; nothing else of the line is believed but its outputs and the
    states of its units.
    """

    def __init__(self, line: Any, site: Site, seen: Seen) -> None:
        self.line, self.site, self.seen = line, site, seen
        self.rows = read_matrix(site)
        self._moving = moving_outputs(site)
        self._index = site.tags
        self._masks = [sum(1 << index for index in row.outputs) for row in self.rows]
        self._book = [Book() for _ in self.rows]
        self._of_point: dict[int, list[int]] = {}
        for number, row in enumerate(self.rows):
            for point in row.points:
                self._of_point.setdefault(point.index, []).append(number)
        self.good = [False] * len(site.points)
        self.value: list[Value] = [False] * len(site.points)
        self._buttons = {site.index(f"{z}.interlock_reset"): z for z in site.file.zones}
        self._open_buttons: set[int] = set()
        """Seen open while it could be read: only from there can it be pressed."""
        self._zones = {
            zone: sum(1 << i for i, p in self._moving.items() if p.zone == zone)
            for zone in site.file.zones
        }
        self._bits = self._on = 0
        self._outputs: list[Value] = []
        self._waiting: set[int] = set()
        """Rows whose delay runs."""
        self.forbidden = 0
        self.states = dict.fromkeys(UNITS, "Stopped")
        self.may = dict.fromkeys(UNITS, False)
        self._proven: dict[str, int | None] = dict.fromkeys(UNITS)
        self._suspended_at = dict.fromkeys(UNITS, 0)
        self._disturbed = dict.fromkeys(UNITS, "")
        self._scan = line.scan
        line.scan = self.scan

    def scan(self, frame: Frame, now: int) -> bool:
        """The line's scan, and a look at what it did."""
        changed: bool = self._scan(frame, now)
        self.seen.scans += 1
        touched = {index for index, _ in (*frame.values, *frame.quality)}
        self._take(frame)
        self._judge(touched, now)
        self._resets(touched, frame)
        self._add_up()
        if self.line.outputs != self._outputs:
            self._outputs = list(self.line.outputs)
            self._on = sum(1 << index for index in self._moving if self._outputs[index])
        bits = self._on
        wrong = bits & self.forbidden
        assert not wrong, f"{self._tags(wrong)} on, forbidden by {self._forbidders(wrong)}"
        self._rights(bits, frame, now)
        self._bits = bits
        return changed

    def _add_up(self) -> None:
        self.forbidden = 0
        for mask, book in zip(self._masks, self._book, strict=True):
            if book.live or book.latched:
                self.forbidden |= mask

    def active(self) -> set[str]:
        """Names of the causes that stop something now, latches counted."""
        both = zip(self.rows, self._book, strict=True)
        return {row.name for row, book in both if book.live or book.latched}

    def is_on(self, tag: str) -> bool:
        """True if the input can be read and is on."""
        index = self._index[tag]
        point = self.site.points[index]
        return self.good[index] and bool(self.value[index]) is not point.invert

    def is_off(self, tag: str) -> bool:
        """True if the input can be read and is off."""
        return self.good[self._index[tag]] and not self.is_on(tag)

    # causes ------------------------------------------------------------------------------------

    def _take(self, frame: Frame) -> None:
        for index, good in frame.quality:
            self.good[index] = good
            if not good:
                self._open_buttons.discard(index)
                for unit in _units_of(self.site, self.site.points[index].zone):
                    self._disturbed[unit] = f"{self.site.points[index].tag} bad"
        for index, value in frame.values:
            self.value[index] = value

    def _judge(self, touched: set[int], now: int) -> None:
        numbers = {number for index in touched for number in self._of_point.get(index, ())}
        for number in sorted(numbers | self._waiting):
            row, book = self.rows[number], self._book[number]
            was = book.live or book.latched
            came = not book.present
            readable = all(self.good[point.index] for point in row.points)
            book.present = not readable or all(
                holds(test, self._conditioned(point))
                for test, point in zip(row.facts.when, row.points, strict=True)
            )
            if book.present and came:
                book.since = now
            book.live = book.present and now >= book.since + row.facts.on_delay_ms
            (self._waiting.add if book.present and not book.live else self._waiting.discard)(number)
            if book.live and readable and row.facts.reset != "automatic":
                book.latched = True
            if not was and book.live:
                for unit in row.units:
                    self._disturbed[unit] = row.name
                if self._bits & self._masks[number]:
                    tripped = self.seen.tripped_while_on
                    tripped[row.name] = tripped.get(row.name, 0) + 1

    def _conditioned(self, point: Point) -> Value:
        value = self.value[point.index]
        return bool(value) is not point.invert if point.is_bool else value

    def _resets(self, touched: set[int], frame: Frame) -> None:
        for index, zone in self._buttons.items():
            if index not in touched:
                continue
            tag = f"{zone}.interlock_reset"
            if self.is_off(tag):
                self._open_buttons.add(index)
            elif self.is_on(tag) and index in self._open_buttons:
                self._open_buttons.discard(index)
                self._let_go(zone)
        if any(command.name == "interlock-reset" for command in frame.commands) and all(
            self.is_on(f"{zone}.remote_selected") for zone in self.site.file.zones
        ):
            self._let_go("")

    def _let_go(self, zone: str) -> None:
        for row, book in zip(self.rows, self._book, strict=True):
            if not book.live and (row.facts.reset == "interlock" or row.zone == zone):
                book.latched = False

    # rights ------------------------------------------------------------------------------------

    def _rights(self, bits: int, frame: Frame, now: int) -> None:
        for unit in self.line.units:
            self._right(unit.name, unit.state, frame, now)
        for zone, mask in self._zones.items():
            units = _units_of(self.site, zone)
            on = bits & mask
            assert not on or any(self.may[u] for u in units), (
                f"{self._tags(on)} on, though {self.states}"
            )

    def _right(self, unit: str, state: str, frame: Frame, now: int) -> None:
        was, self.states[unit] = self.states[unit], state
        told = {command.name for command in frame.commands if command.unit == unit}
        if state != was:
            self._change(unit, was, state, told, now)
        sounds = (was in WARNED or state in WARNED) and all(
            self.is_on(f"{unit}.{sign}") for sign in ("horn_on", "beacon_on")
        )
        if was in WARNED and sounds:
            since = self._proven[unit]
            if since is not None and now >= since + self.site.file.limits.start_warning_ms:
                self.may[unit] = True
        if state in INERT or (state in WARNED and state != was):
            self.may[unit] = False
            self._proven[unit] = None
        if state in WARNED and sounds:
            if self._proven[unit] is None:
                self._proven[unit] = now
        else:
            self._proven[unit] = None
        assert state != "Execute" or self.may[unit], f"{unit} in Execute without a start warning"

    def _change(self, unit: str, was: str, state: str, told: set[str], now: int) -> None:
        if was in INERT and was != "Aborting" and state not in DOWN:
            needs = set(way_up(was, state))
            self._nothing_against(unit, needs)
            missing = needs - told
            if missing == {"unsuspend"}:
                self._by_itself(unit, now)
            else:
                assert not missing, f"{unit} {was} → {state} without {' and '.join(missing)}"
        if was == "Aborted" and state == "Stopped":
            assert "clear" in told, f"{unit} Aborted → Stopped without clear"
        if state in WARNED:
            self.seen.restarts[state] = self.seen.restarts.get(state, 0) + 1
        if state == "Suspended":
            self._suspended_at[unit], self._disturbed[unit] = now, ""
        if was == "Suspended" and state in ("Holding", "Held"):
            self.seen.held_after_suspended += 1

    def _nothing_against(self, unit: str, steps: set[str]) -> None:
        """No way up while a cause stops the unit; clear goes while it is only held."""
        stops = {"abort"} if steps == {"clear"} else {"abort", "hold", "suspend"}
        for row, book in zip(self.rows, self._book, strict=True):
            if (book.live or book.latched) and any((unit, stop) in row.actions for stop in stops):
                raise AssertionError(f"{unit}: {' and '.join(steps)} in spite of {row.name}")

    def _by_itself(self, unit: str, now: int) -> None:
        stood_ms = now - self._suspended_at[unit]
        limit_ms = self.site.file.limits.auto_resume.limit_ms
        assert stood_ms <= limit_ms, f"{unit} starts by itself after {stood_ms} ms"
        since = self._disturbed[unit]
        assert not since, f"{unit} starts by itself after {since}"
        self.seen.by_itself += 1

    # words -------------------------------------------------------------------------------------

    def _tags(self, bits: int) -> str:
        return ", ".join(point.tag for i, point in self._moving.items() if bits >> i & 1)

    def _forbidders(self, bits: int) -> str:
        both = zip(self.rows, self._book, strict=True)
        return ", ".join(
            row.name
            for row, book in both
            if (book.live or book.latched) and any(bits >> i & 1 for i in row.outputs)
        )


def way_up(was: str, state: str) -> Iterator[str]:
    """The commands that lead from a standing state up to another, in order."""
    at = was
    while True:
        step = next((row for row in LADDER if row[0] == at), None)
        assert step is not None, f"no way up from {was} to {state}"
        yield step[1]
        if state in step[2]:
            return
        at = step[2][-1]


# at the plant's devices -------------------------------------------------------------------------


class Episode:
    """One cause, true in the plant from `start` until `over`."""

    def __init__(self, row: Row, start: int) -> None:
        self.row, self.start, self.over = row, start, False


class DeviceWatch:
    """Outputs at the devices and drives that turn, against the truth in the plant and the budget.

    A device that does not answer can be told nothing: what depends on one gets until its own
    watchdog, or the line's notice of its silence, has had its time.
    """

    def __init__(self, plant: Any, site: Site, budget: Budget, seen: Seen) -> None:
        self.site, self.seen, self._budget = site, seen, budget
        self._kernel, self._points = plant.world.kernel, plant.world.points
        self._outputs = plant.world.outputs
        self.wrong: list[str] = []
        self._episodes: dict[str, Episode] = {}
        self._held: dict[int, list[Episode]] = {}
        self._silences: dict[str, list[tuple[int, int]]] = {}
        moving = moving_outputs(site)
        for row in read_matrix(site):
            for point in row.points:
                self._points.watch(point.index, self._truth_changed(row))
        for index in moving:
            self._chain(index)

    def silenced(self, device: str, for_ms: int) -> None:
        """A device was silenced, for so long at most."""
        now = self._kernel.now
        self._silences.setdefault(device, []).append((now, now + for_ms))

    def _chain(self, index: int) -> None:
        before: Callable[[Value], object] | None = self._outputs.watchers[index]

        def written(value: Value) -> None:
            if before is not None:
                before(value)
            self._written(index, bool(value))

        self._outputs.watchers[index] = written

    def _truth_changed(self, row: Row) -> Callable[[Value], None]:
        def changed(_: Value) -> None:
            present = all(
                holds(test, self._points.truth[point.index])
                for test, point in zip(row.facts.when, row.points, strict=True)
            )
            if present and row.name not in self._episodes:
                self._begin(Episode(row, self._kernel.now))
            elif not present and row.name in self._episodes:
                self._episodes.pop(row.name).over = True

        return changed

    def _begin(self, episode: Episode) -> None:
        self._episodes[episode.row.name] = episode
        for index in episode.row.outputs:
            wait_ms = self._worst_ms(episode.row, index)
            self._kernel.after(wait_ms, self._check(episode, index), LATE)

    def _worst_ms(self, row: Row, index: int) -> int:
        output = self.site.points[index]
        worst = max(self._budget.reaction(point, output).worst_ms for point in row.points)
        return math.ceil(worst) + row.facts.on_delay_ms

    def _check(self, episode: Episode, index: int) -> Callable[[], None]:
        def check() -> None:
            if episode.over:
                return
            if more_ms := self._excuse_ms(episode, index):
                self.seen.excused += 1
                self._kernel.after(more_ms, check, LATE)
                return
            if self._outputs.on[index]:
                self._say(episode, index, "is still on")
            self._held.setdefault(index, []).append(episode)
            self._stand(episode, index)

        return check

    def _excuse_ms(self, episode: Episode, index: int) -> int:
        """How much longer, because a device concerned did not answer; 0 for no excuse."""
        worst_ms = self._worst_ms(episode.row, index)
        latest = episode.start + worst_ms
        for point in (*episode.row.points, self.site.points[index]):
            facts = self.site.file.devices[point.device]
            notice_ms = max(facts.watchdog_ms or 0, facts.silent_after_ms)
            for start, end in self._silences.get(point.device, ()):
                if start <= latest and end >= episode.start:
                    latest = max(latest, min(end, start + notice_ms) + worst_ms)
        return max(0, latest - self._kernel.now)

    def _stand(self, episode: Episode, index: int) -> None:
        part, _, role = self.site.points[index].tag.rpartition(".")
        running = self._points.by_tag.get(f"{part}.running")
        station = self.site.file.stations.get(part)
        ramp_ms = getattr(station, "ramp_ms", None)
        if role != "run" or running is None or ramp_ms is None:
            return

        def look() -> None:
            if not episode.over:
                self.seen.run_downs += 1
                if self._points.truth[running]:
                    self._say(episode, index, "still turns what it drives")

        self._kernel.after(ramp_ms + STAND_MS, look, LATE)

    def _written(self, index: int, on: bool) -> None:
        held = [episode for episode in self._held.get(index, ()) if not episode.over]
        self._held[index] = held
        if on and held:
            self._say(held[0], index, "comes on")
        if on:
            return
        for episode in self._episodes.values():
            if index in episode.row.outputs and episode not in held:
                share = (self._kernel.now - episode.start) / self._worst_ms(episode.row, index)
                if share <= 1:
                    self.seen.reactions += 1
                    self.seen.worst_share = max(self.seen.worst_share, share)

    def _say(self, episode: Episode, index: int, what: str) -> None:
        after_ms = self._kernel.now - episode.start
        self.wrong.append(
            f"{self.site.points[index].tag} {what} {after_ms} ms after {episode.row.name}"
        )


@pytest.fixture(scope="session")
def judge() -> type[Judge]:
    return Judge


@pytest.fixture(scope="session")
def device_watch() -> type[DeviceWatch]:
    return DeviceWatch


@pytest.fixture(scope="session")
def seen() -> type[Seen]:
    return Seen

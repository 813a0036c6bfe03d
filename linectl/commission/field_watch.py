"""Watches a running controller while a person trips a device: what moved, when, what went off.

Read-only: it asks `points` and `status` and nothing else. Times are the controller's own
milliseconds, ± one scan; what is a number (a level, a pressure) is seen at each look only.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from linectl.commission.controller import Change, Look, Watched
from linectl.commission.person import Reading
from linectl.errors import LinectlError
from linectl.field.outputs import safe_value
from linectl.line.cause_rows import Cause, Test
from linectl.site.hardware import Point
from linectl.site.model import Site

SETTLE_MS = 2000
"""After the trip, and after the device is put back: so long is looked at what follows."""
INSTEAD_MS = 3000
"""Another device has moved and this one has not for so long: it moved instead."""
NOT_YET = -1
"""An output that was on at the trip and has not gone off."""


@dataclass
class Trip:
    """What was seen of one trip."""

    scan_ms: int
    moved: list[Change] = field(default_factory=list)
    """The cause's own points, each as it first came to its tripped side."""
    missing: tuple[str, ...] = ()
    """Points of the cause that never came to it."""
    trip_ms: int | None = None
    """When enough of them held; None if they never did."""
    ended_ms: int = 0
    """The controller's clock at the last look of the trip."""
    others: list[Change] = field(default_factory=list)
    """Interlock inputs of other causes that went to their tripped side meanwhile."""
    off: dict[str, int] = field(default_factory=dict)
    """Output that was on at the trip → ms until it was at its safe value."""
    still_on: tuple[str, ...] = ()
    """Outputs that the cause switches off, and that it did not."""
    announced: bool = False
    units: dict[str, tuple[str, str]] = field(default_factory=dict)
    """Unit → its state before and after."""
    lost: bool = False
    """The controller had more changes than it keeps: times may be missing."""
    back_ms: int | None = None
    """When the cause was gone again; None while it is not."""
    restarted: tuple[str, ...] = ()
    """Latched outputs that came on by themselves when it was gone."""


class Watch:
    """One cause under test."""

    def __init__(
        self, site: Site, row: Cause, others: Sequence[Cause], controller: Watched,
        pause: Callable[[], None],
    ) -> None:  # fmt: skip
        """others: every row whose devices might be wired where this one should be."""
        self._site, self._row = site, row
        self._controller, self._pause = controller, pause
        self._tests = [(site.points[test.index].tag, test) for test in row.tests]
        self._foreign: dict[str, list[Test]] = {}
        for other in others:
            if other.silence == row.silence and not other.together_ms:
                for test in other.tests:
                    self._foreign.setdefault(site.points[test.index].tag, []).append(test)
        self._safe = {p.tag: safe_value(p) for p in site.points if _switched(p)}
        self._points: dict[str, Reading] = {}
        self._number = -1
        self._now_ms = 0

    def begin(self) -> str | None:
        """Look once, before the person acts; why the test cannot begin, None if it can.

        Raises LinectlError if the controller runs with other files than the site has now.
        """
        look = self._controller.look(-1)
        if look.site_digest != self._site.digest:
            raise LinectlError(
                f"the controller runs with other files ({look.site_digest[:12]}) than stand in"
                f" {self._site.folder} ({self._site.digest[:12]}); start it again, then test"
            )
        self._take(look)
        self._before = self._controller.standing()
        if self._row.name in self._before.causes:
            return "it stands already, or waits for its reset"
        if self._row.name in self._before.bypassed:
            return "it is bypassed; end the bypass first"
        if forced := self._before.forced & {tag for tag, _ in self._tests}:
            return f"{', '.join(sorted(forced))} is forced; release it first"
        modes = {self._before.modes.get(unit, "") for unit in self._row.units}
        if self._row.modes and not modes & self._row.modes:
            return f"it acts only in mode {', '.join(sorted(self._row.modes))}"
        if not self._row.silence:
            bad = [tag for tag, _ in self._tests if self._points[tag] is None]
            if bad:
                return f"no good reading of {', '.join(bad)}"
        held = [tag for tag, test in self._tests if self._holds(test, self._points[tag])]
        if held and not self._row.together_ms:
            return f"{', '.join(held)} is on its tripped side already"
        return None

    def trip(self, wait_ms: int, give_up: Callable[[], bool]) -> Trip:
        """Wait for the person's act, then for what follows. `give_up`: the person has enough."""
        trip = Trip(scan_ms=self._look_once().scan_ms)
        end_ms = self._now_ms + wait_ms
        while not self._done(trip) and self._now_ms < end_ms and not give_up():
            self._pause()
            self._follow(trip)
            instead = trip.others and not trip.moved
            if instead and self._now_ms - trip.others[0].at_ms > INSTEAD_MS:
                break
        seen = {change.tag for change in trip.moved}
        trip.missing = tuple(dict.fromkeys(tag for tag, _ in self._tests if tag not in seen))
        if trip.trip_ms is not None:
            self._settle(trip)
        trip.ended_ms = self._now_ms
        return trip

    def back(self, trip: Trip, wait_ms: int, give_up: Callable[[], bool]) -> None:
        """Wait until the device is put back, and see that nothing starts by itself."""
        end_ms = self._now_ms + wait_ms
        started: dict[str, None] = {}
        latched = self._tags_of(self._row.latches)
        gone_ms: int | None = None
        while self._now_ms < end_ms and not give_up():
            self._pause()
            for change in self._look_once().changes:
                if change.tag in latched and change.value != self._safe.get(change.tag):
                    started[change.tag] = None
            if self._enough(self._points):
                gone_ms = None
            elif gone_ms is None:
                gone_ms = self._now_ms
            elif self._now_ms - gone_ms >= SETTLE_MS:
                trip.back_ms = gone_ms
                break
        trip.restarted = tuple(started)

    # following ---------------------------------------------------------------------------------

    def _follow(self, trip: Trip) -> None:
        """One look: own points, foreign points, the moment at which enough hold."""
        before = dict(self._points)
        look = self._look_once()
        trip.lost = trip.lost or look.lost
        points = dict(before)
        for change in look.changes:
            points[change.tag] = change.value
            self._judge(trip, change)
            if trip.trip_ms is None and self._enough(points):
                self._tripped(trip, change.at_ms, points)
            self._note_off(trip, change)
        for tag, _ in self._tests:  # numbers have no changes: they are seen now
            self._judge(trip, Change(look.number, look.now_ms, tag, look.points[tag]))
        if trip.trip_ms is None and self._enough(look.points):
            # Between two looks: what went off meanwhile went off with it, as far as one can see.
            self._tripped(trip, look.now_ms, before)
            for change in look.changes:
                self._note_off(trip, change._replace(at_ms=look.now_ms))

    def _judge(self, trip: Trip, change: Change) -> None:
        """Is it one of the cause's points, or another's, on its tripped side?"""
        own = [test for tag, test in self._tests if tag == change.tag]
        tests, known = own, trip.moved
        if not own:
            tests, known = self._foreign.get(change.tag, []), trip.others
        tripped = any(self._holds(test, change.value) for test in tests)
        if tripped and all(earlier.tag != change.tag for earlier in known):
            known.append(change)

    def _tripped(self, trip: Trip, at_ms: int, points: Mapping[str, Reading]) -> None:
        trip.trip_ms = at_ms
        on = (tag for tag, safe in self._safe.items() if points[tag] != safe)
        trip.off = dict.fromkeys(on, NOT_YET)

    def _note_off(self, trip: Trip, change: Change) -> None:
        waits = trip.trip_ms is not None and trip.off.get(change.tag) == NOT_YET
        if waits and change.value == self._safe[change.tag]:
            trip.off[change.tag] = change.at_ms - (trip.trip_ms or 0)

    def _done(self, trip: Trip) -> bool:
        """Enough hold, and each of them has been seen: of 2 of 3 the third wants its test too."""
        seen = {change.tag for change in trip.moved}
        return trip.trip_ms is not None and all(tag in seen for tag, _ in self._tests)

    def _settle(self, trip: Trip) -> None:
        """Look on until all that should follow must have followed."""
        assert trip.trip_ms is not None
        points = [self._site.points[test.index] for test in self._row.tests]
        delay_ms = self._row.on_delay_ms + max(max(p.on_delay_ms, p.off_delay_ms) for p in points)
        while self._now_ms < trip.trip_ms + delay_ms + SETTLE_MS:
            self._pause()
            self._follow(trip)
        after = self._controller.standing()
        trip.announced = self._row.name in after.causes
        trip.units = {
            name: (state, after.units.get(name, "gone"))
            for name, state in self._before.units.items()
        }
        blocked = self._tags_of(self._row.blocks)
        trip.off = {tag: ms for tag, ms in trip.off.items() if ms != NOT_YET}
        trip.still_on = tuple(
            tag for tag in blocked if tag in self._safe and self._points[tag] != self._safe[tag]
        )

    def _look_once(self) -> Look:
        look = self._controller.look(self._number)
        self._take(look)
        return look

    def _take(self, look: Look) -> None:
        self._points, self._number, self._now_ms = dict(look.points), look.number, look.now_ms

    # conditions --------------------------------------------------------------------------------

    def _enough(self, points: Mapping[str, Reading]) -> bool:
        held = sum(self._holds(test, points[tag]) for tag, test in self._tests)
        return held >= self._row.needed

    def _holds(self, test: Test, value: Reading) -> bool:
        """The comparison on a good reading; a row of silence holds on none.

        A bad reading stops the line too, but it is not this device that was tripped.
        """
        if test.level is None and test.low is None and test.high is None:
            return value is None
        if value is None:
            return False
        if test.level is not None:
            return bool(value) == test.level
        return (test.low is None or value < test.low) and (test.high is None or value > test.high)

    def _tags_of(self, bits: int) -> tuple[str, ...]:
        return tuple(point.tag for point in self._site.points if bits >> point.index & 1)


def _switched(point: Point) -> bool:
    return point.direction == "out" and point.is_bool

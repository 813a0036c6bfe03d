"""The ledger's own thread: the scan hands rows over and never waits on the disk.

One transaction for each hand-over of a scan; only what came while the disk was busy goes together.
Gathering longer would save the disk work and let every move wait for it. What one costs: one
fdatasync (counted: 220 for 220 transactions), and for one word some 16 kB appended to the log
(3.8 pages; a ledger of 500 gutters). That fits an SD card, which takes appended pages better
than scattered ones: the pages themselves are written back once a thousand of them are in the log.
How long it takes is the card's affair, up to `limits.ledger_ack`; beyond that the line holds.
FULL and not NORMAL: NORMAL does not synchronise the log at a commit, so that a power cut could
take back what was acknowledged (sqlite.org/pragma.html#pragma_synchronous).
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Sequence

from linectl.errors import LinectlError
from linectl.image import Event, Move
from linectl.ledger.record import Ledger
from linectl.ledger.trips import TripRow

EVENTS_MAX = 20_000
"""Rows waiting for the disk beyond which events are dropped and counted: some hours' worth."""
MOVES_MAX = 5_000
"""Moves waiting beyond which the record is given up; the line stops far earlier, unacknowledged."""
TRIPS_MAX = 50
"""Trips waiting for the disk beyond which newer ones are left out and counted."""
NEVER_DROPPED = frozenset(
    ("lot", "weight", "gutter_weight", "answer", "bypass", "force", "override", "lane_set",
     "crop_set", "order", "day_list", "changeover", "first_gutter", "blend")
)  # fmt: skip
"""What people have said and set: few rows, and without them a later gutter gets a wrong lot, or a
later start a lane that nobody locked."""
RETRY_S = 1.0
"""Pause before a failed transaction is tried again."""


class LedgerWriter:
    """Commits what the scan hands over, in order; acknowledges through `durable()`.

    `put` and `keep_trip` are for one thread, the scan's; they append and return. `durable`,
    `fault`, `lost_events` and `lost_trips` may be read from any thread. While the disk fails, the
    writer keeps its rows and tries again; `durable()` stands still meanwhile: the line waits.
    """

    def __init__(self, ledger: Ledger, retry_s: float = RETRY_S) -> None:
        self._ledger = ledger
        self._retry_s = retry_s
        self._queue: deque[tuple[Sequence[Move], Sequence[Event]]] = deque()
        self._trips: deque[TripRow] = deque()
        self._wake = threading.Event()
        self._stop = threading.Event()
        self._fault: str | None = None
        self._given_up = False
        self._put_moves = self._put_events = 0  # written by the scan's thread only
        self._took_moves = self._took_events = 0  # written by the writer's thread only
        self._unsaid = 0
        """Events left out of which the record does not say so yet."""
        self.lost_events = 0
        self.lost_trips = 0
        self._thread = threading.Thread(target=self._run, name="ledger", daemon=True)
        self._thread.start()

    def put(self, moves: Sequence[Move], events: Sequence[Event]) -> None:
        """Hand over one scan's rows; never blocks. What the limits refuse shows in `fault()`."""
        if self._given_up or not (moves or events):
            return
        if self._put_moves - self._took_moves + len(moves) > MOVES_MAX:
            # A move left out would make every later acknowledgement a lie: stop here for good.
            self._given_up = True
            return
        if self._put_events - self._took_events + len(events) > EVENTS_MAX:
            kept = [event for event in events if event.kind in NEVER_DROPPED]
            self._unsaid += len(events) - len(kept)
            self.lost_events += len(events) - len(kept)
            events = kept
        elif self._unsaid and events:
            events = [self._gap(events[0].at), *events]
        self._put_moves += len(moves)
        self._put_events += len(events)
        self._queue.append((moves, events))
        self._wake.set()

    def _gap(self, at: int) -> Event:
        """The record says itself where it has less than was told."""
        lost, self._unsaid = self._unsaid, 0
        text = f"{lost} events are left out here: the disk took nothing for too long"
        return Event(at, "note", "ledger", text, {"lost": lost})

    def keep_trip(self, row: TripRow) -> None:
        """Hand over a trip's record, to be on disk as soon as may be; never blocks."""
        if len(self._trips) >= TRIPS_MAX:
            self.lost_trips += 1
            return
        self._trips.append(row)
        self._wake.set()

    def durable(self) -> int:
        """So many words of this boot (moves intended, moves done) are on disk."""
        return self._took_moves

    def fault(self) -> str | None:
        """Why nothing is recorded at present, for people; None while all is well."""
        if self._given_up:
            return (
                f"ledger {self._ledger.path}: more than {MOVES_MAX} moves wait for the disk;"
                " recording has ended, the line waits. Mend the disk, start the controller again."
            )
        if self._fault is None and not self._thread.is_alive() and not self._stop.is_set():
            return (
                f"ledger {self._ledger.path}: the program that writes it has failed; recording has"
                " ended, the line waits. Start the controller again and report what it printed."
            )
        return self._fault

    def close(self, timeout_s: float = 5.0) -> bool:
        """Write what waits, end the thread; True if all of it reached the disk in time."""
        self._stop.set()
        self._wake.set()
        self._thread.join(timeout_s)
        taken = (self._took_moves, self._took_events) == (self._put_moves, self._put_events)
        waiting = not taken or bool(self._trips)
        return not self._thread.is_alive() and not waiting and self._fault is None

    def _run(self) -> None:
        while True:
            self._wake.wait()
            self._wake.clear()
            while self._queue or self._trips:
                if self._queue:
                    self._commit(*self._take())
                    if self._stop.is_set() and self._fault:
                        return
                if self._trips and not self._commit_trip():
                    return
            if self._stop.is_set():
                return

    def _take(self) -> tuple[list[Move], list[Event]]:
        """All that waits, as one transaction: a slow disk gets fewer and larger ones."""
        moves: list[Move] = []
        events: list[Event] = []
        while self._queue:
            some_moves, some_events = self._queue.popleft()
            moves.extend(some_moves)
            events.extend(some_events)
        return moves, events

    def _commit_trip(self) -> bool:
        """The oldest trip that waits; on a failure it stays first, and moves go before it.

        False: asked to end, and the last attempt failed too.
        """
        last = self._stop.is_set()
        try:
            self._ledger.keep_trip(self._trips[0])
        except LinectlError as error:
            self._fault = str(error)
            self._stop.wait(self._retry_s)
            return not last
        self._fault = None
        self._trips.popleft()
        return True

    def _commit(self, moves: list[Move], events: list[Event]) -> None:
        while True:
            last = self._stop.is_set()  # asked to end: one more attempt, not endless ones
            try:
                self._ledger.record(moves, events)
            except LinectlError as error:
                self._fault = str(error)
                if last:
                    return
                self._stop.wait(self._retry_s)
                continue
            self._fault = None
            self._took_moves += len(moves)
            self._took_events += len(events)
            return

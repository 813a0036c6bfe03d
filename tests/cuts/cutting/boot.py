"""One boot of the controller on the plant, begun from the ledger's file, and its sudden end.

The plant's clock goes on over all boots; each boot's bench counts from its own start. Words go to
the disk a delay after the scan that told them, in order, as the ledger's writer would; what was not
there at the end is lost. The plant's auditor hears of a move when it is on disk, so that "intended"
means durable to it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from random import Random
from typing import Any, NamedTuple

from cutting import seen
from linectl.image import Command, Event, Move, Slot
from linectl.ledger import Ledger
from linectl.line import Line
from linectl.runtime.bench import Bench
from linectl.runtime.grid import bus_grid
from linectl.site.model import Site

BEFORE, WRITTEN, TRAVEL, DONE = (
    "before intent", "intent to output", "mid-travel", "sensor to done",
)  # fmt: skip
PHASES = (BEFORE, WRITTEN, TRAVEL, DONE)
"""Of a move: its intent not on disk; on disk and nothing written to a device; until told as done;
told as done and not on disk."""
EPOCH_MS = 1_700_000_000_000
"""The wall clock when the plant's clock is 0."""
SLOW_DISK, SLOW_MS = 0.15, 600
"""Share of transactions that are slow, and by how much: less than from an eye to a tool, 0.8 s."""


class Onward:
    """The plant as a later boot sees it: its time 0 is the boot's start."""

    def __init__(self, plant: Any, start_ms: int) -> None:
        self._plant = plant
        self._start_ms = start_ms

    @property
    def now(self) -> int:
        return self._plant.now - self._start_ms

    def run_until(self, limit: int) -> int:
        return self._plant.run_until(limit + self._start_ms) - self._start_ms

    def told(self, move: Move) -> None:
        """Told when it is on disk, not before (`Disk`)."""

    def __getattr__(self, name: str) -> Any:
        return getattr(self._plant, name)


class Batch(NamedTuple):
    """What one scan told: on disk from `at` on (boot's ms), with so many words then."""

    at: int
    moves: list[Move]
    events: list[Event]
    words: int


class Disk:
    """The ledger behind its writer: batches in order, each durable after its delay."""

    def __init__(self, ledger: Ledger, plant: Any, delay: Callable[[], int]) -> None:
        self.ledger = ledger
        self._plant = plant
        self._delay = delay
        self.waiting: deque[Batch] = deque()
        self.written: set[tuple[int, bool]] = set()
        """(number, done) of the moves on disk in this boot."""

    def put(self, now: int, moves: list[Move], events: list[Event], words: int) -> int:
        """Hand over a scan's rows; when they will be on disk."""
        before = self.waiting[-1].at if self.waiting else 0
        batch = Batch(max(before, now + self._delay()), moves, events, words)
        self.waiting.append(batch)
        return batch.at

    def bring_to(self, now: int) -> None:
        """Write what is due by then."""
        while self.waiting and self.waiting[0].at <= now:
            batch = self.waiting.popleft()
            self.ledger.record(batch.moves, batch.events)
            for move in batch.moves:
                self.written.add((move.number, move.done))
                self._plant.told(move)


class CutBench(Bench):
    """A bench whose record is a real file behind a modelled delay, and that can be watched."""

    def __init__(self, site: Site, plant: Any, line: Line, disk: Disk) -> None:
        super().__init__(site, plant, line, bus_grid(site), disk)  # type: ignore[arg-type]
        self.disk = disk
        self.told: list[Move] = []
        """Moves of the last scan."""
        self.arrived: set[int] = set()
        """Output points that devices got since the last `forget`."""

    def until(self, limit: int, wanted: Callable[[], bool]) -> bool:
        """Run until a scan after which `wanted` holds; False if `limit` came first."""
        must = True
        while self.now < limit:
            self._advance(self._target(must, limit))
            must = self._scan()
            if wanted():
                return True
        return False

    def _frame(self) -> Any:
        self.disk.bring_to(self.now)
        return super()._frame()

    def _scan(self) -> bool:
        self.told = []
        return super()._scan()

    def _record(self, moves: list[Move], events: list[Event]) -> None:
        self.told = moves
        at = self.disk.put(self.now, moves, events, self.line.words)
        if moves:
            self._acks.append((at, self.line.words))

    def underway(self) -> int:
        """Outputs on their way to devices."""
        return sum(len(pending) for pending in self._pending.values())

    def lose(self, chance: Random) -> None:
        """The controller is gone: what was on its way arrives as far as it had come."""
        for pending in self._pending.values():
            for index in list(pending)[: chance.randint(0, len(pending))]:
                if self.plant.answers(self._device_of[index]):
                    through = self._through.get(index)
                    value = pending[index]
                    self.plant.write(index, value if through is None else through(value))
        self.plant.take_changed()


class Boot:
    """A controller from its start until `kill`. It has what the tests' attendant looks at."""

    def __init__(
        self, site: Site, plant: Any, path: str, chance: Random, stock: list[Slot] | None = None
    ) -> None:
        self.site = site
        self.model = plant
        self.start_ms = plant.now
        self.plant = Onward(plant, self.start_ms)
        self.ledger = Ledger.open(path, site, clock=lambda: EPOCH_MS + plant.now)
        if stock:
            self.ledger.seed_lanes(stock)
        self.line = seen.line_from(site, self.ledger)
        self.found_open: list[Move] = list(self.line.open_moves.values())
        """Moves of earlier boots that hung open on the disk."""
        limits = site.file.limits
        usual, longest = limits.ledger_bench_delay_ms, SLOW_MS

        def delay() -> int:
            return chance.randint(usual, longest) if chance.random() < SLOW_DISK else usual

        self.disk = Disk(self.ledger, plant, delay)
        self.bench = CutBench(site, self.plant, self.line, self.disk)
        self.rehearsal = self
        self._chance = chance

    def command(self, unit: str, name: str, argument: str = "", by: str = "the tester") -> None:
        """Now; the next scan sees it."""
        self.bench.command(Command(unit, name, argument, by))

    def do(self, verb: str, part: str = "", **options: Any) -> None:
        """A verb of the plant, now."""
        self.bench.act(lambda: self.model.do(verb, part, **options))

    def state(self, unit: str) -> str:
        return next(u.state for u in self.line.units if u.name == unit)

    def kill(self, at: int) -> dict[int, tuple[Move, str]]:
        """The end, at that time of the boot, before the next scan; what was under way, with its
        phase, by number."""
        self.bench.run(at - at % self.site.file.scan_ms)
        acknowledged = set(self.disk.written)
        self.disk.bring_to(at)
        cut = self._under_way(acknowledged)
        while self.plant.now < at:
            self.plant.run_until(at)
        self.bench.lose(self._chance)
        seen.drop(self.ledger)
        return cut

    def _under_way(self, acknowledged: set[tuple[int, bool]]) -> dict[int, tuple[Move, str]]:
        """Moves whose last word is not on disk, and those that were intended and not told done."""
        earlier = {move.number for move in self.found_open}
        found = {
            number: (
                move,
                TRAVEL if number in earlier or (number, False) in acknowledged else WRITTEN,
            )
            for number, move in self.line.open_moves.items()
        }
        for batch in self.disk.waiting:
            for move in batch.moves:
                told = found.get(move.number, (move, ""))[1]
                early = not move.done or told == BEFORE
                found[move.number] = (move, BEFORE if early else DONE)
        return found

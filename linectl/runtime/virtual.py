"""A rehearsed shift in virtual time: line, plant and ledger on the bench, and what came of it."""

from __future__ import annotations

import json
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import IO, Any

from linectl.crop.site_takt import site_takt
from linectl.image import Command, Event, Move, Start
from linectl.ledger import Ledger
from linectl.line import Line
from linectl.runtime.account import Account
from linectl.runtime.bench import Bench
from linectl.runtime.blend_account import yields_kg
from linectl.runtime.grid import bus_grid, ideal_grid
from linectl.runtime.plant import Plant, open_plant
from linectl.runtime.rehearsal import Options, Progress, invented_lots
from linectl.runtime.standing import standing
from linectl.runtime.trip_record import TripRecorder
from linectl.site.model import Site
from linectl.site.scenario import Action
from linectl.site.spacings_file import write_sown

FLUSH_ROWS = 2_000
"""Rows kept back before the ledger gets them; on the bench its delay is modelled, not measured."""


@dataclass(frozen=True)
class Outcome:
    """What a rehearsal gave. `report` is the plant's own account, counted from its bodies."""

    site: Site
    options: Options
    simulated_ms: int
    wall_s: float
    ticks: int
    scans: int
    report: dict[str, Any]
    account: Account
    indexed_at: tuple[int, ...]
    possible_s: float
    slowest: str
    ledger_counts: dict[str, int]
    unconfirmed: dict[str, int]
    """Moves intended and not yet done at the end, by kind."""

    @property
    def achieved_s(self) -> float | None:
        """Mean time between indexed gutters, sowing's waits taken out; None with fewer than two."""
        times = self.indexed_at
        if len(times) < 2:
            return None
        first, last = times[0] / 1000, times[-1] / 1000
        spans = (
            (max(first, row["from_s"]), min(last, row["to_s"] if row["to_s"] is not None else last))
            for row in self.account.waits()
            if row["unit"] == "sowing"
        )
        waited = sum(max(0.0, end - start) for start, end in spans)
        return float((last - first - waited) / (len(times) - 1))

    @property
    def throughput(self) -> float | None:
        """Indexed gutters as a share of (time − sowing's waits) ÷ slowest station."""
        waited = self.account.waiting_s("sowing", self.simulated_ms)
        possible = (self.simulated_ms / 1000 - waited) / self.possible_s
        return float(self.report["gutters"]["indexed"] / possible) if possible > 0 else None

    def as_json(self) -> dict[str, Any]:
        """The object of `rehearse --json`."""
        seconds = self.simulated_ms / 1000
        return {
            "site": self.site.name,
            "seed": self.options.seed,
            "simulated_s": seconds,
            "wall_s": round(self.wall_s, 3),
            "times_real": round(seconds / self.wall_s, 1),
            "ticks": self.ticks,
            "scans": self.scans,
            "gutters": self.report["gutters"],
            "takt": {
                "possible_s": self.possible_s,
                "achieved_s": self.achieved_s,
                "slowest": self.slowest,
            },
            "throughput": self.throughput,
            "waits": self.account.waits(),
            "alarms": self.account.alarms(),
            "interventions": self.account.interventions(),
            "trips": self.account.trips(),
            "alarm_rates": self.account.alarm_rates(self.simulated_ms),
            "blends": self.account.blends.rows(yields_kg(self.site)),
            "lanes": self.report["lanes"],
            "last_eject": self.report["last_eject"],
            "ledger": self.ledger_counts,
            "unconfirmed": self.unconfirmed,
            "violations": self.report["violations"],
            "states": self.account.states(),
            "flow": self.account.flow(self.simulated_ms),
        }


class _Recorder:
    """Events to the account and a file, moves and events to the ledger in batches."""

    def __init__(self, ledger: Ledger, account: Account, file: IO[str] | None) -> None:
        self.indexed_at: list[int] = []
        self._ledger = ledger
        self._account = account
        self._file = file
        self._moves: list[Move] = []
        self._events: list[Event] = []

    def record(self, moves: Sequence[Move], events: Sequence[Event]) -> None:
        """Keep moves and events; every so often hand them on."""
        told = [event for event in events if event.kind != "station"]
        self._account.take(told, moves)
        self._moves += moves
        self._events += told
        self.indexed_at += [move.at for move in moves if move.done and move.kind == "insert"]
        if self._file is not None:
            lines = [json.dumps({"move": move._asdict()}) for move in moves]
            lines += [json.dumps({**event._asdict(), "data": dict(event.data)}) for event in events]
            self._file.write("".join(line + "\n" for line in lines))
        if len(self._moves) + len(self._events) >= FLUSH_ROWS:
            self.flush()

    def flush(self) -> None:
        """Everything kept back goes to the ledger in one transaction."""
        self._ledger.record(self._moves, self._events)
        self._moves, self._events = [], []


class Rehearsal:
    """A rehearsal set up and ready to run; tests reach its line, plant and bench."""

    def __init__(self, site: Site, options: Options, plant: Plant | None = None) -> None:
        self.site = site
        self.options = options
        self.account = Account()
        slots = standing(site, options.lanes)
        self.plant = plant if plant is not None else open_plant(site, options.seed)
        self.plant.stock(slots)
        begins_ms = options.begins_ms
        clock = None if begins_ms is None else (lambda: begins_ms)
        self.ledger = Ledger.open(options.ledger, site, clock)
        self.ledger.seed_lanes(slots)
        self.line = Line(site, Start(slots=slots))
        if not options.ripe_check:
            self.line.lanes.ripe_check = False
            self.plant.do("ripe check", on=False)
        self._file = options.events.open("w", encoding="utf-8") if options.events else None
        self._recorder = _Recorder(self.ledger, self.account, self._file)
        grid = ideal_grid(site) if options.ideal_bus else bus_grid(site)
        self.trips = TripRecorder(
            site, self.line.outputs, self.ledger.keep_trip, self.ledger.started_ms
        )
        self.bench = Bench(
            site, self.plant, self.line, grid, self._recorder, options.every_tick, self.trips
        )
        for action in options.scenario:
            self._play(action)

    def start(self) -> None:
        """Name the lots, reset and start both units in the first seconds, as the person would."""
        for lot in invented_lots(self.site):
            self.command_at(500, *lot)
        for at_ms, name in ((1_000, "reset"), (2_000, "start")):
            for unit in ("sowing", "harvest"):
                self.command_at(at_ms, unit, name)

    def _play(self, action: Action) -> None:
        options = action.options
        if action.verb == "command":
            argument, by = str(options.get("argument", "")), str(options.get("by", "the scenario"))
            self.command_at(action.at_ms, action.part, str(options["command"]), argument, by)
        else:
            self.bench.at(action.at_ms, lambda: self.plant.do(action.verb, action.part, **options))

    def command_at(
        self, at_ms: int, unit: str, name: str, argument: str = "", by: str = "the rehearsal"
    ) -> None:
        """Give the line a command at that time."""
        command = Command(unit, name, argument, by)
        self.bench.at(at_ms, lambda: self.bench.command(command))

    def run(self, until_ms: int, progress: Progress | None = None) -> None:
        """Run on to that time."""

        def tell(now: int) -> None:
            if progress is not None:
                progress(now, until_ms)

        self.bench.run(until_ms, tell)

    def finish(self, wall_s: float) -> Outcome:
        """Close the record and give the account so far."""
        self._recorder.flush()
        self.trips.close(self.bench.now)
        if self._file is not None:
            self._file.close()
        if self.options.sown is not None:
            write_sown(self.options.sown, self.plant.sown())
        counts = self.ledger.counts()
        self.ledger.close()
        takt = site_takt(self.site)
        return Outcome(
            self.site, self.options, self.bench.now, wall_s, self.bench.ticks, self.bench.scans,
            self.plant.report(), self.account, tuple(self._recorder.indexed_at),
            takt.slowest.cycle_ms / 1000, takt.slowest.name, counts,
            dict(Counter(move.kind for move in self.line.open_moves.values())),
        )  # fmt: skip


def rehearse(site: Site, options: Options, on_progress: Progress | None = None) -> Outcome:
    """Rehearse a shift from the start of both units. PlantMissing when no model is installed."""
    started = time.perf_counter()
    rehearsal = Rehearsal(site, options)
    rehearsal.start()
    rehearsal.run(options.for_ms, on_progress)
    return rehearsal.finish(time.perf_counter() - started)

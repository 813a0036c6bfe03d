"""A rehearsal over real Modbus in real time: the plant in a process of its own, the line here."""

from __future__ import annotations

import json
import select
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from linectl.crop.site_takt import site_takt
from linectl.errors import LinectlError, Unreachable
from linectl.field.wiring import Field, reach_in
from linectl.image import Command, Event, Move
from linectl.ledger import Ledger, LedgerWriter
from linectl.runtime.account import Account
from linectl.runtime.live import Live
from linectl.runtime.pacing import controller_clock
from linectl.runtime.plant_talk import TALK_TIMEOUT_S, PlantTalk
from linectl.runtime.recording import recording, troubles_beside
from linectl.runtime.rehearsal import Options, Progress, Result, invented_lots
from linectl.runtime.standing import standing
from linectl.runtime.starting import begin_line
from linectl.runtime.trip_record import TripRecorder
from linectl.runtime.virtual import Outcome
from linectl.site.model import Site
from linectl.site.scenario import Action

PLANT_READY_S = 20.0
"""By then the plant's process has opened its ports, or it is given up."""
START = ((1_000, "reset"), (2_000, "start"))
"""After it controls, as a person would."""


@contextmanager
def plant_process(site: Site, options: Options) -> Iterator[dict[str, Any]]:
    """The plant in a process of its own; gives its endpoints. Raises Unreachable."""
    command = [sys.executable, "-m", "linectl.cli", "plant", site.folder, "--json"]
    command += ["--seed", str(options.seed), "--lanes", str(options.lanes)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    try:
        yield _endpoints(process)
    finally:
        process.terminate()
        try:
            process.communicate(timeout=TALK_TIMEOUT_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.communicate()


def _endpoints(process: subprocess.Popen[bytes]) -> dict[str, Any]:
    out = process.stdout
    if out is not None and select.select([out], [], [], PLANT_READY_S)[0]:
        line = out.readline()
        if line:
            endpoints: dict[str, Any] = json.loads(line)
            return endpoints
    process.terminate()
    _, said = process.communicate()
    why = said.decode(errors="replace").strip() or f"it did not answer within {PLANT_READY_S:g} s"
    raise Unreachable(f"the plant could not be started: {why}")


class _Agenda(threading.Thread):
    """Plays the scenario by the clock, tells the progress, and ends the run."""

    def __init__(
        self, live: Live, talk: PlantTalk, options: Options, progress: Progress | None,
        lots: Sequence[Command],
    ) -> None:  # fmt: skip
        super().__init__(name="agenda", daemon=True)
        self.controls = threading.Event()
        self.over = threading.Event()
        self._live = live
        self._talk = talk
        self._options = options
        self._progress = progress
        self._lots = lots

    def run(self) -> None:
        self.controls.wait()
        start_s = time.monotonic()
        agenda: list[tuple[int, Command | Action]] = [(0, lot) for lot in self._lots]
        agenda += [
            (at_ms, self._command(unit, name))
            for at_ms, name in START
            for unit in ("sowing", "harvest")
        ]
        agenda += [(action.at_ms, action) for action in self._options.scenario]
        agenda.sort(key=lambda entry: entry[0])
        while not self.over.is_set():
            now = int((time.monotonic() - start_s) * 1000)
            while agenda and agenda[0][0] <= now:
                self._play(agenda.pop(0)[1])
            if self._progress is not None:
                self._progress(min(now, self._options.for_ms), self._options.for_ms)
            if now >= self._options.for_ms:
                self.over.set()
            self.over.wait(0.05)

    @staticmethod
    def _command(unit: str, name: str) -> Command:
        return Command(unit, name, "", "the rehearsal")

    def _play(self, what: Command | Action) -> None:
        if isinstance(what, Command):
            self._live.command(what)
        elif what.verb == "command":
            options = what.options
            self._live.command(
                Command(
                    what.part,
                    str(options["command"]),
                    str(options.get("argument", "")),
                    str(options.get("by", "the scenario")),
                )
            )
        else:
            self._talk.put({"do": what.verb, "part": what.part, "options": dict(what.options)})


def rehearse(site: Site, options: Options, on_progress: Progress | None = None) -> Result:
    """Rehearse over real TCP and pseudo-terminals; the object of `rehearse --json`.

    Raises PlantMissing, Unreachable, LedgerUnreachable, LinectlError.
    """
    started_s = time.perf_counter()
    with plant_process(site, options) as endpoints:
        talk = PlantTalk(int(endpoints["control"]))
        book = Ledger.open(options.ledger, site)
        try:
            outcome = _run(site, options, endpoints, talk, book, on_progress)
        finally:
            book.close()
            talk.close()
    return Outcome(**outcome, wall_s=time.perf_counter() - started_s).as_json()


def _run(
    site: Site,
    options: Options,
    endpoints: dict[str, Any],
    talk: PlantTalk,
    book: Ledger,
    on_progress: Progress | None,
) -> dict[str, Any]:
    book.seed_lanes(standing(site, options.lanes))
    line = begin_line(site, book)
    line.lanes.ripe_check = options.ripe_check
    account, indexed_at, lines = Account(), list[int](), list[str]()
    writer = LedgerWriter(book)
    clock = controller_clock()

    def on_scan(moves: Sequence[Move], events: Sequence[Event]) -> None:
        account.take(events, moves)
        indexed_at.extend(move.at for move in moves if move.done and move.kind == "insert")
        if moves:
            talk.put({"told": [list(move) for move in moves]})
        if options.events is not None:
            lines.extend(json.dumps({"move": move._asdict()}) for move in moves)
            lines.extend(json.dumps({**e._asdict(), "data": dict(e.data)}) for e in events)

    def on_status(status: dict[str, Any]) -> None:
        agenda.controls.set()

    with recording(site, options.trace, troubles_beside(options.ledger)) as record:
        field = Field(site, clock, reach_in(endpoints, site), 0, record.tracer, record.ring)
        trips = TripRecorder(site, line.outputs, writer.keep_trip, book.started_ms)
        live = Live(site, line, field, writer, clock, None, on_status, on_scan, trips)
        agenda = _Agenda(live, talk, options, on_progress, invented_lots(site))
        agenda.start()
        try:
            live.run(agenda.over)
        finally:
            agenda.over.set()
            agenda.controls.set()
            agenda.join()
            written = writer.close()
    if not written:
        raise LinectlError(writer.fault() or f"ledger {options.ledger}: not all of it was written")
    if options.events is not None:
        options.events.write_text("".join(line + "\n" for line in lines), encoding="utf-8")
    takt = site_takt(site)
    return {
        "site": site,
        "options": options,
        "simulated_ms": clock(),
        "ticks": live.scans + live.missed,
        "scans": live.scans,
        "report": talk.report(),
        "account": account,
        "indexed_at": tuple(indexed_at),
        "possible_s": takt.slowest.cycle_ms / 1000,
        "slowest": takt.slowest.name,
        "ledger_counts": book.counts(),
        "unconfirmed": dict(Counter(move.kind for move in line.open_moves.values())),
    }

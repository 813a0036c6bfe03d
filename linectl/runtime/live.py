"""The controller on field devices, in real time: snapshots in, one scan, outputs out, on a beat.

The scan's thread waits for nobody: buses, ledger and the control socket have threads of their
own. Whatever ends it, outputs are safe before the wires close.
"""

from __future__ import annotations

import gc
import os
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack, nullcontext
from pathlib import Path
from typing import Any, Protocol

from linectl import __version__
from linectl.errors import LinectlError, Unreachable, UsageError
from linectl.field.claim import claimed
from linectl.field.snapshots import Outputs
from linectl.field.wiring import Field, Reach, reach_of
from linectl.image import Command, Event, Frame, Move, Slot, Value
from linectl.ledger import Ledger, LedgerWriter
from linectl.runtime.alarm_rates import AlarmLog
from linectl.runtime.bus_status import BusStatus
from linectl.runtime.changes import Changes
from linectl.runtime.clock_watch import ClockWatch
from linectl.runtime.control import ControlServer
from linectl.runtime.heartbeat import Heartbeat
from linectl.runtime.intake import Intake
from linectl.runtime.ledger_remark import LedgerRemark
from linectl.runtime.pacing import Pacer, controller_clock
from linectl.runtime.recording import recording, troubles_beside
from linectl.runtime.release import Look, ReleaseWatch
from linectl.runtime.starting import begin_line
from linectl.runtime.step_log import StepLog
from linectl.runtime.trip_record import TripRecorder
from linectl.site.approval import approval_line
from linectl.site.complaints import nearest
from linectl.site.model import Site

Clock = Callable[[], int]
Status = dict[str, Any]
Request = dict[str, Any]
Reply = Callable[[dict[str, Any]], None]

ANNOUNCE_AFTER_MS = 5000
"""If a device does not answer by then, `run` says what it has instead of waiting for all."""
SETTLE_MS = 500
"""From the first good look at every device until it is said to control: what the first outputs
bring about (the dump valve's air, a drive's ready) is there by then, and a command finds it."""


class Stop(Protocol):
    """Says when to end: a threading.Event will do."""

    def is_set(self) -> bool: ...


class Scanned(Protocol):
    """The line, as far as the live controller knows it."""

    site: Site
    """What it runs with: tuning changes it."""
    outputs: list[Value]
    written: list[int]

    @property
    def asks(self) -> list[int]: ...

    def scan(self, frame: Frame, now: int) -> bool: ...

    def take_events(self) -> list[Event]: ...

    def take_moves(self) -> list[Move]: ...

    def status(self, now: int) -> dict[str, Any]: ...

    def why(self, name: str, now: int) -> list[dict[str, Any]]: ...

    def alarm_list(self) -> dict[str, Any]: ...

    def recovery_view(self) -> dict[str, Any]: ...


class Recorder(Protocol):
    """The ledger's writer: `put` returns at once, `durable` counts this boot's words on disk,
    `fault` says why none gets there."""

    def put(self, moves: Sequence[Move], events: Sequence[Event]) -> None: ...

    def durable(self) -> int: ...

    def fault(self) -> str | None: ...


class Control(Protocol):
    """Where questions and commands come from."""

    def poll(self) -> list[tuple[Request, Reply]]: ...


class Live:
    """One line on its field. `run` until told to stop; everything else is for its thread."""

    def __init__(
        self,
        site: Site,
        line: Scanned,
        field: Field,
        recorder: Recorder,
        clock: Clock,
        control: Control | None = None,
        on_status: Callable[[Status], None] | None = None,
        on_scan: Callable[[Sequence[Move], Sequence[Event]], None] | None = None,
        trips: TripRecorder | None = None,
        watch: ClockWatch | None = None,
        release: ReleaseWatch | None = None,
    ) -> None:
        """on_status: told when it controls and at each change of a unit's state or of a bus.

        on_scan: told the moves and events of scans that had any (a rehearsal's account).
        trips: keeps what led to a trip. watch: looks at the wall clock now and then. release: says
        which modes are released; None: all are.
        """
        self.site = site
        self.line = line
        self.field = field
        self._recorder = recorder
        self._clock = clock
        self._control = control
        self._on_status = on_status
        self._on_scan = on_scan
        self._trips = trips
        self._watch = watch
        self._release = release
        self._intake = Intake(site)
        self._ledger_remark = LedgerRemark()
        self._pacer = Pacer(site.file.scan_ms)
        self._buses = BusStatus(site)
        self._changes = Changes(site, line.outputs)
        self._approval = approval_line(site)
        self._alarm_log = AlarmLog()
        self._steps = StepLog()
        self._values: tuple[Value, ...] = tuple(line.outputs)
        self._durable = -1
        self._announced = False
        self._good_since: int | None = None
        self._up: tuple[bool, ...] = ()
        self._commands: deque[Command] = deque()
        self.scans = 0

    @property
    def missed(self) -> int:
        """Beats that were skipped because a scan began late."""
        return self._pacer.missed

    def run(self, stop: Stop) -> None:
        """Control until `stop` is set. Outputs are safe and wires closed when it returns.

        Raises LinectlError if a bus's thread died or did not end, and Unreachable if another
        controller writes to a device before this one has begun to.
        """
        heartbeat = Heartbeat()
        gc.collect()
        gc.freeze()  # a full collection over line and site would cost more than a scan
        self.field.start()
        try:
            while not stop.is_set():
                self._beat()
                heartbeat.beat(self._clock())
                self._pacer.wait()
        finally:
            left = self.field.stop()
            gc.unfreeze()
            if self._trips is not None:
                self._trips.close(self._clock())
            heartbeat.close()
        if left:
            raise LinectlError(f"bus {', '.join(left)} did not end; its devices' watchdogs act")

    def status(self) -> Status:
        """The object of `status --json`, now."""
        now = self._clock()
        buses = [self._buses.row(health, now) for health in self.field.health()]
        said = self.line.status(now)
        return {
            "site": self.site.name,
            "site_digest": self.line.site.digest,
            "pid": os.getpid(),
            **said,
            "trips": self._open_trips(said),
            "buses": buses,
            "scan": {"scans": self.scans, "missed": self._pacer.missed},
            "approval": self._approval,
            "clock": self._watch.status() if self._watch else None,
            "commissioning": self._release.found.as_json() if self._release else None,
            "version": __version__,
        }

    def _beat(self) -> None:
        """One scan and what belongs to it."""
        now = self._clock()
        line = self.line
        frame = self._intake.take(self.field.snapshots(), now, line.asks)
        durable = self._recorder.durable()
        if durable != self._durable:
            self._durable = frame.durable = durable
        if self._watch is not None:
            frame.remarks += self._watch.look(now)
        if self._release is not None:
            frame.release = self._release.take()
        self._ledger_remark.tell(self._recorder.fault(), frame)
        asked = self._take_requests(frame)
        line.scan(frame, now)
        self.scans += 1
        self._changes.digest = line.site.digest
        self._changes.note(frame, line.written, line.outputs, now)
        changed = bool(line.written)
        if changed:
            self._values = tuple(line.outputs)
        self.field.publish(Outputs(self.scans, now, self._values), changed)
        moves, events = line.take_moves(), line.take_events()
        if moves or events:
            self._recorder.put(moves, events)
            self._alarm_log.take(events)
            self._steps.take(events)
            if self._on_scan:
                self._on_scan(moves, events)
        if self._trips is not None:
            self._trips.take(now, frame, line.written, line.outputs, events)
        self._answer(asked, events)
        released = frame.release is not None
        self._tell(now, released or any(event.kind == "unit" for event in events))
        if not self._announced and (other := self.field.claimed_by_others()):
            raise Unreachable(f"{other}. Stop that controller first; this one ends, outputs safe.")
        if failure := self.field.failure():
            raise LinectlError(f"a bus's program failed: {failure!r}") from failure

    def command(self, command: Command) -> None:
        """Queue a command for the next scan; from any thread (people use the control socket)."""
        self._commands.append(command)

    def _take_requests(self, frame: Frame) -> list[tuple[Request, Reply]]:
        while self._commands:
            frame.commands.append(self._commands.popleft())
        asked = self._control.poll() if self._control else []
        for request, _ in asked:
            if request["ask"] == "command":
                frame.commands.append(
                    Command(
                        str(request.get("unit", "")),
                        str(request.get("name", "")),
                        str(request.get("argument", "")),
                        str(request.get("by", "")),
                    )
                )
        return asked

    def _answer(self, asked: list[tuple[Request, Reply]], events: list[Event]) -> None:
        """Replies, in order. The commands' outcomes are the scan's last command events."""
        if not asked:
            return
        count = sum(request["ask"] == "command" for request, _ in asked)
        told = [event for event in events if event.kind == "command"]
        outcomes = iter(told[len(told) - count :])
        for request, reply in asked:
            if request["ask"] == "command":
                outcome = next(outcomes, None)
                data = outcome.data if outcome else {"accepted": False, "why": "it was not taken"}
                reply({"accepted": data.get("accepted"), "why": data.get("why")})
            elif request["ask"] == "status":
                reply(self.status())
            elif request["ask"] == "why":
                reply(self._why(str(request.get("name", ""))))
            elif request["ask"] == "points":
                reply(self._points(request.get("since", -1)))
            elif request["ask"] == "steps":
                since = request.get("since", -1)
                reply(self._steps_since(since if isinstance(since, int) else -1))
            elif request["ask"] == "alarms":
                reply({"site": self.site.name, **self.line.alarm_list()})
            elif request["ask"] == "recovery":
                reply({"site": self.site.name, **self.line.recovery_view()})
            elif request["ask"] == "alarm changes":
                reply(self._alarm_changes())
            else:
                known = "status, why, points, steps, alarms, alarm changes, recovery or command"
                reply({"error": f"cannot be asked {request['ask']!r}; ask {known}"})

    def _steps_since(self, since: int) -> dict[str, Any]:
        return {"site_digest": self.line.site.digest, **self._steps.answer(since, self._clock())}

    def _points(self, since: object) -> dict[str, Any]:
        """Points now and their changes since; counters as they were read last."""
        number = since if isinstance(since, int) else -1
        return self._changes.answer(number, self._clock(), self._intake.counted)

    def _alarm_changes(self) -> dict[str, Any]:
        """What alarms did; whoever asked does the sums, for the scan has no time for them."""
        log = self._alarm_log
        return {
            "site": self.site.name, "from_ms": log.since, "to_ms": self._clock(),
            "changes": log.changes(),
        }  # fmt: skip

    def _why(self, name: str) -> dict[str, Any]:
        try:
            now = self._clock()
            lines = self.line.why(name, now)
            self._add_ages(lines, now)
            lines = [*self._field_lines(name, lines), *lines]
            trips = self._open_trips(self.line.status(now), name)
            return {"name": name, "lines": lines, "trips": trips}
        except UsageError as error:
            file = self.site.file
            parts = [*file.stations, *(lane.prefix for lane in file.lanes), "sowing", "harvest"]
            near = nearest(name, [*parts, *self.site.tags, *self.site.interlocks.causes])
            return {"error": f"{error}; {near}" if near else str(error)}

    def _open_trips(self, said: Status, name: str = "") -> list[dict[str, Any]]:
        """Records of the trips that stand, with the time of day; of that unit or part if named."""
        told = said.get("trips", [])
        here = [trip for trip in told if not name or name in trip["units"] or name in trip["parts"]]
        return self._trips.stamped(here) if self._trips else here

    def _add_ages(self, lines: list[dict[str, Any]], now: int) -> None:
        """How old each point's last good answer is, in seconds; None if there was none."""
        heard = {d.name: d.last_good_ms for bus in self.field.health() for d in bus.devices}
        for line in lines:
            for place in line.get("where", ()):
                last = heard.get(place["device"])
                place["age_s"] = None if last is None else (now - last) / 1000

    def _field_lines(self, name: str, lines: list[dict[str, Any]]) -> list[dict[str, Any]]:
        """What the field knows of each device that an unmet line stands on: the last word."""
        tags = self.site.tags
        named = {name} | {tag for line in lines if not line["met"] for tag in line["points"]}
        devices = {self.site.points[tags[tag]].device for tag in named if tag in tags}
        return [
            {
                "step": "field",
                "met": False,
                "text": f"{health.name} is {health.quality.replace('_', ' ')}: {health.last}",
                "clears": health.check,
                "points": (),
            }
            for bus in self.field.health()
            for health in bus.devices
            if health.name in devices and not health.good
        ]

    def _settled(self, now: int) -> bool:
        """Every device has been good for long enough to show what the first outputs did."""
        if not self._intake.all_good:
            self._good_since = None
        elif self._good_since is None:
            self._good_since = now
        return self._good_since is not None and now - self._good_since >= SETTLE_MS

    def _tell(self, now: int, state_changed: bool) -> None:
        """One status when it controls, then one per change of a unit's state or a bus's link."""
        up = tuple(health.up for health in self.field.health())
        bus_changed, self._up = up != self._up, up
        if not self._announced:
            if not self._settled(now) and now < ANNOUNCE_AFTER_MS:
                return
            self._announced = True
        elif not (state_changed or bus_changed):
            return
        if self._on_status:
            self._on_status(self.status())


def control_site(
    site: Site,
    stop: Stop,
    *,
    ledger: str,
    reach: Mapping[str, Reach] | None = None,
    stock: Sequence[Slot] = (),
    on_status: Callable[[Status], None] | None = None,
    site_folder: Path | None = None,
    trace: Path | None = None,
    on_remark: Callable[[str], None] = lambda text: None,
    release: Look | None = None,
) -> None:
    """Control a site's line until `stop` is set: `linectl run`.

    ledger: path of the ledger's file. reach: where the buses are if not where the site says.
    stock: gutters to write into an empty ledger's lanes first. site_folder: where the control
    socket is looked for (the site's own folder if left out). trace: a file for every frame; the
    last frames before trouble go to a folder beside the ledger. on_remark: told at the end what
    of them is missing. release: looked at every few seconds, says which modes are released; None:
    both are. Raises LedgerUnreachable, LedgerBroken, Unreachable (a controller runs
    already, of this site or on one of its buses, or the trace cannot be written), LinectlError.
    """
    folder = site_folder or site.folder
    control = ControlServer(folder)
    held = ExitStack()
    try:
        held.enter_context(claimed(reach or reach_of(site), str(folder), ledger))
        book = Ledger.open(ledger, site)
        clock = controller_clock()  # from here on: a row is never stamped later than it was
        watch = ClockWatch(book.started_ms, book.clock.wall, book.clock_finding)
        writer = None
        try:
            if stock and not book.standing():
                book.seed_lanes(stock)
            released = None if release is None else ReleaseWatch(release, Path(folder))
            line = begin_line(site, book, None if released is None else released.found.refused)
            writer = LedgerWriter(book)
            trips = TripRecorder(site, line.outputs, writer.keep_trip, book.started_ms)
            with recording(site, trace, troubles_beside(ledger), on_remark) as record:
                field = Field(site, clock, reach, tracer=record.tracer, ring=record.ring)
                live = Live(
                    site, line, field, writer, clock, control, on_status, trips=trips, watch=watch,
                    release=released,
                )  # fmt: skip
                with released or nullcontext():
                    live.run(stop)
        finally:
            if writer is not None:
                writer.close()
            book.close()
    finally:
        held.close()
        control.close()

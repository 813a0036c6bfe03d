"""A hostile device beside good ones: the scan keeps its beat, memory stays flat, no lie is good."""

from __future__ import annotations

import gc
import os
import socket
import threading
import time
import tracemalloc
from collections.abc import Callable, Iterator, Sequence
from random import Random
from typing import Any, NamedTuple

import pytest

from linectl.errors import ForeignAnswer, LinkDown, Unreachable
from linectl.field.asks import Ask
from linectl.field.framing import TcpAnswer, tcp_frame
from linectl.field.modbus import Wire
from linectl.field.wiring import Field, Reach, reach_in
from linectl.site.hardware import TcpBus
from linectl_sim.hostile import BEHAVIOURS, SERIAL_BEHAVIOURS, HostilePort, HostileServer
from linectl_sim.line_faults import framed

pytestmark = pytest.mark.wire

FULL = os.environ.get("LINECTL_CAMPAIGN") == "full"
SECONDS = 10.0 if FULL else 0.6
"""How long each behaviour lasts, after the field has met it."""
STRETCHES = 3
AT_ONCE = 1 if FULL else 4
"""So many hostile devices at a time."""
SETTLE_S = 0.2
GROWTH_BYTES = 256 * 1024
"""What all may hold more after the time than before: the rings of frames fill up (128 frames of at
most 512 bytes on each of three buses are 200 KB), and nothing else."""
PEAK_BYTES = 1024 * 1024
"""What all may hold more at any moment between."""
LATE_SHARE = 0.03 if FULL else 0.08
"""Beats that the hostile device may cost beyond those that the machine loses without it."""
TCP = {"kind": "tcp", "host": "127.0.0.1", "poll": "20ms", "timeout": "100ms"}
CONVERTER = TCP | {"framing": "rtu"}
RTU = {"kind": "rtu", "port": "/dev/null", "baud": 115_200, "parity": "none"} | {
    "poll": "50ms",
    "timeout": "50ms",
}
DEVICE = {"turnaround": "1ms", "silent_after": "300ms", "watchdog": "1s", "unit": 1}


class Ran(NamedTuple):
    """How a stretch of time went: beats, beats missed, polls of the good buses, bytes grown."""

    beats: int
    missed: int
    polls: int
    grown: int
    peak: int


class Hall:
    """Two good buses, served, and a field with hostile ones beside them, on each a `liar` that is
    asked for four registers. Hostile answers carry one, so that none is right: good is wrong."""

    def __init__(self, site_of: Any, serve: Any, field_at: Any, scan_on: Any) -> None:
        self._site_of, self._field_at, self._scan_on = site_of, field_at, scan_on
        self._good = {"island": DEVICE | {"bus": "io"}, "belt": DEVICE | {"bus": "drives"}}
        self._served = serve(site_of({"io": TCP, "drives": RTU}, self._good))

    def beside(self, bad: dict[str, Any], places: dict[str, Reach]) -> tuple[Field, Any]:
        buses = {"io": TCP, "drives": RTU} | {f"bad_{name}": bad for name in places}
        liars = {f"liar_{name}": DEVICE | {"bus": f"bad_{name}"} for name in places}
        site = self._site_of(buses, self._good | liars)
        reach = {f"bad_{name}": place for name, place in places.items()}
        field = self._field_at(site, reach_in(self._served.endpoints, self._served.site) | reach)
        return field, self._scan_on(site, field)


@pytest.fixture
def hall(site_of: Any, serve: Any, field_at: Any, scan_on: Any) -> Hall:
    return Hall(site_of, serve, field_at, scan_on)


@pytest.fixture
def nowhere() -> Reach:
    """A port where nobody listens: the field without the hostile device, for comparison."""
    with socket.create_server(("127.0.0.1", 0)) as closed:
        return Reach("127.0.0.1", closed.getsockname()[1])


def honest_ones_good(field: Field) -> bool:
    return all(snapshot.good for snapshot in field.snapshots()[:2])


def run_for(seconds: float, field: Field, scan: Any) -> Ran:
    """Let all go on for a while; no `liar` may be good meanwhile."""
    gc.collect()
    tracemalloc.reset_peak()
    held = tracemalloc.get_traced_memory()[0]
    beats, missed = scan.beats, scan.pacer.missed
    polls = sum(bus.polls for bus in field.health()[:2])
    end_s = time.monotonic() + seconds
    while time.monotonic() < end_s:
        assert [s for s in field.snapshots()[2:] if s.good] == []
        time.sleep(0.02)
    polls = sum(bus.polls for bus in field.health()[:2]) - polls
    beats, missed = scan.beats - beats, scan.pacer.missed - missed
    peak = tracemalloc.get_traced_memory()[1] - held
    gc.collect()
    return Ran(beats, missed, polls, tracemalloc.get_traced_memory()[0] - held, peak)


def met(
    hall: Hall, bus: dict[str, Any], places: dict[str, Reach], alone: Ran | None = None
) -> tuple[Ran, list[str]]:
    """Meet whoever is there for a stretch of time; again, up to three in all, while beats are lost
    beside `alone`: a busy machine loses some by itself, a hostile device would each time. Also
    what was last said of each of them."""
    field, scan = hall.beside(bus, places)
    began_s = time.monotonic()
    while not honest_ones_good(field):
        words = [device.last for bus in field.health()[:2] for device in bus.devices]
        assert time.monotonic() - began_s <= 5.0, words
        time.sleep(0.01)
    time.sleep(SETTLE_S)
    for _ in range(STRETCHES):
        ran = run_for(SECONDS, field, scan)
        print(", ".join(places), ran)
        assert ran.grown <= GROWTH_BYTES * len(places)
        assert ran.peak <= PEAK_BYTES
        if alone is None or undisturbed(ran, alone):
            break
    said = []
    for name, health in zip(places, field.health()[2:], strict=True):
        told = health.devices[0]
        said.append(told.last)
        print(f"  {name:10} {dict(told.errors)} {told.last}")
        assert told.last.startswith((f"liar_{name} (unit 1)", f"bus bad_{name}:"))
        assert "is not open" not in told.last  # what closed it is what a person must know
        assert sum(told.errors.values()) > 0
    assert honest_ones_good(field)
    scan.end()
    assert field.stop() == []
    return ran, said


def undisturbed(ran: Ran, alone: Ran) -> bool:
    """No beat late because of it, no poll lost: beside the same time without it."""
    in_time = ran.missed / ran.beats <= alone.missed / alone.beats + LATE_SHARE
    return in_time and ran.polls / ran.beats >= 0.8 * alone.polls / alone.beats


@pytest.fixture
def traced() -> Iterator[None]:
    tracemalloc.start()
    yield
    tracemalloc.stop()


def groups(names: Sequence[str]) -> list[Sequence[str]]:
    return [names[at : at + AT_ONCE] for at in range(0, len(names), AT_ONCE)]


@pytest.mark.usefixtures("traced")
@pytest.mark.parametrize("framing", ["tcp", "rtu"])
def test_hostile_peers_cost_nobody_else_anything(framing: str, hall: Hall, nowhere: Reach) -> None:
    alone, _ = met(hall, TCP, {"nobody": nowhere})
    for names in groups(BEHAVIOURS):
        servers = {name: HostileServer(name, framing=framing) for name in names}
        places = {name: Reach(one.host, one.port) for name, one in servers.items()}
        try:
            bus = CONVERTER if framing == "rtu" else TCP
            assert undisturbed(met(hall, bus, places, alone)[0], alone)
        finally:
            for server in servers.values():
                server.close()


@pytest.mark.usefixtures("traced")
def test_hostile_serial_ports_cost_nobody_else_anything(hall: Hall, nowhere: Reach) -> None:
    alone, _ = met(hall, TCP, {"nobody": nowhere})
    for names in groups(SERIAL_BEHAVIOURS):
        ports = {name: HostilePort(name) for name in names}
        places = {name: Reach("", port.path) for name, port in ports.items()}
        try:
            assert undisturbed(met(hall, RTU, places, alone)[0], alone)
        finally:
            for port in ports.values():
                port.close()


class Torrent:
    """Sends frames that answer nothing, as fast as they are taken."""

    def __init__(self, frame: bytes) -> None:
        self._chunk = frame * (65_536 // len(frame))
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.settimeout(0.05)
        self.place = Reach("127.0.0.1", self._listener.getsockname()[1])
        self.sent = 0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="torrent")
        self._thread.start()

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                link, _ = self._listener.accept()
            except TimeoutError:
                continue
            link.settimeout(0.05)
            with link:
                while not self._stop.is_set():
                    try:
                        self.sent += link.send(self._chunk)
                    except TimeoutError:
                        continue
                    except OSError:
                        break

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        self._listener.close()


@pytest.mark.usefixtures("traced")
def test_a_torrent_of_frames_is_hung_up_on(hall: Hall, nowhere: Reach) -> None:
    """Every frame is whole and sound and none answers anything: nothing but its amount is wrong."""
    alone, _ = met(hall, TCP, {"nobody": nowhere})
    numbered = tcp_frame(0xBEEF, 1, b"\x03\x02\0\0")
    foreign = framed(b"\x09\x03\x02\0\0")
    for name, bus, frame in (("numbered", TCP, numbered), ("foreign", CONVERTER, foreign)):
        torrent = Torrent(frame)
        try:
            ran, (said,) = met(hall, bus, {name: torrent.place}, alone)
            assert undisturbed(ran, alone)
            assert "floods" in said
        finally:
            torrent.close()
        assert torrent.sent > 65_536


ASK = Ask("liar", 1, 3, 0, 4)
BUS = TcpBus.model_validate(TCP)


def test_an_answer_that_came_before_its_question_is_not_believed(
    peer: Any, answer_to: Callable[..., bytes]
) -> None:
    """The peer guesses our next number: what it said before it was asked is told apart in time."""
    server = peer(
        lambda link, asked: link.sendall(answer_to(asked, 1) + answer_to(asked, 666, ahead=1))
    )
    wire = Wire("bad", BUS, "127.0.0.1", server.port)
    wire.open()
    try:
        for _ in range(20):
            assert list(wire.read(ASK)) == [1] * 4
            time.sleep(0.005)  # what follows has come
        assert wire.seen["stale"] >= 19
    finally:
        wire.close()


def test_an_answer_that_began_before_its_question_is_not_believed_when_it_ends_after_it() -> None:
    answers = TcpAnswer()
    answers.expect(1, 1)
    true, early = (tcp_frame(number, 1, b"\x03\x02\0\x07") for number in (1, 2))
    assert answers.feed(true + early[:8]) == b"\x03\x02\0\x07"
    answers.skip(b"")
    answers.expect(2, 1)
    assert answers.feed(early[8:]) is None
    assert answers.seen["stale"] == 1
    assert answers.feed(tcp_frame(2, 1, b"\x03\x02\0\x08")) == b"\x03\x02\0\x08"


def test_no_bytes_at_all_make_more_of_a_wire_than_one_of_our_errors(peer: Any) -> None:
    """Random bytes in random pieces, at random times, some of them nearly an answer."""
    random = Random(41)

    def say(link: socket.socket, asked: bytes) -> None:
        for _ in range(random.randint(0, 3)):
            head = asked[:2] if random.random() < 0.5 else random.randbytes(2)
            length = random.choice((3, 11, 200, 65_535))
            link.sendall(head + b"\0\0" + length.to_bytes(2, "big") + random.randbytes(9))

    server = peer(say)
    bus = BUS.model_copy(update={"timeout_ms": 5})
    wire = Wire("bad", bus, "127.0.0.1", server.port)
    kinds: set[str] = set()
    for _ in range(150):
        if not wire.is_open:
            wire.open()
        try:
            wire.read(ASK)
            pytest.fail("random bytes were taken for an answer")
        except Unreachable as error:
            kinds.add(type(error).__name__)
            assert "liar (unit 1)" in str(error) or "bus bad" in str(error)
    wire.close()
    assert {ForeignAnswer.__name__, LinkDown.__name__} <= kinds


def test_a_line_that_never_falls_quiet_makes_its_devices_bad_in_time(
    site_of: Any, field_at: Any, scan_on: Any, peer: Any, eventually: Callable[..., float]
) -> None:
    """A converter whose line babbles: its devices are bad at their time, and the field can end,
    though each of six is to be told its safe values first."""
    babbles, ended = threading.Event(), threading.Event()

    def say(link: socket.socket, asked: bytes) -> None:
        if asked[1] == 3:
            link.sendall(framed(bytes((asked[0], 3, 2 * asked[5])) + bytes(2 * asked[5])))
        else:
            link.sendall(asked[:8] if asked[1] in (5, 6) else framed(asked[:6]))
        while babbles.is_set() and not ended.is_set():
            link.sendall(b"\x55" * 2)
            time.sleep(0.002)

    server = peer(say)
    six = {f"d{unit}": DEVICE | {"bus": "line", "unit": unit} for unit in range(1, 7)}
    site = site_of({"line": CONVERTER}, six)
    field = field_at(site, {"line": Reach("127.0.0.1", server.port)})
    try:
        scan_on(site, field)
        eventually(lambda: all(snapshot.good for snapshot in field.snapshots()))
        babbles.set()
        bad_s = eventually(lambda: not any(s.good for s in field.snapshots()), 12)
        assert bad_s <= 0.3 + 0.1 + 0.15
        eventually(lambda: field.health()[0].devices[0].last != "", 2)  # the trouble has a name
        began_s = time.monotonic()
        assert field.stop() == []
        took_s = time.monotonic() - began_s
        print(f"bad after {bad_s:.2f} s, ended within {took_s:.2f} s")
        assert took_s <= 4.0
    finally:
        ended.set()

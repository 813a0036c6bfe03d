"""A hostile device beside good ones: the scan keeps its beat, memory stays flat, no lie is good."""

from __future__ import annotations

import gc
import os
import socket
import threading
import time
import tracemalloc
from collections.abc import Callable, Iterator
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

SECONDS = 10.0 if os.environ.get("LINECTL_CAMPAIGN") == "full" else 0.6
"""How long each behaviour lasts, after the field has met it."""
STRETCHES = 3
SETTLE_S = 0.2
GROWTH_BYTES = 256 * 1024
"""What all may hold more after the time than before: the rings of frames fill up (128 frames of at
most 512 bytes on each of three buses are 200 KB), and nothing else."""
PEAK_BYTES = 1024 * 1024
"""What all may hold more at any moment between."""
LATE_SHARE = 0.03
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
    """Two good buses, served, and a field that has a hostile third: `liar`, asked for four
    registers. Hostile answers carry one, so that no answer of it can be right: good is wrong."""

    def __init__(
        self, site_of: Any, serve: Any, field_at: Any, scan_on: Any, eventually: Any
    ) -> None:
        self.eventually = eventually
        self.said: list[str] = []
        """What was last said of `liar`, for each whom it played."""
        self._site_of, self._field_at, self._scan_on = site_of, field_at, scan_on
        good = {"island": DEVICE | {"bus": "io"}, "belt": DEVICE | {"bus": "drives"}}
        self._devices = good | {"liar": DEVICE | {"bus": "bad"}}
        self._served = serve(site_of({"io": TCP, "drives": RTU}, good))

    def beside(self, bad: dict[str, Any], place: Reach) -> tuple[Field, Any]:
        site = self._site_of({"io": TCP, "drives": RTU, "bad": bad}, self._devices)
        reach = reach_in(self._served.endpoints, self._served.site)
        field = self._field_at(site, reach | {"bad": place})
        return field, self._scan_on(site, field)


@pytest.fixture
def hall(site_of: Any, serve: Any, field_at: Any, scan_on: Any, eventually: Any) -> Hall:
    return Hall(site_of, serve, field_at, scan_on, eventually)


@pytest.fixture
def nowhere() -> Reach:
    """A port where nobody listens: the field without the hostile device, for comparison."""
    with socket.create_server(("127.0.0.1", 0)) as closed:
        return Reach("127.0.0.1", closed.getsockname()[1])


def honest_ones_good(field: Field) -> bool:
    return all(s.good for s in field.snapshots() if s.device != "liar")


def run_for(seconds: float, field: Field, scan: Any) -> Ran:
    """Let all go on for a while; `liar` must never be good meanwhile."""
    gc.collect()
    tracemalloc.reset_peak()
    held = tracemalloc.get_traced_memory()[0]
    beats, missed = scan.beats, scan.pacer.missed
    polls = sum(bus.polls for bus in field.health()[:2])
    end_s = time.monotonic() + seconds
    while time.monotonic() < end_s:
        assert not field.snapshots()[2].good, field.snapshots()[2]
        time.sleep(0.02)
    polls = sum(bus.polls for bus in field.health()[:2]) - polls
    beats, missed = scan.beats - beats, scan.pacer.missed - missed
    peak = tracemalloc.get_traced_memory()[1] - held
    gc.collect()
    return Ran(beats, missed, polls, tracemalloc.get_traced_memory()[0] - held, peak)


def met(name: str, hall: Hall, bus: dict[str, Any], place: Reach, alone: Ran | None = None) -> Ran:
    """Meet whoever is there for a stretch of time; again, up to three in all, while beats are lost
    beside `alone`: a busy machine loses some by itself, a hostile device would each time."""
    field, scan = hall.beside(bus, place)
    hall.eventually(lambda: honest_ones_good(field))
    time.sleep(SETTLE_S)
    for _ in range(STRETCHES):
        ran = run_for(SECONDS, field, scan)
        told = field.health()[2].devices[0]
        print(f"{name:10} {ran} {dict(told.errors)} {told.last}")
        assert told.last.startswith(("liar (unit 1)", "bus bad:"))
        assert "is not open" not in told.last  # what closed it is what a person must know
        assert sum(told.errors.values()) > 0
        assert honest_ones_good(field)
        assert ran.grown <= GROWTH_BYTES
        assert ran.peak <= PEAK_BYTES
        if alone is None or undisturbed(ran, alone):
            break
    scan.end()
    assert field.stop() == []
    hall.said.append(told.last)
    return ran


def undisturbed(ran: Ran, alone: Ran) -> bool:
    """No beat late because of it, no poll lost: beside the same time without it."""
    in_time = ran.missed / ran.beats <= alone.missed / alone.beats + LATE_SHARE
    return in_time and ran.polls / ran.beats >= 0.8 * alone.polls / alone.beats


@pytest.fixture
def traced() -> Iterator[None]:
    tracemalloc.start()
    yield
    tracemalloc.stop()


@pytest.mark.usefixtures("traced")
def test_hostile_peers_cost_nobody_else_anything(hall: Hall, nowhere: Reach) -> None:
    alone = met("nobody", hall, TCP, nowhere)
    for behaviour in BEHAVIOURS:
        server = HostileServer(behaviour)
        try:
            assert undisturbed(
                met(behaviour, hall, TCP, Reach(server.host, server.port), alone), alone
            )
        finally:
            server.close()


@pytest.mark.usefixtures("traced")
def test_hostile_serial_ports_cost_nobody_else_anything(hall: Hall, nowhere: Reach) -> None:
    alone = met("nobody", hall, TCP, nowhere)
    for behaviour in SERIAL_BEHAVIOURS:
        port = HostilePort(behaviour)
        try:
            assert undisturbed(met(behaviour, hall, RTU, Reach("", port.path), alone), alone)
        finally:
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
    alone = met("nobody", hall, TCP, nowhere)
    numbered = tcp_frame(0xBEEF, 1, b"\x03\x02\0\0")
    foreign = framed(b"\x09\x03\x02\0\0")
    for name, bus, frame in (("numbered", TCP, numbered), ("foreign", CONVERTER, foreign)):
        torrent = Torrent(frame)
        try:
            assert undisturbed(met(name, hall, bus, torrent.place, alone), alone)
            assert "floods" in hall.said[-1]
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
    """A converter whose line babbles: its device is bad at its time, and the field can end."""
    babbles = threading.Event()

    def say(link: socket.socket, asked: bytes) -> None:
        link.sendall(framed(bytes((asked[0], 3, 2 * asked[5])) + bytes(2 * asked[5])))
        while babbles.is_set() and server_on.is_set():
            link.sendall(b"\x55" * 20)
            time.sleep(0.002)

    server_on = threading.Event()
    server_on.set()
    server = peer(say)
    site = site_of({"line": CONVERTER}, {"liar": DEVICE | {"bus": "line"}}, outputs=False)
    field = field_at(site, {"line": Reach("127.0.0.1", server.port)})
    try:
        scan_on(site, field)
        eventually(lambda: field.snapshots()[0].good)
        babbles.set()
        assert eventually(lambda: not field.snapshots()[0].good, 12) <= 0.3 + 0.1 + 0.15
        began_s = time.monotonic()
        assert field.stop() == []
        assert time.monotonic() - began_s <= 3.0
    finally:
        server_on.clear()

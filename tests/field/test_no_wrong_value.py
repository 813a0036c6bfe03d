"""A line played by a seed: devices that are late, noise, lost bytes; what is handed out is true.

Time is the played link's own, so that a run of thousands of exchanges takes a second or two. Each
register holds a value that no other holds, and that changes with every question: a value that is
another's, or an earlier one's, is seen at once.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from random import Random
from typing import Any

import pytest

from linectl.errors import DeviceRefused, LinkDown
from linectl.field.asks import Ask
from linectl.field.device import FieldDevice
from linectl.field.exchanges import Exchanges
from linectl.field.framing import rtu_frame
from linectl.registers.frames import crc16

LATE_MS = 60
TIMEOUT_MS = 50


def word(address: int, direction: str = "in") -> dict[str, Any]:
    row = {"direction": direction, "table": "holding", "address": address, "type": "u16"}
    return row | {"tag": f"w{address}.{direction}"}


SAME_LENGTHS = [word(k) for start in (0, 50, 100) for k in (start, start + 1)]
"""Three reads whose answers look alike, and a longer one whose beginnings prove."""
WIDE = [*SAME_LENGTHS, *(word(k) for k in range(200, 204)), word(150, "out"), word(151, "out")]
LONELY = [word(300)]


@dataclass
class Faults:
    """Shares of questions or answers."""

    late: float = 0.0
    latest_ms: float = 0.0
    lost: float = 0.0
    damaged: float = 0.0
    short: float = 0.0
    noise: float = 0.0
    busy: float = 0.0
    glitches: float = 0.0
    hole: int = -1
    echo: bool = False


class PlayedDevices:
    """Answer in order, each after its turnaround; what they do wrong is drawn."""

    def __init__(self, faults: Faults, seed: int) -> None:
        self.faults = faults
        self.random = Random(seed)
        self.asked = 0
        self.truth: dict[int, int] = {}
        self.said: set[tuple[int, ...]] = set()
        """Every address with every value that it has ever had."""
        self.free_at_ms: dict[int, float] = {}
        self.played: Counter[str] = Counter()
        self.now: Callable[[], float] = lambda: 0.0

    def word(self, address: int) -> int:
        return (address * 251 + self.asked * 7919) & 0xFFFF

    def drawn(self, what: str) -> bool:
        drawn = self.random.random() < getattr(self.faults, what)
        self.played[what] += drawn
        return drawn

    def answers(self, request: bytes) -> list[tuple[float, bytes]]:
        pieces: list[tuple[float, bytes]] = []
        if self.faults.echo:
            pieces.append((0.0005, request))
        if self.drawn("noise"):
            junk = self.random.randbytes(self.random.randint(1, 4))
            pieces.append((self.random.uniform(0, 0.05), junk))
        if self.drawn("lost") or crc16(request[:-2]) != request[-2:]:
            return pieces
        frame = rtu_frame(request[0], self._pdu(request))
        if self.drawn("damaged"):
            place, bit = self.random.randrange(len(frame)), 1 << self.random.randrange(8)
            frame = frame[:place] + bytes((frame[place] ^ bit,)) + frame[place + 1 :]
        if self.drawn("short"):
            frame = frame[: self.random.randrange(len(frame))]
        if self.drawn("glitches"):
            frame = b"\x00\xff"[: self.random.randint(1, 2)] + frame
        cut = self.random.randrange(len(frame) + 1)
        at_s = self._answer_s(request[0])
        return [*pieces, (at_s, frame[:cut]), (at_s + 0.0003, frame[cut:])]

    def _pdu(self, request: bytes) -> bytes:
        function, address = request[1], int.from_bytes(request[2:4], "big")
        count = int.from_bytes(request[4:6], "big") if function != 6 else 1
        if self.drawn("busy"):
            return bytes((function | 0x80, 6))
        if address <= self.faults.hole < address + count:
            return bytes((function | 0x80, 2))
        if function == 3:
            self.asked += 1
            words = [self.word(address + k) for k in range(count)]
            now = {address + k: value for k, value in enumerate(words)}
            self.truth |= now
            self.said.update(now.items())  # `|=` would copy the set each time
            return bytes((3, 2 * count)) + b"".join(value.to_bytes(2, "big") for value in words)
        return request[1:6]

    def _answer_s(self, unit: int) -> float:
        """In order: an answer waits for the one before it."""
        late_ms = 0.0
        if self.drawn("late"):
            late_ms = TIMEOUT_MS + self.random.uniform(0, self.faults.latest_ms)
        now_ms = self.now() * 1000
        at_ms = max(now_ms + 2.0 + late_ms, self.free_at_ms.get(unit, 0.0) + 0.5)
        self.free_at_ms[unit] = at_ms
        return (at_ms - now_ms) / 1000


class Run:
    """Polls two devices as a bus does, and judges every value that is handed out."""

    def __init__(self, wire: Any, link: Any, devices: list[FieldDevice], line: PlayedDevices):
        self.wire, self.link, self.line = wire, link, line
        self.devices = devices
        link.answers = line.answers
        line.now = lambda: link.now_s
        self.exchanges = Exchanges(wire, devices, lambda: round(link.now_s * 1000))
        self.wrong: list[str] = []
        self.another = 0
        """Of these, values that the register asked for has never had."""
        self.good: Counter[str] = Counter()

    def polls(self, count: int) -> Run:
        self.exchanges.relinked()
        for number in range(count):
            if not self.wire.is_open:
                self.wire.open()
                self.exchanges.relinked()
            for device in self.devices:
                self._poll(device, number)
            self.link.now_s += 0.005
        return self

    def _poll(self, device: FieldDevice, number: int) -> None:
        now = round(self.link.now_s * 1000)
        if not device.due(now):
            return
        device.begin(now)
        due = device.reads.due(number)
        while due and self.wire.is_open:
            read = due.pop(0)
            found = self.exchanges.try_read(device, read.ask)
            if isinstance(found, DeviceRefused):
                if not device.refused(read, found):
                    self.exchanges.refused(device, read.ask, found)
                    return
                due = device.reads.owed()
            elif found is None:
                return
            else:
                self._judge(read.ask, found)
                read.take(found)
            if (change := device.outputs.next_change()) is not None:
                self.exchanges.do(device, change)
        for ask in device.outputs.read_backs():
            if (found := self.exchanges.do(device, ask)) is not None:
                self._judge(ask, found)
        device.finish()
        device.outputs.demand(tuple([number % 7] * 99))

    def _judge(self, ask: Ask, found: Any) -> None:
        self.good[ask.device] += 1
        true = [self.line.truth.get(ask.address + k) for k in range(ask.quantity)]
        if list(found) != true:
            self.wrong.append(f"{ask}: {list(found)} is not {true}")
            own = all((ask.address + k, value) in self.line.said for k, value in enumerate(found))
            self.another += not own


@pytest.fixture
def play(
    played: Callable[..., Any],
    points_of: Callable[[list[dict[str, Any]]], tuple[Any, ...]],
    device_of: Callable[..., Any],
    request: pytest.FixtureRequest,
) -> Callable[..., Run]:
    def build(faults: Faults, seed: int = 1) -> Run:
        wire, link = played()
        bus = wire._bus
        rows = [row | {"device": "wide"} for row in WIDE]
        rows += [row | {"device": "lonely"} for row in LONELY]
        points = points_of(rows)
        late = f"{LATE_MS}ms"
        devices = [
            FieldDevice(
                name, device_of(unit=unit, late=late, read_back=True), bus, points, Random(1)
            )
            for name, unit in (("wide", 7), ("lonely", 8))
        ]
        return Run(wire, link, devices, PlayedDevices(faults, seed))

    return build


POLLS = 10_000 if os.environ.get("LINECTL_CAMPAIGN") == "full" else 500


def test_on_a_quiet_line_everything_is_heard(play: Callable[..., Run]) -> None:
    run = play(Faults()).polls(POLLS)
    assert run.wrong == []
    assert run.good["wide"] >= 4 * POLLS
    assert run.good["lonely"] == POLLS
    assert run.exchanges.errors == {}


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    "faults",
    [
        Faults(late=0.05, latest_ms=LATE_MS - 5),
        Faults(late=0.05, latest_ms=LATE_MS - 5, echo=True),
        Faults(late=0.05, latest_ms=LATE_MS - 5, busy=0.05, hole=101),
        Faults(damaged=0.05, short=0.02, lost=0.02, glitches=0.1),
        Faults(noise=0.05, damaged=0.02, glitches=0.1),
        Faults(late=0.03, latest_ms=LATE_MS - 5, noise=0.03, damaged=0.03, lost=0.03, busy=0.02),
    ],
    ids=["late", "late and echo", "late, busy, a hole", "damaged", "noise", "everything"],
)
def test_within_the_declared_lateness_nothing_wrong_is_handed_out(
    play: Callable[..., Run], faults: Faults, seed: int
) -> None:
    run = play(faults, seed).polls(POLLS)
    assert run.wrong == []
    assert sum(run.line.played.values()) > 20
    assert run.good["wide"] > POLLS / 4
    assert run.good["lonely"] > POLLS / 4


@pytest.mark.parametrize("seed", range(3))
def test_beyond_it_a_device_with_a_proving_read_is_still_found_out(
    play: Callable[..., Run], seed: int
) -> None:
    faults = Faults(late=0.05, latest_ms=6 * LATE_MS, noise=0.01)
    run = play(faults, seed).polls(POLLS)
    assert [wrong for wrong in run.wrong if wrong.startswith("wide")] == []
    assert run.good["wide"] > POLLS / 4
    assert run.line.played["late"] > 20
    assert run.exchanges.errors["stale"] > 0


def test_beyond_it_a_device_with_one_register_may_give_that_ones_earlier_value(
    play: Callable[..., Run],
) -> None:
    """The limit, as it is: nothing tells its answers apart. Another register's value it is not."""
    run = play(Faults(late=0.05, latest_ms=6 * LATE_MS), 1).polls(POLLS)
    assert run.wrong
    assert all(wrong.startswith("lonely") for wrong in run.wrong)
    assert run.another == 0


def test_without_any_quiet_time_the_played_line_would_be_believed(
    play: Callable[..., Run], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The judge itself: it sees the trap when nothing keeps us out of it."""
    run = play(Faults(late=0.05, latest_ms=LATE_MS - 5))
    monkeypatch.setattr(run.wire, "settle", lambda *facts, **named: True)
    assert run.polls(POLLS).wrong
    assert run.another > 0


def test_a_link_that_breaks_now_and_then_changes_nothing(play: Callable[..., Run]) -> None:
    run = play(Faults(late=0.05, latest_ms=LATE_MS - 5))
    receive, random = run.link.receive, Random(5)

    def breaking(until_s: float) -> bytes:
        if random.random() < 0.002:
            run.link.close()
            raise LinkDown("pulled")
        return receive(until_s)

    run.link.receive = breaking
    run.polls(POLLS)
    assert run.exchanges.errors["link_down"] > 2
    assert run.wrong == []
    assert run.good["lonely"] > POLLS / 4

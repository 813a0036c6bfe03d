"""The modelled serial line, asked with hand-written bytes: its time, and each of its faults."""

from __future__ import annotations

import errno
import os
import select
import statistics
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from linectl.registers.frames import crc16
from linectl.registers.wire_time import character_ms, silence_ms
from linectl.site.hardware import SerialLine
from linectl_sim.line_devices import RegisterDevice, told
from linectl_sim.line_engine import LineEngine
from linectl_sim.line_faults import LineFaults
from linectl_sim.paced_line import PacedLine

pytestmark = pytest.mark.wire

# MODBUS over Serial Line V1.02: CRC low byte first; the request of the specification's example.
ASK = bytes.fromhex("11 03 00 6B 00 03 76 87")
FAST = SerialLine(baud=115_200)


def drive(**more: Any) -> RegisterDevice:
    """Unit 11h with the three registers of the specification's example."""
    written = {("holding", 0x6B): 0x022B, ("holding", 0x6C): 0, ("holding", 0x6D): 0x0064}
    return RegisterDevice(0x11, {"holding": range(0x100)}, written=written, **more)


ANSWER = bytes.fromhex("11 03 06 02 2B 00 00 00 64 C8 BA")


class Master:
    """Raw bytes to a pseudo-terminal or a socket, and when they came back."""

    def __init__(self, fd: int) -> None:
        self.fd = fd
        self.came_s: list[float] = []

    def say(self, frame: bytes) -> None:
        os.write(self.fd, frame)

    def hear(self, count: int = 512, wait_s: float = 0.12) -> bytes:
        """Up to `count` bytes, or what came by then."""
        heard = b""
        self.came_s = []
        end_s = time.monotonic() + wait_s
        while len(heard) < count and (left_s := end_s - time.monotonic()) > 0:
            if select.select([self.fd], [], [], left_s)[0]:
                more = os.read(self.fd, 512)
                if not more:
                    break
                self.came_s += [time.monotonic()] * len(more)
                heard += more
        return heard

    def ask(self, frame: bytes, count: int = 512, wait_s: float = 0.12) -> bytes:
        self.say(frame)
        return self.hear(count, wait_s)


@pytest.fixture
def line() -> Iterator[Callable[..., tuple[PacedLine, Master]]]:
    """A line with the example's drive on it, and a master that has opened it."""
    begun: list[PacedLine] = []
    opened: list[int] = []

    def begin(baud: int = 115_200, **more: Any) -> tuple[PacedLine, Master]:
        answer = more.pop("answer", None) or [drive()]
        faults = LineFaults(**more.pop("faults", {}))
        begun.append(PacedLine(SerialLine(baud=baud), answer, faults, **more))
        opened.append(os.open(begun[-1].path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK))
        return begun[-1], Master(opened[-1])

    yield begin
    for fd in opened:
        os.close(fd)
    for one in begun:
        one.close()


# its time


@pytest.mark.parametrize("baud", [19_200, 115_200])
def test_an_exchange_takes_the_time_of_its_characters_and_silence(
    line: Any, baud: int, record_property: Callable[[str, object], None]
) -> None:
    """MODBUS over Serial Line V1.02, 2.5.1.1: 11 bits a character, t3.5 between frames. Never
    before its time, and on average less than 10 % after it, our own reading included."""
    one, master = line(baud, answer=[drive(turnaround_ms=2.0)])
    facts = SerialLine(baud=baud)
    limit_ms = (len(ASK) + len(ANSWER)) * character_ms(facts) + silence_ms(facts) + 2.0
    took_ms = []
    for _ in range(20):
        start_s = time.monotonic()
        assert master.ask(ASK, len(ANSWER)) == ANSWER
        took_ms.append((time.monotonic() - start_s) * 1000)
        master.hear(1, silence_ms(facts) / 1000 + 0.001)
    assert min(took_ms) >= limit_ms
    assert statistics.median(took_ms) <= 1.10 * limit_ms
    assert one.breaches == {}
    record_property("limit_ms", limit_ms)
    record_property("median_ms", statistics.median(took_ms))


def test_no_byte_comes_before_its_time(line: Any) -> None:
    _, master = line(9_600)
    master.say(ASK)
    start_s = time.monotonic()
    assert master.hear(len(ANSWER)) == ANSWER
    facts = SerialLine(baud=9_600)
    first_ms = len(ASK) * character_ms(facts) + silence_ms(facts)
    for place, came_s in enumerate(master.came_s):
        due_ms = first_ms + (place + 1) * character_ms(facts)
        assert (came_s - start_s) * 1000 >= due_ms - 0.5, place  # our clock began a moment late
    assert master.came_s[-1] - master.came_s[0] >= 9 * character_ms(facts) / 1000


def test_without_pacing_bytes_pass_at_once(line: Any) -> None:
    _, master = line(300, pace=False)
    start_s = time.monotonic()
    assert master.ask(ASK, len(ANSWER)) == ANSWER
    assert time.monotonic() - start_s < 0.1  # 19 characters at 300 baud take 697 ms


def test_a_frame_with_a_silence_inside_is_two_pieces_of_junk(line: Any) -> None:
    """V1.02, 2.5.1.1: a silence of 3.5 characters ends a frame."""
    _, master = line()
    master.say(ASK[:4])
    assert master.hear(wait_s=0.02) == b""
    assert master.ask(ASK[4:]) == b""
    assert master.ask(ASK, len(ANSWER)) == ANSWER


def test_a_master_that_keeps_no_silence_is_counted(line: Any) -> None:
    one, master = line(9_600)
    assert master.ask(ASK, len(ANSWER)) == ANSWER
    assert master.ask(ASK, len(ANSWER)) == ANSWER
    assert one.breaches == {"kept no silence": 1}


# its faults


def undamaged(frame: bytes) -> bool:
    return len(frame) > 3 and crc16(frame[:-2]) == frame[-2:]


@pytest.mark.parametrize("fault", ["silence", "lost"])
def test_no_answer(line: Any, fault: str) -> None:
    device = drive()
    one, master = line(answer=[device], faults={fault: 1.0})
    assert master.ask(ASK) == b""
    assert one.played == {fault: 1}
    assert device.served == (fault == "lost")


@pytest.mark.parametrize("fault", ["noise", "dropped", "repeated"])
def test_bytes_are_hit_both_ways(line: Any, fault: str) -> None:
    one, master = line(
        answer=lambda frame: [(0.0, ANSWER)] if frame != ASK else [], faults={fault: 0.3}, seed=3
    )
    heard = master.ask(ASK)  # an answer at all: the request did not arrive as it was sent
    assert heard != ANSWER
    assert len(heard) > 0
    assert one.played[fault] >= 2
    if fault == "noise":
        assert len(heard) == len(ANSWER)
    else:
        assert (len(heard) > len(ANSWER)) == (fault == "repeated")


def test_half_an_answer(line: Any) -> None:
    one, master = line(faults={"half": 1.0})
    heard = master.ask(ASK)
    assert 0 < len(heard) < len(ANSWER)
    assert ANSWER.startswith(heard)
    assert one.played == {"half": 1}


def test_a_gap_inside_an_answer(line: Any) -> None:
    one, master = line(faults={"gap": 1.0, "gap_ms": 20.0})
    assert master.ask(ASK, len(ANSWER)) == ANSWER
    assert master.came_s[-1] - master.came_s[0] >= 0.02
    assert one.played == {"gap": 1}


def test_the_master_hears_itself(line: Any) -> None:
    one, master = line(faults={"echo": 1.0})
    assert master.ask(ASK, len(ASK + ANSWER)) == ASK + ANSWER
    assert one.played == {"echo": 1}


def test_the_master_hears_a_part_of_itself(line: Any) -> None:
    one, master = line(faults={"partial_echo": 1.0})
    heard = master.ask(ASK)
    assert heard.endswith(ANSWER)
    part = heard.removesuffix(ANSWER)
    assert 0 < len(part) < len(ASK)
    assert ASK.startswith(part) or ASK.endswith(part)
    assert one.played == {"partial_echo": 1}


def test_glitches_come_before_the_frame(line: Any) -> None:
    one, master = line(faults={"glitch": 1.0})
    heard = master.ask(ASK)
    assert heard.endswith(ANSWER)
    assert 1 <= len(heard) - len(ANSWER) <= 3
    assert set(heard.removesuffix(ANSWER)) <= {0x00, 0xFF}
    assert one.played == {"glitch": 1}


def test_another_unit_speaks(line: Any) -> None:
    one, master = line(faults={"wrong_unit": 1.0})
    heard = master.ask(ASK, len(ANSWER))
    assert undamaged(heard)
    assert heard[0] != 0x11
    assert heard[1:-2] == ANSWER[1:-2]
    assert one.played == {"wrong_unit": 1}


def test_another_function_is_answered(line: Any) -> None:
    one, master = line(faults={"wrong_function": 1.0})
    heard = master.ask(ASK, len(ANSWER))
    assert undamaged(heard)
    assert heard[0] == 0x11
    assert heard[1] != 3
    assert one.played == {"wrong_function": 1}


def test_an_answer_of_another_length_with_a_true_or_a_false_count(line: Any) -> None:
    one, master = line(faults={"wrong_length": 1.0}, pace=False)
    counts = set()
    for _ in range(24):
        heard = master.ask(ASK, wait_s=0.01)
        assert undamaged(heard)
        assert len(heard) in (len(ANSWER) - 2, len(ANSWER) + 2)
        counts.add((len(heard) > len(ANSWER), heard[2] == len(heard) - 5))
    assert counts == {(longer, true) for longer in (False, True) for true in (False, True)}
    assert one.played == {"wrong_length": 24}


def test_every_exception_is_played_and_nothing_is_done(line: Any) -> None:
    device = drive()
    one, master = line(answer=[device], faults={"exception": 1.0}, pace=False)
    codes = set()
    for _ in range(60):
        heard = master.ask(ASK, 5)
        assert undamaged(heard)
        assert heard[:2] == b"\x11\x83"
        codes.add(heard[2])
    assert codes == {1, 2, 3, 4, 5, 6, 0x0A, 0x0B}
    assert one.played["exception"] == 60
    assert device.served == 0


def test_late_answers_come_in_order(line: Any) -> None:
    """The device serves one request at a time: the second waits for the first's answer."""
    device = drive(late_ms=60.0)
    _, master = line(answer=[device], pace=False)
    second = bytes.fromhex("11 03 00 6C 00 01")
    master.say(ASK)
    assert master.hear(wait_s=0.02) == b""
    start_s = time.monotonic()
    heard = master.ask(second + crc16(second), len(ANSWER) + 7, 1.0)
    assert heard == ANSWER + bytes.fromhex("11 03 02 00 00") + crc16(
        bytes.fromhex("11 03 02 00 00")
    )
    assert time.monotonic() - start_s >= 0.09


def test_a_share_of_answers_is_late(line: Any) -> None:
    one, master = line(faults={"late": 1.0, "late_ms": (30.0, 40.0)})
    start_s = time.monotonic()
    assert master.ask(ASK, len(ANSWER)) == ANSWER
    assert time.monotonic() - start_s >= 0.03
    assert one.played == {"late": 1}


def test_the_same_seed_plays_the_same_faults() -> None:
    """No clock: two lines fed the same bytes at the same times say the same."""

    def heard(seed: int) -> list[bytes]:
        said: list[bytes] = []
        faults = LineFaults(noise=0.02, half=0.1, exception=0.1, glitch=0.1, late=0.2)
        engine = LineEngine(FAST, [drive()], lambda data, _: said.append(data), faults, seed)
        for second in range(50):
            engine.hear(ASK, float(second))
            while engine.due_s is not None:
                engine.step(engine.due_s)
        return said

    assert heard(1) == heard(1)
    assert heard(1) != heard(2)


# the port


def test_a_port_vanishes_and_returns_under_another_name(line: Any, tmp_path: Path) -> None:
    link = tmp_path / "usb-adapter"
    one, master = line(link=link)
    assert one.path == str(link)
    before = os.readlink(link)
    assert master.ask(ASK, len(ANSWER)) == ANSWER
    one.vanish()
    assert not link.exists()
    assert one.played == {"vanished": 1}
    with pytest.raises(OSError) as hangup:
        os.write(master.fd, ASK)
    assert hangup.value.errno == errno.EIO
    one.come_back()
    assert os.readlink(link) != before
    fd = os.open(link, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    try:
        assert Master(fd).ask(ASK, len(ANSWER)) == ANSWER
    finally:
        os.close(fd)


# registers that name themselves


def test_every_register_holds_what_no_other_holds() -> None:
    cells = {
        (unit, table, address): told(7, unit, table, address)
        for unit in (1, 2)
        for table in ("holding", "input")
        for address in range(50)
    }
    assert len(set(cells.values())) >= len(cells) - 1  # 16 bits: two of 200 may once be equal


def test_a_counting_register_tells_an_old_answer_from_a_new_one(line: Any) -> None:
    _, master = line(answer=[drive(counts_at=5)], pace=False)
    ask = bytes.fromhex("11 03 00 05 00 01")
    heard = [master.ask(ask + crc16(ask), 7)[3:5] for _ in range(3)]
    assert heard == [b"\0\1", b"\0\2", b"\0\3"]


def test_faults_may_begin_and_end_while_the_line_runs(line: Any) -> None:
    one, master = line(pace=False)
    one.faults = LineFaults(silence=1.0)
    assert master.ask(ASK, wait_s=0.02) == b""
    one.faults = LineFaults()
    assert master.ask(ASK, len(ANSWER)) == ANSWER
    assert one.played == {"silence": 1}


def test_a_device_hears_nothing_in_the_pause_that_it_needs(line: Any) -> None:
    one, master = line(answer=[drive(pause_ms=30.0)])
    assert master.ask(ASK, len(ANSWER)) == ANSWER
    assert master.ask(ASK, wait_s=0.02) == b""
    assert one.breaches["left no pause"] == 1
    assert master.hear(wait_s=0.03) == b""
    assert master.ask(ASK, len(ANSWER)) == ANSWER

"""What follows a failed exchange: counted where it happened, kept quiet for, proven, or closed."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from random import Random
from typing import Any

import pytest

from linectl.errors import DeviceRefused, ForeignAnswer, LinkDown, Silent
from linectl.field.asks import Ask
from linectl.field.device import FieldDevice
from linectl.field.exchanges import (
    BUSY,
    BUSY_AGAIN_MS,
    DAMAGED_QUIET_MS,
    DEAD_MS,
    Exchanges,
)
from linectl.field.modbus import Late
from linectl.registers.wire_time import UNPROVEN_QUIET
from linectl.site.hardware import Device, Point, RtuBus, TcpBus

TIMES = {"poll": "20ms", "timeout": "50ms"}
LINE = RtuBus.model_validate({"kind": "rtu", "port": "/dev/null"} | TIMES)
NET = TcpBus.model_validate({"kind": "tcp", "host": "h"} | TIMES)

WORDS = [{"direction": "in", "table": "holding", "address": k, "type": "u16"} for k in range(4)]
COIL = {"direction": "out", "table": "coil", "address": 0, "type": "bool"}
ONE_WORD = [WORDS[0], COIL]

Answer = Sequence[int] | Exception


class FakeWire:
    """Answers as told; keeps what it was asked, and how long it was to be quiet."""

    def __init__(self, numbered: bool, serial: bool) -> None:
        self.numbered = numbered
        self.serial = serial
        self.is_open = True
        self.timeout_ms = 50
        self.latency_ms = 4.0
        self.answers: list[Answer] = []
        self.log: list[Any] = []
        self.late: list[Late] = []
        self.came_in_quiet = False

    def read(self, ask: Ask) -> Sequence[int]:
        self.log.append(ask)
        answer = self.answers.pop(0) if self.answers else (0,) * ask.quantity
        if isinstance(answer, Exception):
            if isinstance(answer, LinkDown):
                self.is_open = False
            raise answer
        return answer

    def write(self, ask: Ask) -> None:
        self.read(ask)

    def settle(
        self, ask: Ask, late_ms: float, outstanding: bool, meanwhile: Callable[[], None] = print
    ) -> bool:
        self.log.append((late_ms, outstanding))
        return self.came_in_quiet

    def rest(self, pause_ms: int) -> None:
        if pause_ms:
            self.log.append(f"rest {pause_ms}")

    def take_late(self) -> list[Late]:
        late, self.late = self.late, []
        return late

    def close(self) -> None:
        self.is_open = False
        self.log.append("closed")

    def take_log(self) -> list[Any]:
        log, self.log = self.log, []
        return log


class Bench:
    def __init__(
        self, build: Callable[..., FieldDevice], numbered: bool, serial: bool, **facts: Any
    ) -> None:
        self.now = 0
        rows = facts.pop("rows", [*WORDS, COIL])
        self.device = build(rows, NET if numbered else LINE, **facts)
        self.wire = FakeWire(numbered, serial)
        self.exchanges = Exchanges(
            self.wire,  # type: ignore[arg-type]
            [self.device],
            lambda: self.now,
        )
        self.read = self.device.reads.reads[0].ask if self.device.reads.reads else None
        self.write = self.device.outputs.refresh()[0]

    def ask(self, *answers: Answer, ask: Ask | None = None) -> Any:
        """One exchange; the wire answers in this order, then well."""
        self.wire.answers = list(answers)
        return self.exchanges.do(self.device, ask or self.read)

    def log(self) -> list[Any]:
        return self.wire.take_log()


@pytest.fixture
def bench(
    points_of: Callable[[list[dict[str, Any]]], tuple[Point, ...]],
    device_of: Callable[..., Device],
) -> Iterator[Callable[..., Bench]]:
    def build(rows: list[dict[str, Any]], bus: Any, **facts: Any) -> FieldDevice:
        return FieldDevice("io", device_of(**facts), bus, points_of(rows), Random(1))

    yield lambda numbered=False, serial=True, **facts: Bench(build, numbered, serial, **facts)


SILENT = Silent("no answer")
CRC = ForeignAnswer("damaged", "crc")
STALE = ForeignAnswer("another length", "stale")


def test_after_silence_a_line_is_quiet_for_longer_than_the_device_may_be_late(bench) -> None:
    b = bench(late="120ms")
    assert b.ask(SILENT) is None
    assert b.log() == [b.read, (120.0, True)]


def test_without_a_declared_lateness_it_is_the_time_out_again(bench) -> None:
    b = bench()
    b.ask(SILENT)
    assert b.log()[-1] == (50.0, True)


def test_a_device_in_doubt_is_proven_before_anything_else_is_asked(bench) -> None:
    b = bench()
    b.ask(SILENT)
    b.log()
    proof, then = b.device.reads.proofs[0], b.device.reads.proofs
    assert b.ask(ask=b.write) == ()
    asked = b.log()
    assert asked[0] in then
    assert asked[1:] == [b.write]
    assert proof.quantity < b.read.quantity
    b.ask()
    assert b.log() == [b.read]  # proven: no doubt is left


def test_the_proof_goes_before_a_read_that_may_be_refused_too(bench) -> None:
    b = bench()
    b.ask(SILENT)
    b.log()
    assert b.exchanges.try_read(b.device, b.read) == (0, 0, 0, 0)
    assert b.log()[0] in b.device.reads.proofs


def test_a_failed_proof_keeps_the_doubt_and_the_question_unasked(bench) -> None:
    b = bench()
    b.ask(SILENT)
    b.log()
    for failure in (STALE, SILENT, CRC):
        assert b.ask(failure, ask=b.write) is None
        asked = b.log()
        assert asked[0] in b.device.reads.proofs
        assert b.write not in asked
        assert isinstance(asked[1], tuple)  # and the line is quiet again


def test_proofs_take_turns_so_that_a_late_one_is_not_taken_for_the_next(bench) -> None:
    b = bench()
    b.ask(SILENT)
    b.log()
    assert len(b.device.reads.proofs) == 2
    asked = []
    for _ in range(4):
        b.wire.late = [Late("io", 5.0)]  # counted meanwhile: it must not spoil the turns
        b.ask(SILENT)
        asked.append(b.log()[0])
    assert asked[0] == asked[2] != asked[1] == asked[3]


def test_an_answer_that_comes_whole_in_the_quiet_time_leaves_no_doubt(bench) -> None:
    b = bench()
    b.wire.came_in_quiet = True
    b.ask(SILENT)
    b.log()
    b.ask()
    assert b.log() == [b.read]


def test_numbered_answers_cannot_be_mistaken_no_quiet_no_doubt(bench) -> None:
    b = bench(numbered=True, serial=False)
    for failure in (SILENT, STALE, DeviceRefused("busy", BUSY)):
        b.ask(failure)
    assert b.log() == [b.read] * 3
    b.ask()
    assert b.log() == [b.read]


def test_after_damage_a_short_quiet_is_enough_the_answer_has_come(bench) -> None:
    b = bench(late="120ms")
    b.ask(CRC)
    assert b.log() == [b.read, (DAMAGED_QUIET_MS, False)]
    b.ask()
    assert b.log()[0] in b.device.reads.proofs


@pytest.mark.parametrize("kind", ["stale", "foreign", "short", "stray", "echo"])
def test_after_an_answer_to_something_else_ours_may_still_come(bench, kind: str) -> None:
    b = bench(late="120ms")
    b.ask(ForeignAnswer("", kind))
    assert b.log() == [b.read, (120.0, False)]


@pytest.mark.parametrize("code", [5, 6, 10, 11])
def test_a_busy_device_or_gateway_may_answer_later_all_the_same(bench, code: int) -> None:
    b = bench(late="120ms")
    b.ask(DeviceRefused("", code))
    assert b.log() == [b.read, (120.0, True)]
    assert b.exchanges.try_read(b.device, b.read) == (0, 0, 0, 0)
    assert b.log()[0] in b.device.reads.proofs
    b.wire.answers = [DeviceRefused("", code)]
    assert b.exchanges.try_read(b.device, b.read) is None
    assert b.log()[-1] == (120.0, True)


@pytest.mark.parametrize("code", [1, 2, 3, 4, 8])
def test_a_plain_refusal_is_the_answer_nothing_else_comes(bench, code: int) -> None:
    b = bench()
    b.ask(DeviceRefused("", code))
    assert b.log() == [b.read]
    b.ask()
    assert b.log() == [b.read]


def test_the_caller_may_ask_for_less_before_a_refusal_counts(bench) -> None:
    b = bench()
    error = DeviceRefused("no such address", 2)
    b.wire.answers = [error]
    assert b.exchanges.try_read(b.device, b.read) is error
    assert b.exchanges.errors == {}
    b.exchanges.refused(b.device, b.read, error)
    assert b.exchanges.errors == {"refused_2": 1}


@pytest.mark.parametrize(("failure", "late_ms"), [(SILENT, 120.0), (CRC, 120.0), (STALE, 120.0)])
def test_a_device_without_a_proving_read_gets_the_longer_quiet(
    bench, failure: Exception, late_ms: float
) -> None:
    b = bench(rows=ONE_WORD, late="120ms")
    assert b.device.reads.proofs == ()
    b.ask(failure)
    assert b.log()[1][0] == late_ms * UNPROVEN_QUIET
    b.ask()
    assert b.log() == [b.read]


def test_a_refused_proof_gives_way_to_the_next_and_then_to_quiet(bench) -> None:
    """Else a device whose first address is a hole would never be heard on a serial line."""
    b = bench(late="120ms")
    b.exchanges.relinked()
    first, second = b.device.reads.proofs
    hole = DeviceRefused("no such address", 2)
    assert b.ask(hole) is None
    assert b.ask(hole) is None
    log = b.log()
    assert {log[0], log[2]} == {first, second}
    # A refusal in doubt may itself be a late answer: quiet, doubled once nothing proves any more.
    assert [log[1], log[3]] == [(120.0, True), (120.0 * UNPROVEN_QUIET, True)]
    assert b.device.reads.proofs == ()
    assert not b.device.demoted
    assert b.ask() == (0, 0, 0, 0)


def test_a_busy_proof_is_asked_again(bench) -> None:
    b = bench()
    b.ask(SILENT)
    proofs = b.device.reads.proofs
    b.ask(DeviceRefused("", BUSY))
    assert b.device.reads.proofs == proofs


def test_after_a_link_came_back_every_device_is_in_doubt(bench) -> None:
    b = bench()
    b.exchanges.relinked()
    b.ask()
    log = b.log()
    assert log[0] in b.device.reads.proofs
    assert log[1] == b.read


def test_after_a_link_came_back_a_device_without_proof_is_waited_for_once(bench) -> None:
    """A converter may hand the answer to an old connection's question to the new one."""
    b = bench(rows=ONE_WORD, late="120ms")
    b.exchanges.relinked()
    assert b.ask() == (0,)
    assert b.log() == [(b.wire.timeout_ms + 120.0 * UNPROVEN_QUIET, False), b.read]
    b.ask()
    assert b.log() == [b.read]


def test_a_numbered_link_that_came_back_needs_neither(bench) -> None:
    b = bench(numbered=True, serial=False)
    b.exchanges.relinked()
    b.ask()
    assert b.log() == [b.read]


def test_a_device_rests_after_its_refusals_and_failures_too(bench) -> None:
    b = bench(pause="7ms")
    b.ask()
    assert b.log() == [b.read, "rest 7"]
    b.ask(DeviceRefused("", 4))
    assert set(b.log()) == {b.read, "rest 7"}
    b.wire.answers = [DeviceRefused("", 2)]
    b.exchanges.try_read(b.device, b.read)
    assert b.log() == [b.read, "rest 7"]
    b.ask(CRC)
    assert "rest 7" in b.log()


# Late answers.


def test_late_answers_are_counted_at_their_device(bench) -> None:
    b = bench(numbered=True, serial=False)
    b.wire.late = [Late("io", 12.0), Late("another", 3.0)]
    b.ask()
    assert b.exchanges.errors == {"late": 2}
    assert b.device.health().errors == {"late": 1}
    assert b.device.lateness.late == 1


def test_late_answers_are_counted_with_a_failure_too(bench) -> None:
    b = bench()
    b.wire.late = [Late("io", 12.0)]
    b.ask(SILENT)
    assert b.device.health().errors == {"silent": 1, "late": 1}


def test_rising_lateness_is_told_while_the_device_is_good(bench) -> None:
    b = bench(numbered=True, serial=False)
    for _ in range(3):
        b.wire.late = [Late("io", 12.0)]
        b.ask()
    for read in b.device.reads.due(0):
        read.take((0, 0, 0, 0))
    b.device.finish()
    assert b.device.snapshot.good
    (remark,) = b.device.snapshot.remarks
    assert remark.tag == "io.late"
    assert "worst 62 ms" in remark.text


# Links.


def test_a_broken_link_is_every_devices_and_closes(bench) -> None:
    b = bench()
    for read in b.device.reads.due(0):
        read.take((0, 0, 0, 0))
    b.device.finish()
    b.ask(LinkDown("unplugged"))
    assert not b.wire.is_open
    assert b.exchanges.errors == {"link_down": 1}
    b.now = 201
    b.exchanges.link_failed(LinkDown("unplugged"))
    health = b.device.health()
    assert (health.good, health.demoted, health.quality) == (False, False, "link_down")


def test_a_connection_that_brings_nothing_is_closed_by_our_own_count(bench) -> None:
    b = bench(numbered=True, serial=False)
    b.now = b.wire.timeout_ms  # the first request went out at 0
    b.ask(SILENT)
    b.now = DEAD_MS - 1
    b.ask(SILENT)
    assert b.wire.is_open
    b.now = DEAD_MS
    b.exchanges.close_if_dead()  # by the clock: demoted devices may not be asked for a while
    assert not b.wire.is_open


def test_one_device_that_is_slower_than_its_time_out_is_no_dead_connection(bench) -> None:
    b = bench(numbered=True, serial=False)
    b.ask(SILENT)
    b.now = 2 * DEAD_MS
    b.exchanges.close_if_dead()
    assert b.wire.is_open


def test_a_link_that_is_down_is_not_asked_and_not_told_again(bench) -> None:
    b = bench()
    b.wire.close()
    b.log()
    assert b.ask() is None
    assert b.exchanges.try_read(b.device, b.read) is None
    assert b.log() == []
    assert b.exchanges.errors == {}


@pytest.mark.parametrize("sign", [(0, 0, 0, 0), STALE, DeviceRefused("", 11)])
def test_any_sign_of_life_keeps_a_connection(bench, sign: Answer) -> None:
    b = bench(numbered=True, serial=False)
    b.ask(SILENT)
    b.now = DEAD_MS - 1
    b.ask(sign)
    b.now = DEAD_MS + 1
    b.ask(SILENT)
    assert b.wire.is_open


def test_a_serial_port_is_not_closed_for_silence(bench) -> None:
    b = bench()
    for now in range(0, 5 * DEAD_MS, 100):
        b.now = now
        b.ask(SILENT)
    assert b.wire.is_open


def test_a_connection_that_came_back_is_counted_anew(bench) -> None:
    b = bench(numbered=True, serial=False)
    b.ask(SILENT)
    b.now = 10 * DEAD_MS
    b.exchanges.relinked()
    b.ask(SILENT)
    assert b.wire.is_open


# Writes.


def test_a_refused_write_is_not_asked_again_before_its_refresh(bench) -> None:
    b = bench(numbered=True, serial=False)
    b.device.refresh_at_ms = 500
    change = b.device.outputs.next_change()
    b.ask(DeviceRefused("", 3), ask=change)
    assert b.device.outputs.next_change() is None
    assert b.device.refresh_at_ms == 500
    assert b.device.outputs.refresh() == [change]


def test_another_demand_is_tried_after_a_refusal(bench) -> None:
    b = bench(numbered=True, serial=False)
    outputs = b.device.outputs
    none = (0,) * len(WORDS)
    outputs.demand((*none, False))
    off = outputs.next_change()
    b.ask(DeviceRefused("", 3), ask=off)
    outputs.demand((*none, True))
    on = outputs.next_change()
    assert on is not None
    assert on.cells == (1,)


def test_a_write_that_a_busy_device_refused_is_repeated_soon(bench) -> None:
    """A stop must not wait for the refresh because the device was busy for a moment."""
    b = bench(numbered=True, serial=False)
    b.device.refresh_at_ms = 500
    b.now = 20
    change = b.device.outputs.next_change()
    b.ask(DeviceRefused("", BUSY), ask=change)
    assert b.device.outputs.next_change() is None  # but not at once: it never loops
    assert b.device.refresh_at_ms == 20 + BUSY_AGAIN_MS


def test_a_write_without_an_answer_may_or_may_not_have_arrived(bench) -> None:
    b = bench(numbered=True, serial=False)
    change = b.device.outputs.next_change()
    b.ask(SILENT, ask=change)
    assert b.device.outputs.next_change() == change
    b.ask(ask=change)
    assert b.device.outputs.next_change() is None


def test_a_device_that_takes_no_write_is_lost_after_its_time(bench) -> None:
    b = bench(numbered=True, serial=False)
    for read in b.device.reads.due(0):
        read.take((0, 0, 0, 0))
    b.device.finish()
    b.ask(DeviceRefused("", 4), ask=b.write)
    b.now = 150
    b.device.begin(b.now)
    b.device.finish()
    b.now = 201
    b.ask(DeviceRefused("", 4), ask=b.write)
    assert not b.device.snapshot.good
    assert b.device.health().quality == "refused"

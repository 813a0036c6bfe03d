"""S17: an answer later than its device's declared lateness, met by the very next exchange."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from random import Random
from typing import NamedTuple

import pytest

from linectl.field.asks import Ask
from linectl.field.device import FieldDevice
from linectl.field.exchanges import Exchanges
from linectl.field.modbus import Wire
from linectl.site.hardware import Device, Point, RtuBus
from linectl_sim.line_devices import RegisterDevice, told
from linectl_sim.line_faults import LineFaults
from linectl_sim.paced_line import PacedLine

pytestmark = pytest.mark.wire

UNIT, TIMEOUT_MS, LATE_MS = 7, 80, 20
BEYOND_MS = 125.0
"""After the time-out and the quiet time, and well before the next exchange's own time-out."""
PLACES = [("holding", 0), ("holding", 12), ("input", 0), ("input", 1)]
"""Two reads of one length and function; the input registers' read gives the proving one."""


class Line(NamedTuple):
    exchanges: Exchanges
    device: FieldDevice
    model: RegisterDevice
    paced: PacedLine

    def read_of(self, address: int) -> Ask:
        """The planned read of that holding register."""
        asks = (read.ask for read in self.device.reads.reads)
        return next(ask for ask in asks if ask.function == 3 and ask.address == address)


def _point(index: int, table: str, address: int) -> Point:
    return Point.model_validate(
        {"index": index, "line": index + 2, "tag": f"p{index}.value", "direction": "in"}
        | {"device": "d", "table": table, "address": address, "type": "u16"}
    )


@pytest.fixture
def line_of(clock: Callable[[], int]) -> Iterator[Callable[..., Line]]:
    """A device with an input at each place, on a paced line, met and good."""
    opened: list[Wire | PacedLine] = []

    def build(places: Sequence[tuple[str, int]] = PLACES) -> Line:
        times = {"poll": "20ms", "timeout": f"{TIMEOUT_MS}ms", "baud": 115_200, "parity": "none"}
        bus = RtuBus.model_validate({"kind": "rtu", "port": "/dev/null"} | times)
        facts = {"bus": "line", "unit": UNIT, "silent_after": "1h", "late": f"{LATE_MS}ms"}
        points = [_point(k, *place) for k, place in enumerate(places)]
        device = FieldDevice("d", Device.model_validate(facts), bus, points, Random(1))
        addresses = {"holding": range(40), "input": range(4)}
        # Its turnaround parts the late answer from the next one.
        model = RegisterDevice(UNIT, addresses, turnaround_ms=15.0)
        paced = PacedLine(bus, [model])
        wire = Wire("line", bus, "", paced.path)
        opened.extend((wire, paced))
        wire.open()
        exchanges = Exchanges(wire, [device], clock)
        assert exchanges.try_read(device, device.reads.reads[0].ask) is not None
        return Line(exchanges, device, model, paced)

    yield build
    for thing in opened:
        thing.close()


def _answer_late(line: Line, ask: Ask) -> None:
    """The device answers this one later than it is declared to."""
    line.model.late_ms = BEYOND_MS
    assert line.exchanges.do(line.device, ask) is None
    line.model.late_ms = 0.0


def test_a_read_after_it_never_gets_the_other_registers_value(
    line_of: Callable[..., Line],
) -> None:
    line = line_of()
    assert line.device.reads.proofs
    _answer_late(line, line.read_of(0))
    read = line.read_of(12)
    expected = told(0, UNIT, "holding", 12)
    values = [line.exchanges.try_read(line.device, read) for _ in range(4)]
    assert [list(cells) for cells in values if cells] != []
    assert all(list(cells) == [expected] for cells in values if cells)


def test_a_write_after_it_is_not_taken_for_done_by_the_earlier_ones_answer(
    line_of: Callable[..., Line],
) -> None:
    """The same register and value: the first answer, late, would fit the second question, which
    the device never hears."""
    line = line_of()
    ask = Ask("d", UNIT, 6, 30, 1, (5,))
    _answer_late(line, ask)
    line.paced.faults = LineFaults(silence=1.0)
    assert line.exchanges.do(line.device, ask) is None
    assert line.paced.played["silence"] > 0


def test_what_comes_before_the_question_is_no_answer_to_it(
    line_of: Callable[..., Line], eventually: Callable[..., float]
) -> None:
    """Of a device that has no proving read: all its reads have one length."""
    line = line_of(PLACES[:2])
    assert not line.device.reads.proofs
    asked_s = time.monotonic()
    _answer_late(line, line.read_of(0))
    eventually(lambda: time.monotonic() > asked_s + (BEYOND_MS + 60.0) / 1000)
    assert line.exchanges.try_read(line.device, line.read_of(12)) is None
    assert line.exchanges.errors["stray"] == 1
    line.exchanges.try_read(line.device, line.read_of(12))
    (value,) = line.exchanges.try_read(line.device, line.read_of(12)) or ()
    assert value == told(0, UNIT, "holding", 12)

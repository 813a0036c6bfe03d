"""S17: never another register's data: long campaigns on a line with late, noisy and lying devices.

Every register of the model holds a value that belongs to no other register, and one counts the
requests that its device has served: so the answer to another question, and an old answer to the
same question, are both found out.
"""

from __future__ import annotations

import math
import os
import time
from collections import Counter
from collections.abc import Callable, Iterator
from random import Random
from typing import Any, NamedTuple

import pytest

from linectl.errors import DeviceRefused
from linectl.field.asks import Ask
from linectl.field.device import FieldDevice
from linectl.field.exchanges import Exchanges
from linectl.field.modbus import Wire
from linectl.site.hardware import Bus, Device, Point, RtuBus, TcpBus
from linectl_sim.converter_port import ConverterPort
from linectl_sim.line_devices import RegisterDevice, told
from linectl_sim.line_faults import LineFaults
from linectl_sim.paced_line import PacedLine

pytestmark = [pytest.mark.wire, pytest.mark.campaign]

EXCHANGES = 100_000 if os.environ.get("LINECTL_CAMPAIGN") == "full" else 800
TIMEOUT_MS, LATE_MS = 8, 12
COUNTER = 9
UNITS = (3, 4, 17)
ADDRESSES = {"holding": range(40), "input": range(20), "discrete": range(64), "coil": range(16)}
LINE = {"baud": 115_200, "parity": "none"}
TIMES = {"poll": "20ms", "timeout": f"{TIMEOUT_MS}ms"}
RTU = RtuBus.model_validate({"kind": "rtu", "port": "/dev/null"} | LINE | TIMES)
CONVERTER = TcpBus.model_validate(
    {"kind": "tcp", "host": "127.0.0.1", "framing": "rtu", "line": LINE} | TIMES
)

ROWS = [
    ("holding", 0, "u16"),
    ("holding", COUNTER, "u16"),
    ("holding", 12, "u16"),
    ("input", 0, "u16"),
    ("input", 1, "u16"),
    ("input", 4, "u16"),
    *(("discrete", address, "bool") for address in range(12)),
    ("coil", 0, "bool"),
]


class Told(NamedTuple):
    """How a campaign went: good answers, wrong ones, failures by kind, the bus's own counts."""

    good: int
    wrong: list[str]
    failed: int
    kinds: Counter[str]
    seconds: float


def field_device(name: str, unit: int, bus: Bus, late_ms: int) -> FieldDevice:
    facts = Device.model_validate(
        {"bus": "line", "unit": unit, "silent_after": "1h", "late": f"{late_ms}ms", "gaps": False}
    )
    points = [
        Point.model_validate(
            {
                "index": k,
                "line": k + 2,
                "tag": f"p{k}.value",
                "direction": "in",
                "device": name,
                "table": table,
                "address": address,
                "type": type_,
            }
        )
        for k, (table, address, type_) in enumerate(ROWS)
    ]
    return FieldDevice(name, facts, bus, points, Random(unit))


def register_devices() -> list[RegisterDevice]:
    return [RegisterDevice(unit, ADDRESSES, salt=unit, counts_at=COUNTER) for unit in UNITS]


Run = Callable[..., Told]


def campaign(
    wire: Wire, bus: Bus, models: list[RegisterDevice], seed: int, count: int, late_ms: int
) -> Told:
    """`count` exchanges on an open wire."""
    random = Random(f"campaign {seed}")
    start_s = time.monotonic()
    clock = lambda: int((time.monotonic() - start_s) * 1000)  # noqa: E731
    devices = [field_device(f"d{model.unit}", model.unit, bus, late_ms) for model in models]
    exchanges = Exchanges(wire, devices, clock)
    wrong: list[str] = []
    good = failed = 0
    for number in range(count):
        if not wire.is_open:
            wire.open()
            exchanges.relinked()
        which = random.randrange(len(models))
        model, device = models[which], devices[which]
        if random.random() < 0.1:
            address, value = 30 + random.randrange(4), random.randrange(0x10000)
            ask = Ask(device.name, model.unit, 6, address, 1, (value,))
            if exchanges.do(device, ask) is None:
                failed += 1
                continue
            good += 1
            if model.written.get(("holding", address)) != value:
                wrong.append(f"{number}: {ask} was believed, the device holds something else")
            continue
        ask = random.choice(device.reads.reads).ask
        found = exchanges.try_read(device, ask)
        if found is None or isinstance(found, DeviceRefused):
            failed += 1
            continue
        good += 1
        for address, cell in enumerate(found, ask.address):
            expected = told(model.salt, model.unit, ask.table, address)
            if ask.table in ("coil", "discrete"):
                expected &= 1
            if ask.table == "holding" and address == COUNTER:
                expected = model.served & 0xFFFF
            if cell != expected:
                wrong.append(f"{number}: {ask} gave {cell} at {address}, not {expected}")
    return Told(good, wrong, failed, exchanges.errors, time.monotonic() - start_s)


@pytest.fixture(params=["rtu", "rtu over tcp"])
def run(request: pytest.FixtureRequest) -> Iterator[Run]:
    """Runs a campaign on a modelled line with the faults of the test."""
    opened: list[Any] = []

    def play(
        faults: LineFaults, seed: int = 1, count: int = EXCHANGES, late: int = LATE_MS
    ) -> Told:
        models = register_devices()
        if request.param == "rtu":
            line = PacedLine(RTU, models, faults, seed, pace=False)
            wire, bus = Wire("line", RTU, "", line.path), RTU
        else:
            line = ConverterPort(CONVERTER.line, models, faults, seed, pace=False)
            wire, bus = Wire("line", CONVERTER, line.host, line.port), CONVERTER
        opened.extend((wire, line))
        result = campaign(wire, bus, models, seed, count, late)
        print(request.param, dict(line.played), result._replace(wrong=result.wrong[:3]))
        return result

    yield play
    for thing in opened:
        thing.close()


def test_late_answers_within_the_declared_lateness_are_never_taken_for_others(run: Run) -> None:
    faults = LineFaults(late=0.01, late_ms=(TIMEOUT_MS, TIMEOUT_MS + LATE_MS - 2))
    result = run(faults)
    assert result.wrong == []
    assert result.kinds["late"] > 0
    assert result.good > 0.97 * EXCHANGES


def test_answers_later_than_declared_are_found_out_by_the_proving_read(run: Run) -> None:
    faults = LineFaults(late=0.01, late_ms=(TIMEOUT_MS + LATE_MS, TIMEOUT_MS + 5 * LATE_MS))
    result = run(faults)
    assert result.wrong == []
    assert result.good > 0.8 * EXCHANGES


def test_noise_is_never_taken_for_an_answer(run: Run) -> None:
    """One byte in a hundred is hit. A frame damaged at random fits its CRC once in 65,536."""
    result = run(LineFaults(noise=0.01))
    expected = (result.kinds["crc"] + result.kinds["short"]) / 65_536
    assert len(result.wrong) <= int(expected + 3 * math.sqrt(expected))  # none in the short form
    assert result.kinds["crc"] > 0.02 * EXCHANGES
    assert result.good > 0.5 * EXCHANGES


def test_everything_at_once_gives_no_wrong_value_and_no_hang(run: Run) -> None:
    faults = LineFaults(
        noise=0.001, dropped=0.001, repeated=0.001, gap=0.005, half=0.005, partial_echo=0.002,
        late=0.005, late_ms=(TIMEOUT_MS, TIMEOUT_MS + LATE_MS - 2), silence=0.005, lost=0.005,
        wrong_unit=0.005, wrong_function=0.005, wrong_length=0.005, exception=0.01, glitch=0.01,
    )  # fmt: skip
    result = run(faults)
    assert result.wrong == []
    assert result.good > 0.8 * EXCHANGES


def test_a_line_that_echoes_is_learned_and_serves(run: Run) -> None:
    result = run(LineFaults(echo=1.0), count=200)
    assert result.wrong == []
    assert result.failed == 0

"""What a bus writes, and when: heartbeats live on scans, silence is asked once a poll."""

from __future__ import annotations

from pathlib import Path
from random import Random
from types import SimpleNamespace
from typing import Any

import pytest

from linectl.errors import ForeignAnswer, Silent
from linectl.field.asks import Ask
from linectl.field.bus import FieldBus
from linectl.field.device import DEMOTED_AFTER, FieldDevice
from linectl.field.measures import Histogram
from linectl.field.outputs import safe_value
from linectl.field.snapshots import Outputs
from linectl.field.trouble import TroubleWatch
from linectl.field.writing import OUTPUTS_STALE_MS, Writing
from linectl.site.hardware import Heartbeat
from linectl.site.load import load_site

SMALL = load_site(Path(__file__).parents[2] / "config" / "small")
BEAT_AT = 90


class Bench:
    """Writing to one device over exchanges that answer, or fail as the test says."""

    def __init__(self) -> None:
        self.now = 0
        self.asks: list[Ask] = []
        self.told: list[Ask] = []
        self.error: Exception | None = None
        beat = Heartbeat.model_validate({"address": str(BEAT_AT), "every": "200ms"})
        facts = SMALL.file.devices["io_sower"].model_copy(update={"heartbeat": beat})
        bus = SMALL.file.buses["io"]
        self.device = FieldDevice("io_sower", facts, bus, SMALL.points, Random(1))
        wire: Any = SimpleNamespace(name="io", is_open=True, numbered=False, frames=())
        exchanges: Any = SimpleNamespace(do=self.do, tell=self.tell, write=Histogram())
        trouble = TroubleWatch(None, wire, [self.device])
        self.writing = Writing(wire, exchanges, [self.device], lambda: self.now, trouble)

    def do(self, device: FieldDevice, ask: Ask) -> tuple[()] | None:
        self.asks.append(ask)
        if self.error is None:
            device.outputs.done(ask)
            return ()
        device.outputs.failed(ask)
        device.failed(self.error, self.now)  # type: ignore[arg-type]
        return None

    def tell(self, device: FieldDevice, ask: Ask) -> None:
        self.told.append(ask)

    def scan(self) -> None:
        values = tuple(
            safe_value(point) if point.direction == "out" else False for point in SMALL.points
        )
        self.writing.publish(Outputs(1, self.now, values))

    def beats(self) -> int:
        return sum(ask.address == BEAT_AT for ask in self.asks)


@pytest.fixture
def bench() -> Bench:
    return Bench()


def test_the_heartbeat_stops_when_the_scan_does(bench: Bench) -> None:
    bench.scan()
    for _ in range(4):
        bench.now += 100
        bench.writing.pending()
    beaten = bench.beats()
    assert beaten >= 2
    bench.now += OUTPUTS_STALE_MS
    for _ in range(10):
        bench.now += 100
        bench.writing.pending()
    assert bench.beats() == beaten


def test_a_device_that_says_nothing_is_asked_once_a_poll(bench: Bench) -> None:
    bench.error = Silent("no answer")
    for poll in range(1, DEMOTED_AFTER):
        bench.scan()
        bench.writing.begin_poll()
        for _ in range(5):
            bench.writing.pending()
        assert len(bench.asks) == poll


def test_a_disturbed_answer_is_not_taken_for_silence(bench: Bench) -> None:
    bench.scan()
    bench.error = ForeignAnswer("damaged", "crc")
    bench.writing.begin_poll()
    bench.writing.pending()
    assert not bench.writing.was_silent(bench.device)


def test_a_device_that_is_given_up_is_told_safe_in_parts_and_once(bench: Bench) -> None:
    for _ in range(DEMOTED_AFTER):
        bench.device.failed(Silent("no answer"), bench.now)
    assert bench.device.demoted
    parts = bench.device.outputs.refresh()
    for said in range(1, len(parts) + 1):
        bench.writing.begin_poll()
        assert len(bench.told) == said
    bench.writing.begin_poll()
    assert bench.told == parts


def test_devices_that_interlocks_stand_on_are_read_first() -> None:
    """The water meter, on which none does, stands first in this site's list."""
    devices = SMALL.file.devices
    turned = {name: devices[name] for name in ("meter", *(n for n in devices if n != "meter"))}
    site = SMALL.model_copy(update={"file": SMALL.file.model_copy(update={"devices": turned})})
    bus = FieldBus(site, "drives", "127.0.0.1", 1, lambda: 0)
    assert bus.devices[-1].name == "meter"

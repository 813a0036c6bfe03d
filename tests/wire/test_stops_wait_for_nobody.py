"""What goes safe waits for one exchange that is under way, and for nobody's second try."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Any

import pytest

from linectl.field.bus import FieldBus
from linectl.field.outputs import safe_value
from linectl.field.snapshots import Outputs
from linectl.site.model import Site
from linectl_sim.line_devices import RegisterDevice
from linectl_sim.line_faults import LineFaults
from linectl_sim.paced_line import PacedLine

pytestmark = pytest.mark.wire

Eventually = Callable[..., float]
RUN = "turnout.run"
RUN_PROVEN = "magazine.run"
"""At a device that has a proving read."""


def with_bus(site: Site, timeout_ms: int) -> Site:
    """The site with patient drives, whose own watchdogs never act."""
    buses = site.file.buses | {
        "drives": site.file.buses["drives"].model_copy(update={"timeout_ms": timeout_ms})
    }
    patient = {"silent_after_ms": 5000, "watchdog_ms": None, "refresh_ms": 4000}
    devices = {name: d.model_copy(update=patient) for name, d in site.file.devices.items()}
    file = site.file.model_copy(update={"buses": buses, "devices": devices})
    return site.model_copy(update={"file": file})


class Scans:
    """Publishes outputs every 10 ms, as a scan would, until it is left."""

    def __init__(self, site: Site, bus: FieldBus, clock: Callable[[], int], tag: str = RUN) -> None:
        self._values = [safe_value(p) if p.direction == "out" else False for p in site.points]
        self._run = site.index(tag)
        self._bus, self._clock = bus, clock
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._loop)
        self.run = False

    def __enter__(self) -> Scans:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()

    def _loop(self) -> None:
        last = False
        while not self._stop.wait(0.01):
            self._values[self._run] = run = self.run
            self._bus.publish(Outputs(1, self._clock(), tuple(self._values)), run != last)
            last = run


def test_a_stop_does_not_wait_until_a_disturbed_read_was_asked_again(
    small: Site, serve: Any, clock: Callable[[], int], eventually: Eventually
) -> None:
    timeout_ms = 400
    site = with_bus(small, timeout_ms)
    served = serve(site)
    bus = FieldBus(site, "drives", "", served.path("drives"), clock)
    run, plant = site.index(RUN), served.plant
    bus.start()
    with Scans(site, bus, clock) as scans:
        try:
            eventually(lambda: all(device.snapshot.good for device in bus.devices))
            scans.run = True
            eventually(lambda: plant.values[run] is True)
            plant.silent.add("belts_sower")
            eventually(lambda: _unanswered(bus, " 0b 04 "), 3)  # its read has just been asked
            scans.run = False
            # The rest of its time-out, and as long a quiet time.
            took_s = eventually(lambda: plant.values[run] is False, 4)
            assert took_s < 2 * timeout_ms / 1000 + 0.15
        finally:
            bus.stop()
            assert bus.join(5)


def _unanswered(bus: FieldBus, begin: str) -> bool:
    """True if a request that begins so is the last frame, for longer than an answer takes."""
    frames = bus.frames()
    if not frames or f"→{begin}" not in frames[-1]:
        return False
    return time.monotonic() - float(frames[-1].split()[0]) > 0.1


class Defect:
    """A tracer with a defect that shows once, when it is let."""

    def __init__(self) -> None:
        self.now = False

    def frame(self, bus: str, at_s: float, sent: bool, data: bytes) -> None:
        if self.now:
            self.now = False
            raise RuntimeError("a defect")


def test_a_defect_of_the_program_leaves_no_output_on(
    small: Site, serve: Any, clock: Callable[[], int], eventually: Eventually
) -> None:
    site = with_bus(small, 50)
    served = serve(site)
    defect = Defect()
    bus = FieldBus(site, "drives", "", served.path("drives"), clock, tracer=defect)
    run, plant = site.index(RUN), served.plant
    bus.start()
    with Scans(site, bus, clock) as scans:
        eventually(lambda: all(device.snapshot.good for device in bus.devices))
        scans.run = True
        eventually(lambda: plant.values[run] is True)
        defect.now = True
        assert bus.join(5)
        assert isinstance(bus.failure, RuntimeError)
        assert plant.values[run] is False


def test_a_device_whose_answers_alone_are_lost_is_told_safe_when_it_is_given_up_and_at_the_end(
    small: Site, clock: Callable[[], int], eventually: Eventually
) -> None:
    """It hears us, we do not hear it: a broken wire of a pair. Its own watchdog is not asked."""
    tables = dict.fromkeys(("coil", "discrete", "holding", "input"), range(200))
    units = [d.unit for d in small.file.devices.values() if d.bus == "drives"]
    models = {unit: RegisterDevice(unit, tables) for unit in units}
    point = small.points[small.index(RUN_PROVEN)]
    model = models[small.file.devices[point.device].unit]
    line = PacedLine(small.file.buses["drives"], list(models.values()))
    bus = FieldBus(small, "drives", "", line.path, clock)
    bus.start()
    try:
        with Scans(small, bus, clock, RUN_PROVEN) as scans:
            eventually(lambda: all(device.snapshot.good for device in bus.devices))
            scans.run = True
            eventually(lambda: model.written.get(("coil", point.address)) == 1)
            line.faults = LineFaults(lost=1.0)
            took_s = eventually(lambda: model.written[("coil", point.address)] == 0, 6)
            assert took_s < 3
            model.written[("coil", point.address)] = 1
            bus.stop()
            assert bus.join(10)
            assert model.written[("coil", point.address)] == 0
    finally:
        bus.stop()
        bus.join(10)
        line.close()

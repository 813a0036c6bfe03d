"""S18: what the field tells people: outputs not taken, late answers, holes, refused writes."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from linectl.field.wiring import Field, reach_in
from linectl.image import Event, Move
from linectl.line import Line
from linectl.runtime.live import Live
from linectl.site.hardware import Heartbeat, Point
from linectl.site.model import Site

pytestmark = pytest.mark.wire

Eventually = Callable[..., float]


class Nothing:
    """A recorder that is always done, and a person who asks nothing."""

    def put(self, moves: list[Move], events: list[Event]) -> None:
        pass

    def durable(self) -> int:
        return 1 << 40

    def fault(self) -> None: ...


class Controlled:
    """The real line on its field, in a thread."""

    def __init__(self, site: Site, field: Field, clock: Callable[[], int]) -> None:
        self.field = field
        self.clock = clock
        self.line = Line(site)
        self.live = Live(site, self.line, field, Nothing(), clock)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self.live.run, args=(self._stop,), name="scan")
        self._thread.start()

    @property
    def alarms(self) -> dict[str, str]:
        return {tag: alarm.text for tag, alarm in dict(self.line.alarms.standing).items()}

    def device(self, name: str) -> dict[str, Any]:
        rows = [d for bus in self.live.status()["buses"] for d in bus["devices"]]
        return next(row for row in rows if row["name"] == name)

    def end(self) -> None:
        self._stop.set()
        self._thread.join()


def changed(site: Site, device: str, **facts: Any) -> Site:
    """The site with other facts of one device."""
    devices = dict(site.file.devices)
    devices[device] = devices[device].model_copy(update=facts)
    return site.model_copy(update={"file": site.file.model_copy(update={"devices": devices})})


@pytest.fixture
def controlled(clock: Callable[[], int]) -> Iterator[Callable[..., Controlled]]:
    begun: list[Controlled] = []

    def begin(site: Site, served: Any) -> Controlled:
        begun.append(Controlled(site, Field(site, clock, reach_in(served.endpoints, site)), clock))
        return begun[-1]

    yield begin
    for one in begun:
        one.end()


def test_an_output_that_is_accepted_and_not_taken_is_an_alarm_naming_it(
    small: Site, serve: Any, controlled: Any, eventually: Eventually
) -> None:
    site = changed(small, "io_sower", read_back=True)
    served = serve(site)
    here = controlled(site, served)
    eventually(lambda: here.device("io_sower")["good"])
    served.plant.write(site.index("sowing.horn"), True)
    served.server.devices["io_sower"].without_effect.add("sowing.horn")
    eventually(lambda: "io_sower.not_taken" in here.alarms, 3)
    assert "sowing.horn: written 0, reads back 1" in here.alarms["io_sower.not_taken"]
    eventually(lambda: here.device("io_sower")["quality"] == "not_taken", 2)
    found = here.device("io_sower")["errors"]["not_taken"]
    eventually(lambda: here.device("io_sower")["errors"]["not_taken"] >= found + 3, 3)
    told = here.device("io_sower")
    assert told["quality"] == "not_taken"  # it takes every write, and is lost all the same
    assert told["since_s"] > 0.5
    served.server.devices["io_sower"].without_effect.clear()
    eventually(lambda: here.device("io_sower")["good"], 3)
    eventually(lambda: "io_sower.not_taken" not in here.alarms, 3)


def test_answers_that_grow_late_are_an_alarm_before_they_are_a_fault(
    small: Site, serve: Any, controlled: Any, eventually: Eventually
) -> None:
    served = serve(small)
    here = controlled(small, served)
    eventually(lambda: here.device("io_sower")["good"])
    timeout_ms = small.file.buses["io"].timeout_ms
    served.server.late_ms["io_sower"] = 0.75 * timeout_ms
    eventually(lambda: "io_sower.late" in here.alarms, 5)
    assert here.line.alarms.standing["io_sower.late"].priority == "low"
    assert here.device("io_sower")["errors"].get("silent", 0) == 0


def test_an_address_that_the_device_lacks_costs_its_point_and_no_other(
    small: Site, serve: Any, controlled: Any, eventually: Eventually
) -> None:
    """The map names one discrete input that the device has not: read whole, all is refused."""
    gone = small.index("fill.exit_eye")
    there = tuple(p for p in small.points if p.index != gone)
    renumbered = tuple(p.model_copy(update={"index": k}) for k, p in enumerate(there))
    served = serve(changed(small.model_copy(update={"points": renumbered}), "io_sower", gaps=False))
    here = controlled(changed(small, "io_sower", gaps=False), served)
    eventually(lambda: here.device("io_sower")["good"])
    told = here.device("io_sower")
    assert told["bad_points"] == {"fill.exit_eye": "the device has no such address"}
    assert told["holes"] == {"discrete": [str(small.points[gone].address)]}
    # The bus has told its health; the scan takes the device's snapshot at its own next beat.
    eventually(lambda: here.line.inputs.good[small.index("fill.entry_eye")], 1)
    assert not here.line.inputs.good[gone]


def test_a_hole_that_no_point_names_is_told_and_costs_no_point(
    small: Site, serve: Any, controlled: Any, eventually: Eventually
) -> None:
    """A spare channel between two points, read over because gaps are said to be fine, is not."""
    spare = small.index("seed.vacuum")
    points = tuple(p for p in small.points if p.index != spare)
    numbered = tuple(p.model_copy(update={"index": k}) for k, p in enumerate(points))
    address = str(small.points[spare].address)
    table = small.points[spare].table
    site = small.model_copy(update={"points": numbered})
    ours = small.model_copy(
        update={"points": tuple(p if p.index != spare else unnamed(p) for p in small.points)}
    )
    served = serve(changed(site, "io_sower", holes={table: (address,)}))
    here = controlled(ours, served)
    eventually(lambda: here.device("io_sower")["good"])
    assert here.device("io_sower")["holes"] == {table: [address]}
    assert here.device("io_sower")["bad_points"] == {}


def unnamed(point: Point) -> Point:
    """The point moved to another device, so that its old address has no name."""
    return point.model_copy(update={"device": "meter", "table": "input", "address": 2})


def test_a_refused_write_is_not_asked_again_and_again(
    small: Site, serve: Any, controlled: Any, eventually: Eventually
) -> None:
    served = serve(small)
    here = controlled(small, served)
    eventually(lambda: here.device("io_sower")["good"])
    served.server.devices["io_sower"].refuses["fill.doser_rate"] = 4
    start = here.clock()
    eventually(lambda: here.device("io_sower")["errors"].get("refused_4", 0) > 0, 3)
    eventually(lambda: here.clock() - start > 2500, 4)
    refresh_ms = small.file.devices["io_sower"].refresh_ms
    assert "fill.doser_rate" in here.alarms["io_sower.refused"]
    asked = here.device("io_sower")["errors"]["refused_4"]
    assert asked <= (here.clock() - start) / refresh_ms + 3


def test_a_device_with_a_heartbeat_stays_alive_while_the_line_scans(
    small: Site, serve: Any, controlled: Any, eventually: Eventually
) -> None:
    beat = Heartbeat.model_validate({"address": "90", "every": "200ms"})
    site = changed(small, "io_sower", heartbeat=beat)
    served = serve(site)
    here = controlled(site, served)
    eventually(lambda: here.device("io_sower")["good"])
    air = site.index("sowing.air")
    eventually(lambda: served.plant.values[air] is True, 2)
    watchdog_ms = site.file.devices["io_sower"].watchdog_ms
    start = here.clock()
    eventually(lambda: here.clock() - start > 2 * watchdog_ms, 5)
    assert served.plant.values[air] is True
    fed = [frame for frame in here.field.buses[0].frames() if " 00 5a " in frame]
    assert fed


def test_why_ends_with_what_the_field_knows_of_the_device(
    small: Site, serve: Any, controlled: Any, eventually: Eventually
) -> None:
    served = serve(small)
    here = controlled(small, served)
    eventually(lambda: here.device("belts_sower")["good"])
    served.plant.silent.add("belts_sower")
    eventually(lambda: not here.device("belts_sower")["good"], 3)
    lines = here.live._why("fill.running")["lines"]
    assert lines[0]["step"] == "field"
    assert "belts_sower is silent" in lines[0]["text"]
    assert "no answer" in lines[0]["text"]

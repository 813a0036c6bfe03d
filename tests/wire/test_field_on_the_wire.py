"""A field on real sockets and pseudo-terminals: reads, writes, silence, loss, return."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from linectl.errors import UsageError
from linectl.field.outputs import safe_value
from linectl.field.snapshots import Snapshot
from linectl.field.wiring import Field, reach_in
from linectl.image import Value
from linectl.registers.budget import bus_budgets
from linectl.site.model import Site

pytestmark = pytest.mark.wire

Eventually = Callable[..., float]


@pytest.fixture
def scan_of(
    field_on: Callable[..., Field], scan_on: Callable[..., Any]
) -> Callable[..., tuple[Field, Any]]:
    def begin(served: Any) -> tuple[Field, Any]:
        field = field_on(served)
        return field, scan_on(served.site, field)

    return begin


def of(field: Field, device: str) -> Snapshot:
    return next(snapshot for snapshot in field.snapshots() if snapshot.device == device)


def value(field: Field, site: Site, tag: str) -> Value | None:
    index = site.index(tag)
    for snapshot in field.snapshots():
        if index in snapshot.points and snapshot.values:
            return snapshot.values[snapshot.points.index(index)]
    return None


def all_good(field: Field) -> bool:
    return all(snapshot.good for snapshot in field.snapshots())


def test_values_arrive_from_every_kind_of_bus(
    small: Site, serve: Any, field_on: Callable[..., Field], eventually: Eventually
) -> None:
    served = serve(small)
    field = field_on(served)
    eventually(lambda: all_good(field))
    served.plant.values[small.index("fill.exit_eye")] = True
    served.plant.values[small.index("infeed.position")] = 1234
    served.plant.values[small.index("water.flow_pulses")] = 0x1_0002
    eventually(lambda: value(field, small, "fill.exit_eye") is True, 0.5)
    eventually(lambda: value(field, small, "infeed.position") == 1234, 1)
    eventually(lambda: value(field, small, "water.flow_pulses") == 0x1_0002, 1)


def test_polls_keep_the_period_that_the_budget_promises(
    small: Site, serve: Any, scan_of: Any, eventually: Eventually
) -> None:
    field, _ = scan_of(serve(small))
    eventually(lambda: all_good(field))
    start_s, before = time.monotonic(), {h.name: h.polls for h in field.health()}
    time.sleep(2)
    elapsed_ms = (time.monotonic() - start_s) * 1000
    for budget in bus_budgets(small):
        health = next(h for h in field.health() if h.name == budget.name)
        period_ms = elapsed_ms / (health.polls - before[budget.name])
        assert budget.cycle_ms * 0.9 <= period_ms <= budget.cycle_ms * 1.5
        # A busy machine may lose it an answer.
        assert sum(health.errors.values()) <= 2


def test_outputs_reach_their_devices_and_only_changes_do(
    small: Site, serve: Any, scan_of: Any, eventually: Eventually
) -> None:
    served = serve(small)
    field, scan = scan_of(served)
    eventually(lambda: all_good(field))
    plant = served.plant
    plant.written.clear()
    scan.put(fill__run=True, fill__speed=250, fill__doser=True)
    eventually(lambda: plant.values[small.index("fill.run")] is True, 1)
    assert plant.values[small.index("fill.speed")] == 250
    eventually(lambda: plant.values[small.index("fill.doser")] is True, 1)
    tags = {small.points[index].tag for index, _ in plant.written}
    assert tags == {"fill.run", "fill.speed", "fill.doser"}


def test_everything_is_safe_after_the_end(
    small: Site, serve: Any, clock: Callable[[], int], scan_on: Any, eventually: Eventually
) -> None:
    served = serve(small)
    field = Field(small, clock, reach_in(served.endpoints, small))
    field.start()
    scan = scan_on(small, field)
    eventually(lambda: all_good(field))
    scan.put(fill__run=True, fill__doser=True, lane1__germ__stroke=True)
    plant = served.plant
    eventually(lambda: plant.values[small.index("fill.run")] is True, 1)
    eventually(lambda: plant.values[small.index("lane1.germ.stroke")] is True, 1)
    scan.end()
    assert field.stop() == []
    for point in small.points:
        if point.direction == "out":
            assert plant.values[point.index] == safe_value(point), point.tag
    assert not any(snapshot.good for snapshot in field.snapshots())


def test_a_silent_device_is_bad_in_time_and_does_not_stall_the_others(
    small: Site, serve: Any, scan_of: Any, eventually: Eventually
) -> None:
    served = serve(small)
    field, _ = scan_of(served)
    eventually(lambda: all_good(field))
    others = ("belts_sower", "axis_infeed", "axis_outfeed", "meter")
    lost_before = {name: of(field, name).lost for name in others}
    served.plant.silent.add("belts_harvest")
    took_s = eventually(lambda: not of(field, "belts_harvest").good, 2)
    limit_ms = small.file.devices["belts_harvest"].silent_after_ms
    assert took_s * 1000 <= limit_ms + 200
    time.sleep(0.3)
    before = of(field, "belts_sower").sequence
    time.sleep(2)
    # A healthy line would give 20 polls in 2 s; the dead device costs it a probe now and then.
    assert of(field, "belts_sower").sequence - before >= 14
    assert {name: of(field, name).lost for name in others} == lost_before
    health = {d.name: d for bus in field.health() for d in bus.devices}
    assert health["belts_harvest"].demoted
    assert health["belts_harvest"].errors["silent"] >= 3
    assert "no answer" in health["belts_harvest"].last
    # A busy machine may lose it an answer of its own; the dead one's silence is not laid on it.
    assert health["belts_sower"].errors.get("silent", 0) <= 1
    assert not health["belts_sower"].demoted
    served.plant.silent.clear()
    assert eventually(lambda: of(field, "belts_harvest").good, 6) <= 5.5


def test_a_device_that_returns_is_told_safe_and_starts_nothing(
    small: Site, serve: Any, scan_of: Any, eventually: Eventually
) -> None:
    served = serve(small)
    field, scan = scan_of(served)
    eventually(lambda: all_good(field))
    run, plant = small.index("magazine.run"), served.plant
    scan.put(magazine__run=True, magazine__speed=250)
    eventually(lambda: plant.values[run] is True, 1)
    plant.silent.add("belts_sower")
    eventually(lambda: not of(field, "belts_sower").good, 2)
    plant.silent.clear()
    eventually(lambda: of(field, "belts_sower").good, 6)
    eventually(lambda: plant.values[run] is False, 1)
    time.sleep(0.3)
    assert plant.values[run] is False  # though the demand still stands
    scan.put(magazine__run=False)
    time.sleep(0.1)
    scan.put(magazine__run=True)
    eventually(lambda: plant.values[run] is True, 1)


def test_a_scan_that_hangs_makes_everything_safe(
    small: Site, serve: Any, scan_of: Any, eventually: Eventually
) -> None:
    served = serve(small)
    field, scan = scan_of(served)
    eventually(lambda: all_good(field))
    scan.put(fill__doser=True, magazine__run=True)
    plant = served.plant
    eventually(lambda: plant.values[small.index("magazine.run")] is True, 1)
    lost = of(field, "io_sower").lost
    scan.hung = True
    eventually(lambda: plant.values[small.index("fill.doser")] is False, 1)
    eventually(lambda: plant.values[small.index("magazine.run")] is False, 1)
    scan.hung = False
    eventually(lambda: of(field, "io_sower").lost > lost, 1)
    time.sleep(0.2)
    assert plant.values[small.index("fill.doser")] is False


def test_a_plant_that_dies_and_comes_back_is_found_again(
    small: Site, serve: Any, scan_of: Any, eventually: Eventually, tmp_path: Path
) -> None:
    served = serve(small, file=tmp_path / "endpoints.json")
    field, scan = scan_of(served)
    eventually(lambda: all_good(field))
    scan.put(magazine__run=True, fill__doser=True)
    port = served.port("io")
    served.end()
    eventually(lambda: not any(snapshot.good for snapshot in field.snapshots()), 2)
    eventually(lambda: not any(health.up for health in field.health()), 1)
    health = {health.name: health for health in field.health()}
    assert health["io"].errors["link_down"] >= 1
    assert f":{port}" in health["io"].devices[0].last
    again = serve(small, file=tmp_path / "endpoints.json")
    assert again.port("io") == port
    assert eventually(lambda: all_good(field), 6) <= 5.5
    time.sleep(0.5)
    assert again.plant.values[small.index("magazine.run")] is False
    assert again.plant.values[small.index("fill.doser")] is False


def test_another_plants_endpoints_are_refused(small: Site) -> None:
    with pytest.raises(UsageError, match="not of 'small'"):
        reach_in({"site": "other", "endpoints": []}, small)
    with pytest.raises(UsageError, match="lack bus io, drives"):
        reach_in({"site": "small", "endpoints": []}, small)


def test_late_answers_on_a_serial_line_are_never_taken_for_the_next(
    small: Site, serve: Any, scan_of: Any, eventually: Eventually
) -> None:
    """Every reading of every device stays its own, though one device answers after its time-out."""
    served = serve(small)
    for number, point in enumerate(small.points):
        if point.direction == "in" and not point.is_bool:
            served.plant.values[point.index] = 100 + number
    field, _ = scan_of(served)
    eventually(lambda: all_good(field))
    served.server.late_ms["belts_harvest"] = small.file.buses["drives"].timeout_ms + 15
    eventually(lambda: not of(field, "belts_harvest").good, 2)
    end_s = time.monotonic() + 2
    while time.monotonic() < end_s:
        for snapshot in field.snapshots():
            for index, seen in zip(snapshot.points, snapshot.values, strict=False):
                if not small.points[index].is_bool:
                    assert seen == 100 + index, small.points[index].tag
        time.sleep(0.01)
    served.server.late_ms.clear()
    eventually(lambda: all_good(field), 6)


def test_a_device_that_takes_nothing_does_not_hold_up_anothers_stop(
    small: Site, serve: Any, scan_of: Any, eventually: Eventually
) -> None:
    served = serve(small)
    field, scan = scan_of(served)
    eventually(lambda: all_good(field))
    run, plant = small.index("turnout.run"), served.plant
    scan.put(turnout__run=True, magazine__run=True)
    eventually(lambda: plant.values[run] is True, 1)
    plant.silent.add("belts_sower")  # asked before belts_harvest, which holds the turn-out's belt
    scan.put(turnout__run=False, magazine__run=False)
    # At most one exchange under way and one repeated, each a time-out of 50 ms and a quiet 50 ms.
    assert eventually(lambda: plant.values[run] is False, 2) <= 0.45


def test_what_a_link_needs_at_first_is_no_measure_of_its_polls(
    small: Site, serve: Any, field_on: Callable[..., Field], eventually: Eventually
) -> None:
    """Proofs, a quiet time, and every output written anew: once, and never in the worst poll."""
    served = serve(small)
    field = field_on(served)
    eventually(lambda: all(bus.polls >= 6 for bus in field.health()), 10)
    for bus in field.health():
        assert bus.wire.values == bus.polls - 1
        assert bus.cycle.values == bus.polls - 2

"""When a device counts as lost, when it is demoted, and how it comes back."""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linectl.errors import DeviceRefused, ForeignAnswer, LinkDown, Silent, Unreachable
from linectl.field.device import (
    DEMOTED_AFTER,
    FIRST_PROBE_MS,
    LAST_PROBE_MS,
    Backoff,
    FieldDevice,
    error_kind,
)
from linectl.site.hardware import Device, Point, TcpBus

PointsOf = Callable[[list[dict[str, Any]]], tuple[Point, ...]]
DeviceOf = Callable[..., Device]

BUS = TcpBus.model_validate({"kind": "tcp", "host": "h", "poll": "20ms", "timeout": "50ms"})
ROWS = [
    {"direction": "in", "table": "discrete", "address": 0, "type": "bool"},
    {"direction": "in", "table": "input", "address": 0, "type": "f32", "word_order": "big"},
    {"direction": "out", "table": "coil", "address": 0, "type": "bool"},
]


def make(points_of: PointsOf, device_of: DeviceOf, **facts: Any) -> FieldDevice:
    return FieldDevice("io", device_of(**facts), BUS, points_of(ROWS), Random(1))


def poll(device: FieldDevice, now_ms: int, words: tuple[int, int] = (0x3F80, 0)) -> None:
    device.begin(now_ms)
    for read in device.reads.due(0):
        read.take((1,) if read.ask.function == 2 else words)
    device.finish()


def take_all(device: FieldDevice, now_ms: int) -> None:
    """The device takes every output."""
    for ask in device.outputs.refresh():
        device.outputs.done(ask)
    device.wrote(now_ms)


def test_a_whole_poll_is_published_with_its_beginning(
    points_of: PointsOf, device_of: DeviceOf
) -> None:
    device = make(points_of, device_of)
    assert not device.snapshot.good
    poll(device, 40)
    assert device.snapshot.good
    assert device.snapshot.at_ms == 40
    assert dict(zip(device.snapshot.points, device.snapshot.values, strict=True)) == {
        0: True,
        1: 1.0,
    }


def test_a_device_silent_too_long_is_lost_and_counted(
    points_of: PointsOf, device_of: DeviceOf
) -> None:
    device = make(points_of, device_of)
    poll(device, 0)
    device.check_age(200)
    assert device.snapshot.good
    device.check_age(201)
    assert not device.snapshot.good
    assert device.snapshot.lost == 1
    poll(device, 300)
    assert device.snapshot.good
    assert device.snapshot.lost == 1


def test_a_device_that_keeps_failing_is_asked_less_and_less(
    points_of: PointsOf, device_of: DeviceOf
) -> None:
    device = make(points_of, device_of)
    now, pauses = 0, []
    for _ in range(DEMOTED_AFTER):
        assert device.due(now)
        device.failed(Silent("no answer"), now)
    for _ in range(8):
        began = now
        while not device.due(now):
            now += 1
        pauses.append(now - began)
        device.failed(Silent("no answer"), now)
    assert 200 <= pauses[0] <= 300
    assert all(pause <= 5000 for pause in pauses)
    assert pauses[-1] >= 0.8 * LAST_PROBE_MS
    poll(device, now)
    assert device.due(now)
    assert not device.demoted


def test_one_disturbed_answer_changes_nothing(points_of: PointsOf, device_of: DeviceOf) -> None:
    device = make(points_of, device_of)
    poll(device, 0)
    device.failed(ForeignAnswer("late"), 20)
    assert device.snapshot.good
    assert device.due(20)
    assert device.health().errors == {"foreign": 1}


def test_a_dead_link_does_not_demote(points_of: PointsOf, device_of: DeviceOf) -> None:
    device = make(points_of, device_of)
    for now in range(10):
        device.failed(LinkDown("unplugged"), now)
    assert not device.demoted


def test_a_device_that_takes_no_writes_is_lost_though_it_answers(
    points_of: PointsOf, device_of: DeviceOf
) -> None:
    device = make(points_of, device_of)
    poll(device, 0)
    device.not_written(100)
    poll(device, 300)
    device.check_age(301)
    assert not device.snapshot.good
    poll(device, 320)
    assert not device.snapshot.good
    device.wrote(325)  # one write taken, another not: it still does not do as told
    poll(device, 328)
    assert not device.snapshot.good
    for ask in device.outputs.refresh():
        device.outputs.done(ask)
    device.wrote(330)
    poll(device, 340)
    assert device.snapshot.good


def test_errors_are_counted_under_their_names() -> None:
    kinds = [LinkDown(""), Silent(""), ForeignAnswer(""), DeviceRefused("", 2)]
    assert [error_kind(error) for error in kinds] == [
        "link_down",
        "silent",
        "foreign",
        "refused_2",
    ]


def test_pauses_double_differ_and_end() -> None:
    one, other = Backoff(Random(1), 100, 4000), Backoff(Random(2), 100, 4000)
    pauses = [one.pause_ms() for _ in range(12)]
    assert pauses != [other.pause_ms() for _ in range(12)]
    for pause, middle in zip(pauses, [100, 200, 400, 800, 1600, 3200, 4000], strict=False):
        assert 0.8 * middle <= pause <= 1.2 * middle
    assert max(pauses) < 5000
    one.reset()
    assert one.pause_ms() <= 120


@given(st.integers(0, 1000), st.integers(1, 40))
def test_whatever_the_jitter_a_probe_comes_within_five_seconds(seed: int, calls: int) -> None:
    backoff = Backoff(Random(seed), FIRST_PROBE_MS, LAST_PROBE_MS)
    for _ in range(calls):
        pause = backoff.pause_ms()
        assert 0.8 * FIRST_PROBE_MS <= pause <= 1.2 * LAST_PROBE_MS <= 5000


# Why it is bad, and since when.

CAUSES = {
    "link_down": LinkDown("unplugged"),
    "silent": Silent("no answer"),
    "garbled": ForeignAnswer("damaged", "crc"),
    "refused": DeviceRefused("", 4),
}


@pytest.mark.parametrize(("quality", "error"), CAUSES.items(), ids=CAUSES)
def test_a_lost_device_says_why_and_since_when(
    points_of: PointsOf, device_of: DeviceOf, quality: str, error: Unreachable
) -> None:
    device = make(points_of, device_of)
    assert device.health().quality == "starting"
    assert device.health().last_good_ms is None
    poll(device, 20)
    assert (device.health().quality, device.health().since_ms) == ("good", 20)
    device.failed(error, 100)
    device.check_age(221)
    health = device.health()
    assert (health.good, health.quality, health.since_ms) == (False, quality, 221)
    assert health.last == str(error)
    assert health.check.startswith("check ") or quality == "link_down"  # it says it by itself
    assert health.last_good_ms == 20
    assert health.errors == {error_kind(error): 1}
    device.check_age(400)
    assert device.health().since_ms == 221
    poll(device, 500)
    health = device.health()
    assert (health.quality, health.since_ms, health.last_good_ms) == ("good", 500, 500)


def test_a_device_that_was_never_heard_says_what_it_does_instead_of_starting(
    points_of: PointsOf, device_of: DeviceOf
) -> None:
    device = make(points_of, device_of)
    device.check_age(150)
    assert device.health().quality == "starting"
    device.failed(DeviceRefused("", 1), 160)
    device.check_age(201)
    assert (device.health().quality, device.health().last_good_ms) == ("refused", None)


def test_a_device_that_was_not_asked_in_time_is_not_starting_nor_yesterdays_fault(
    points_of: PointsOf, device_of: DeviceOf
) -> None:
    device = make(points_of, device_of)
    poll(device, 0)
    device.check_age(201)  # the bus was held up by others
    assert device.health().quality == "silent"
    device.failed(ForeignAnswer("damaged", "crc"), 210)
    poll(device, 220)
    poll(device, 240)
    device.check_age(500)
    assert device.health().quality == "silent"


def test_a_stopped_scan_is_told_as_that(points_of: PointsOf, device_of: DeviceOf) -> None:
    device = make(points_of, device_of)
    poll(device, 0)
    device.lose(50, "scan_stopped")
    assert (device.health().quality, device.snapshot.good) == ("scan_stopped", False)


def test_a_refused_write_stays_the_reason_though_reads_go_well(
    points_of: PointsOf, device_of: DeviceOf
) -> None:
    device = make(points_of, device_of)
    poll(device, 0)
    device.failed(DeviceRefused("", 3), 20)
    device.not_written(20)
    for now in range(40, 260, 20):
        poll(device, now)
        device.check_age(now)
    assert (device.health().good, device.health().quality) == (False, "refused")


def test_a_device_that_refuses_everything_is_not_good_and_recovers_whole(
    points_of: PointsOf, device_of: DeviceOf
) -> None:
    device = make(points_of, device_of)
    hole = DeviceRefused("no such address", 2)

    def refuse_all(now: int) -> None:
        device.begin(now)
        due = device.reads.due(0)
        while due:
            if not device.refused(due[0], hole):
                device.failed(hole, now)
                return
            due = device.reads.owed()
        device.finish()

    for now in range(0, 300, 20):
        refuse_all(now)
        device.check_age(now)
        assert not device.snapshot.good
    assert device.demoted
    assert device.health().quality == "refused"
    # It was only slow to start: what is answered at last brings everything back.
    poll(device, 400)
    poll(device, 420)
    assert device.snapshot.good
    assert device.snapshot.values == (True, 1.0)
    assert device.health().bad_points == {}


def test_a_hole_is_told_and_makes_its_own_point_bad_only(
    points_of: PointsOf, device_of: DeviceOf
) -> None:
    device = make(points_of, device_of)
    device.begin(0)
    bits, words = device.reads.due(0)
    assert device.refused(bits, DeviceRefused("no such address", 2))
    words.take((0x3F80, 0))
    device.finish()
    assert device.snapshot.good
    assert device.snapshot.values == (None, 1.0)
    health = device.health()
    assert health.bad_points == {"p0.value": "the device has no such address"}
    assert health.holes == {"discrete": ("0",)}
    assert health.errors == {"refused_2": 1}


@pytest.mark.parametrize("code", [1, 3, 4, 5, 6, 10, 11])
def test_only_a_wrong_address_is_taken_for_a_hole(
    points_of: PointsOf, device_of: DeviceOf, code: int
) -> None:
    device = make(points_of, device_of)
    (bits, _) = device.reads.due(0)
    assert not device.refused(bits, DeviceRefused("", code))
    assert device.health().holes == {}


# What is told while the device is good.


def test_the_remarks_are_the_same_object_while_nothing_changes(
    points_of: PointsOf, device_of: DeviceOf
) -> None:
    device = make(points_of, device_of)
    poll(device, 0)
    nothing = device.snapshot.remarks
    poll(device, 20)
    assert device.snapshot.remarks is nothing
    device.compared(["p2.value: written 1, reads back 0"], 30)
    take_all(device, 35)
    poll(device, 40)
    told = device.snapshot.remarks
    assert told is not nothing
    for now in (60, 80, 100):
        poll(device, now)
        assert device.snapshot.remarks is told
    device.check_age(400)
    assert device.snapshot.remarks is told
    take_all(device, 405)
    device.compared([], 410)
    poll(device, 420)
    assert device.snapshot.remarks == ()


def test_an_output_that_is_not_as_told_is_an_alarm_that_names_the_point(
    points_of: PointsOf, device_of: DeviceOf
) -> None:
    device = make(points_of, device_of, read_back=True)
    poll(device, 0)
    outputs = device.outputs
    ask = outputs.next_change()
    assert ask is not None
    outputs.done(ask)
    (back,) = outputs.read_backs()
    device.compared(outputs.compare(back, (1,)), 20)
    poll(device, 20)
    (remark,) = device.snapshot.remarks
    assert (remark.tag, remark.priority) == ("io.not_taken", "high")
    assert "p2.value: written 0, reads back 1" in remark.text
    assert "local or remote" in remark.do
    assert device.health().errors == {"not_taken": 1}
    assert "p2.value" in device.health().last
    assert outputs.next_change() == ask  # and it is written again


def test_lateness_is_told_before_it_is_a_fault_and_taken_back(
    points_of: PointsOf, device_of: DeviceOf
) -> None:
    device = make(points_of, device_of)
    for latency in (10, 45, 45, 45):
        device.answered(latency)
    poll(device, 0)
    assert device.snapshot.good
    (remark,) = device.snapshot.remarks
    assert (remark.tag, remark.priority) == ("io.late", "low")
    for _ in range(200):
        device.answered(10)
    poll(device, 20)
    assert device.snapshot.remarks == ()


# The heartbeat.


@pytest.mark.parametrize(("write", "function"), [("both", 6), ("single", 6), ("multiple", 16)])
def test_the_heartbeat_never_writes_the_same_value_twice(
    points_of: PointsOf, device_of: DeviceOf, write: str, function: int
) -> None:
    beat = {"address": "40100", "every": "100ms"}
    device = make(points_of, device_of, heartbeat=beat, notation="reference", write=write)
    before = None
    seen = set()
    for _ in range(0x8000 + 10):
        ask = device.heartbeat()
        assert ask is not None
        assert (ask.function, ask.address, ask.quantity) == (function, 99, 1)
        assert ask.cells != before
        before = ask.cells
        seen.add(ask.cells[0])
    assert seen == set(range(0x8000))


def test_the_heartbeat_is_due_by_its_own_time(points_of: PointsOf, device_of: DeviceOf) -> None:
    device = make(points_of, device_of, heartbeat={"address": "7", "every": "100ms"})
    assert device.heartbeat_at_ms == 0
    device.beaten(30)
    assert device.heartbeat_at_ms == 130
    without = make(points_of, device_of)
    assert (without.heartbeat(), without.heartbeat_at_ms) == (None, None)
    without.beaten(30)
    assert without.heartbeat_at_ms is None


# Found again.


def test_a_link_that_came_back_asks_at_once_and_trusts_nothing(
    points_of: PointsOf, device_of: DeviceOf
) -> None:
    device = make(points_of, device_of)
    poll(device, 0)
    (change,) = device.outputs.refresh()
    device.outputs.done(change)
    for _ in range(DEMOTED_AFTER):
        device.failed(Silent("no answer"), 20)
    assert device.demoted
    device.relink(30)
    assert not device.demoted
    assert device.due(30)
    assert not device.snapshot.good
    assert not device.reads.whole
    assert device.outputs.next_change() == change


def test_only_the_first_failure_of_a_good_device_is_repeated_at_once(
    points_of: PointsOf, device_of: DeviceOf
) -> None:
    device = make(points_of, device_of)
    device.failed(Silent(""), 0)
    assert not device.may_repeat
    poll(device, 20)
    assert not device.may_repeat
    device.failed(Silent(""), 40)
    assert device.may_repeat
    device.failed(Silent(""), 60)
    assert not device.may_repeat


def test_how_old_a_value_grew_is_measured(points_of: PointsOf, device_of: DeviceOf) -> None:
    device = make(points_of, device_of)
    for now in (0, 20, 40, 140):
        poll(device, now)
    assert device.health().age[:4] == (3, 20.0, 100.0, 100)


def test_a_device_without_inputs_is_as_young_as_the_last_write_it_took(
    points_of: PointsOf, device_of: DeviceOf
) -> None:
    device = FieldDevice("io", device_of(), BUS, points_of(ROWS[2:]), Random(1))
    device.begin(0)
    device.finish()
    for ask in device.outputs.refresh():
        device.outputs.done(ask)
    device.wrote(150)
    device.check_age(340)
    assert device.snapshot.good
    assert device.snapshot.at_ms == 150


def test_a_device_that_was_found_out_is_lost_until_it_reads_back_as_told(
    points_of: PointsOf, device_of: DeviceOf
) -> None:
    """That it answers each new write well says nothing: so it did before."""

    def takes_all(now_ms: int) -> None:
        for ask in device.outputs.refresh():
            device.outputs.done(ask)
        device.wrote(now_ms)

    device = make(points_of, device_of, read_back=True)
    poll(device, 0)
    takes_all(5)
    device.compared(["p2.value: written 0, reads back 1"], 10)
    takes_all(15)
    poll(device, 200)
    assert device.snapshot.good
    for now in range(220, 600, 20):
        takes_all(now)
        poll(device, now + 5)
        device.check_age(now + 6)
        assert not device.snapshot.good
    assert device.snapshot.lost == 1
    assert device.health().quality == "not_taken"
    device.compared([], 610)
    poll(device, 620)
    assert device.snapshot.good

"""When a device counts as lost, when it is demoted, and how it comes back."""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import Any

from linectl.errors import DeviceRefused, ForeignAnswer, LinkDown, Silent
from linectl.field.device import DEMOTED_AFTER, LAST_PROBE_MS, Backoff, FieldDevice, error_kind
from linectl.site.hardware import Device, Point, TcpBus

PointsOf = Callable[[list[dict[str, Any]]], tuple[Point, ...]]
DeviceOf = Callable[..., Device]

BUS = TcpBus.model_validate({"kind": "tcp", "host": "h", "poll": "20ms", "timeout": "50ms"})
ROWS = [
    {"direction": "in", "table": "discrete", "address": 0, "type": "bool"},
    {"direction": "in", "table": "input", "address": 0, "type": "f32", "word_order": "big"},
    {"direction": "out", "table": "coil", "address": 0, "type": "bool"},
]


def make(points_of: PointsOf, device_of: DeviceOf) -> FieldDevice:
    return FieldDevice("io", device_of(), BUS, points_of(ROWS), Random(1))


def poll(device: FieldDevice, now_ms: int, words: tuple[int, int] = (0x3F80, 0)) -> None:
    device.begin(now_ms)
    for read in device.reads.due(0):
        read.take((1,) if read.ask.function == 2 else words)
    device.finish()


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

"""What a frame says of the snapshots: what is new, bad when old or lost, counters on asking."""

from __future__ import annotations

import math

import pytest

from linectl.field.snapshots import Snapshot
from linectl.image import Value
from linectl.runtime.intake import Intake
from linectl.site.hardware import Device, Point
from linectl.site.model import Site, SiteFile

EYE, LEVEL, PULSES = 0, 1, 2
LIMIT_MS = 200


def little_site() -> Site:
    rows = [("fill.exit_eye", "bool"), ("fill.hopper_level", "f32"), ("water.flow_pulses", "u32")]
    return Site.model_construct(
        file=SiteFile.model_construct(
            devices={
                "io": Device.model_validate(
                    {"bus": "b", "unit": 1, "silent_after": f"{LIMIT_MS}ms"}
                )
            }
        ),
        points=tuple(
            Point.model_validate(
                {
                    "index": k,
                    "line": k + 2,
                    "tag": tag,
                    "direction": "in",
                    "device": "io",
                    "table": "input",
                    "address": 4 * k,
                    "bit": 0 if type_ == "bool" else None,
                    "type": type_,
                }
            )
            for k, (tag, type_) in enumerate(rows)
        ),
    )


def snapshot(
    sequence: int,
    at_ms: int,
    eye: bool = False,
    level: float = 5.0,
    pulses: int = 0,
    good: bool = True,
    lost: int = 0,
) -> Snapshot:
    values: tuple[Value, ...] = (eye, level, pulses)
    return Snapshot("io", sequence, at_ms, (EYE, LEVEL, PULSES), values, good, lost)


@pytest.fixture
def intake() -> Intake:
    return Intake(little_site())


def test_the_first_good_poll_tells_quality_and_values(intake: Intake) -> None:
    nothing = intake.take([Snapshot("io", 0, 0, (EYE, LEVEL, PULSES), (), False, 0)], 0, [])
    assert not nothing
    assert not intake.all_good
    frame = intake.take([snapshot(1, 10, eye=True)], 20, [])
    assert frame.quality == [(EYE, True), (LEVEL, True), (PULSES, True)]
    assert frame.values == [(EYE, True), (LEVEL, 5.0)]
    assert intake.all_good


def test_only_what_differs_is_told_again(intake: Intake) -> None:
    intake.take([snapshot(1, 10)], 20, [])
    assert not intake.take([snapshot(1, 10)], 30, [])
    assert not intake.take([snapshot(2, 30)], 40, [])
    assert intake.take([snapshot(3, 50, eye=True)], 60, []).values == [(EYE, True)]


def test_old_values_are_bad_values(intake: Intake) -> None:
    intake.take([snapshot(1, 10)], 20, [])
    assert not intake.take([snapshot(1, 10)], 10 + LIMIT_MS, [])
    frame = intake.take([snapshot(1, 10)], 11 + LIMIT_MS, [])
    assert frame.quality == [(EYE, False), (LEVEL, False), (PULSES, False)]
    assert not intake.take([snapshot(1, 10)], 500, [])
    back = intake.take([snapshot(2, 500, level=6.0)], 510, [])
    assert back.quality == [(EYE, True), (LEVEL, True), (PULSES, True)]
    assert back.values == [(LEVEL, 6.0)]


def test_a_device_lost_between_two_scans_is_bad_for_one(intake: Intake) -> None:
    intake.take([snapshot(1, 10)], 20, [])
    gone = intake.take([snapshot(3, 30, lost=1)], 40, [])
    assert gone.quality == [(EYE, False), (LEVEL, False), (PULSES, False)]
    back = intake.take([snapshot(3, 30, lost=1)], 50, [])
    assert back.quality == [(EYE, True), (LEVEL, True), (PULSES, True)]


def test_what_is_not_a_number_is_bad_by_itself(intake: Intake) -> None:
    intake.take([snapshot(1, 10)], 20, [])
    frame = intake.take([snapshot(2, 30, eye=True, level=math.nan)], 40, [])
    assert frame.quality == [(LEVEL, False)]
    assert frame.values == [(EYE, True)]
    back = intake.take([snapshot(3, 50, eye=True, level=5.0)], 60, [])
    assert back.quality == [(LEVEL, True)]


def test_whoever_looks_on_sees_a_counter_that_the_line_has_not_asked_for(intake: Intake) -> None:
    assert PULSES not in dict(intake.take([snapshot(1, 10, pulses=7)], 20, []).values)
    assert intake.counted == {PULSES: 7}


def test_a_counter_is_told_when_asked_from_a_poll_after_the_asking(intake: Intake) -> None:
    intake.take([snapshot(1, 10)], 20, [])
    assert not intake.take([snapshot(2, 30, pulses=7)], 40, [])
    assert not intake.take([snapshot(3, 45, pulses=8)], 50, [PULSES])
    assert intake.take([snapshot(4, 60, pulses=9)], 70, [PULSES]).values == [(PULSES, 9)]
    assert not intake.take([snapshot(5, 80, pulses=9)], 90, [])
    # Asked anew it is told though it has not changed: the line waits for it.
    assert not intake.take([snapshot(5, 80, pulses=9)], 100, [PULSES])
    assert intake.take([snapshot(6, 100, pulses=9)], 110, [PULSES]).values == [(PULSES, 9)]

"""A sensor held, let go, its wires swapped; a device without announcing points silent."""

from __future__ import annotations

import pytest

from linectl.errors import UsageError


def test_a_held_sensor_tells_what_it_is_held_at_whatever_is_true(hand) -> None:
    do = hand.plant.do
    do("hold sensor", "turn.swept_clear", value=False)
    assert hand.value("turn.swept_clear") is False
    do("hold sensor", "fill.hopper_level", value=5.5)
    assert hand.value("fill.hopper_level") == 5.5
    do("let go", "turn.swept_clear")
    assert hand.value("turn.swept_clear") is True


def test_swapped_wires_carry_each_others_sensor(hand) -> None:
    hand.plant.do("swap wires", "guard_fill.closed", other="guard_seed.closed")
    assert hand.value("guard_fill.closed") and hand.value("guard_seed.closed")
    hand.plant.do("open", "fill")
    assert hand.value("guard_fill.closed") and not hand.value("guard_seed.closed")
    hand.plant.do("close", "fill")
    assert hand.value("guard_seed.closed")


@pytest.mark.parametrize(
    ("verb", "part", "options", "told"),
    [
        ("hold sensor", "fill.doser", {"value": True}, "no such input"),
        ("hold sensor", "turn.swept_clear", {"value": 1}, "true or false"),
        ("hold sensor", "fill.hopper_level", {"value": True}, "a number"),
        ("swap wires", "guard_fill.closed", {"other": "guard_sed.closed"}, "guard_seed.closed"),
    ],
)
def test_what_cannot_be_held_or_swapped_is_said(hand, verb, part, options, told) -> None:
    with pytest.raises(UsageError, match=told):
        hand.plant.do(verb, part, **options)


def test_a_device_that_has_only_a_counter_is_noticed_when_it_falls_silent(shift) -> None:
    run = shift("small").run("20s")
    run.do("fault", "meter", kind="silent")
    run.run("25s")
    assert "silent_meter" in run.alarms()

"""What a row of the matrix may say: hysteresis, delays, votes, bad readings, modes, kinds of cell,
resets, and a supply that is lost as one. Judged on plain inputs, without a line around them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from linectl.image import Frame
from linectl.line.build import rows_of
from linectl.line.cause_rows import Action, Cause
from linectl.line.cause_rows import Test as Comparison
from linectl.line.causes import Causes
from linectl.line.inputs import Inputs
from linectl.site.load import load_site

SITE = load_site(Path(__file__).parents[2] / "config" / "small")
LEVEL = SITE.index("fill.hopper_level")
BITS = [SITE.index(f"guard_{name}.closed") for name in ("fill", "seed", "turn")]
ROW = Cause(
    "row", "a row", "do something", (Comparison(BITS[0], level=False),), priority="high", acts=1
)


class Bed:
    """Inputs and causes; healthy at first."""

    def __init__(self, *rows: Cause) -> None:
        self.inputs = Inputs(SITE)
        self.causes = Causes(
            rows, len(SITE.points), {"sowing": "production", "harvest": "production"}
        )
        good = [(index, True) for index in (LEVEL, *BITS)]
        self.said = self.tell([(LEVEL, 50.0), *((index, True) for index in BITS)], 0, good)

    def tell(self, values, now, quality=()):
        changed = self.inputs.take(Frame(values=list(values), quality=list(quality)), now)
        return self.causes.update(changed, self.inputs, now)

    def at(self, now):
        return self.tell([], now)

    @property
    def off(self) -> bool:
        return bool(self.causes.blocked & 1)


def test_a_number_must_come_back_by_its_hysteresis_before_the_cause_ends():
    bed = Bed(replace(ROW, tests=(Comparison(LEVEL, low=20.0, hysteresis=5.0),)))
    seen = []
    for now, value in enumerate((20.0, 19.9, 24.9, 25.0, 20.0, 19.0)):
        bed.tell([(LEVEL, value)], now)
        seen.append(bed.off)
    assert seen == [False, True, True, False, False, True]


def test_an_on_delay_wants_the_cause_for_so_long_without_a_gap():
    bed = Bed(replace(ROW, on_delay_ms=100))
    bed.tell([(BITS[0], False)], 10)
    bed.tell([(BITS[0], True)], 100)
    bed.tell([(BITS[0], False)], 101)
    bed.at(200)
    assert not bed.off and bed.causes.next_due() == 201
    bed.at(201)
    assert bed.off


def test_an_off_delay_keeps_the_cause_for_so_long_after_its_condition():
    bed = Bed(replace(ROW, off_delay_ms=100))
    bed.tell([(BITS[0], False)], 10)
    bed.tell([(BITS[0], True)], 20)
    assert bed.off and bed.causes.next_due() == 120
    bed.tell([(BITS[0], False)], 50)
    bed.tell([(BITS[0], True)], 60)
    bed.at(120)
    assert bed.off
    bed.at(160)
    assert not bed.off


THREE = tuple(Comparison(index, level=False) for index in BITS)


@pytest.mark.parametrize("opened,off", [(0, False), (1, False), (2, True), (3, True)])
def test_two_of_three_make_a_cause_of_a_vote_of_two(opened, off):
    bed = Bed(replace(ROW, tests=THREE, vote=2))
    bed.tell([(index, False) for index in BITS[:opened]], 10)
    assert bed.off is off


def test_a_bad_reading_counts_as_a_vote_for_the_safe_side():
    bed = Bed(replace(ROW, tests=THREE, vote=2))
    bed.tell([], 10, [(BITS[0], False)])
    assert not bed.off
    said = bed.tell([(BITS[1], False)], 20)
    assert bed.off
    assert said == [], "one vote is a lack of reading: the device's own row tells of it"


def test_a_vote_that_leaves_bad_readings_out_goes_on_among_the_good_ones():
    bed = Bed(replace(ROW, tests=THREE, vote=2, bad="left_out"))
    bed.tell([(BITS[1], False)], 10, [(BITS[0], False)])
    assert not bed.off
    bed.tell([(BITS[2], False)], 20)
    assert bed.off
    bed.tell([(index, True) for index in BITS], 30)
    assert not bed.off
    bed.tell([], 40, [(BITS[1], False)])
    assert bed.off, "one good reading cannot give two votes: the safe side"


def test_a_cause_enabled_in_a_mode_counts_in_that_mode_only():
    bed = Bed(replace(ROW, modes=frozenset(("production",)), units=("sowing",)))
    bed.tell([(BITS[0], False)], 10)
    assert bed.off
    bed.causes.mode("sowing", "dry_cycle")
    assert bed.causes.wants()
    bed.at(20)
    assert not bed.off and not bed.causes.wants()
    bed.causes.mode("harvest", "production")
    bed.at(30)
    assert not bed.off
    bed.causes.mode("sowing", "production")
    bed.at(40)
    assert bed.off


def test_the_alarm_of_a_cause_not_enabled_is_suppressed_but_never_while_its_latch_acts():
    row = replace(
        ROW, modes=frozenset(("production",)), units=("sowing",), latches=1, acts=0,
        reset="interlock",
    )  # fmt: skip
    bed = Bed(row)
    bed.tell([(BITS[0], False)], 10)
    bed.causes.mode("sowing", "dry_cycle")
    bed.at(20)
    assert bed.off and bed.causes.suppressed() == frozenset()
    bed.causes.reset_latches(bed.inputs)
    assert not bed.off and bed.causes.suppressed() == {row.name}


def test_of_one_cause_a_cell_may_act_while_another_is_latched():
    row = replace(
        ROW, latches=2, reset="interlock", zone="sowing",
        actions=(Action("sowing", "hold", False), Action("harvest", "abort", True)),
    )  # fmt: skip
    bed = Bed(row)
    bed.tell([(BITS[0], False)], 10)
    assert bed.causes.blocked == 3 and set(bed.causes.actions) == {"sowing", "harvest"}
    bed.tell([(BITS[0], True)], 20)
    assert bed.causes.blocked == 2 and set(bed.causes.actions) == {"harvest"}
    bed.causes.reset_latches(bed.inputs)
    assert bed.causes.blocked == 0 and not bed.causes.actions


def test_a_permissive_cell_bars_and_does_not_stop():
    bed = Bed(replace(ROW, acts=0, bars=4, bars_units=("sowing",)))
    bed.tell([(BITS[0], False)], 10)
    assert (bed.causes.blocked, bed.causes.barred) == (0, 4)
    assert bed.causes.starts == {"sowing": 0}
    bed.tell([(BITS[0], True)], 20)
    assert bed.causes.barred == 0 and not bed.causes.starts


def test_what_is_reset_at_the_machine_is_reset_by_the_button_of_its_zone_alone():
    bed = Bed(replace(ROW, acts=0, latches=1, reset="at_machine", zone="sowing"))
    bed.tell([(BITS[0], False)], 10)
    bed.tell([(BITS[0], True)], 20)
    for zone in ("", "harvest"):
        bed.causes.reset_latches(bed.inputs, zone)
        assert bed.off
    bed.causes.reset_latches(bed.inputs, "sowing")
    assert not bed.off


SUPPLY = replace(ROW, tests=THREE, bad="absent", together_ms=30)


def test_a_supply_is_lost_when_all_its_inputs_fall_within_one_poll():
    bed = Bed(SUPPLY)
    bed.tell([(BITS[0], False), (BITS[1], False)], 100)
    assert not bed.off
    bed.tell([(BITS[2], False)], 130)
    assert bed.off


def test_inputs_that_fall_one_by_one_are_no_lost_supply():
    bed = Bed(SUPPLY)
    for now, index in ((100, BITS[0]), (140, BITS[1]), (180, BITS[2])):
        bed.tell([(index, False)], now)
    assert not bed.off


def test_a_supply_that_goes_while_a_guard_stands_open_is_still_one_cause():
    bed = Bed(SUPPLY)
    bed.tell([(BITS[0], False)], 100)
    bed.tell([(BITS[1], False), (BITS[2], False)], 9_000)
    assert bed.off


def test_a_silent_device_is_no_lost_supply():
    bed = Bed(SUPPLY)
    bed.tell([], 10, [(index, False) for index in BITS])
    assert not bed.off


def test_a_cause_that_only_warns_concerns_the_unit_of_its_points():
    low = next(row for row in rows_of(SITE) if row.name == "hopper_low")
    assert low.units == ("sowing",)

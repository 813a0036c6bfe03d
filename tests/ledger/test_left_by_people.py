"""What people had set when the controller ended is found in the record, until it has its end."""

from __future__ import annotations

from linectl.image import Event, Left
from linectl.ledger import Ledger

T0 = 1_700_000_000_000
MINUTE = 60_000


def at(milliseconds):
    return lambda: milliseconds


def said(kind, name, stage, when, **more):
    data = {"stage": stage, "by": "anna", "reason": "sensor dirty", "came": 0, **more}
    return Event(when, kind, name, "", data)


def test_a_bypass_is_left_until_it_was_tried_and_a_force_until_it_ended(site, tmp_path):
    path = str(tmp_path / "ledger.db")
    first = Ledger.open(path, site, at(T0))
    first.record([], [
        said("bypass", "hopper_empty", "begun", MINUTE),
        said("bypass", "water_supply", "begun", 2 * MINUTE),
        said("bypass", "water_supply", "acts again", 5 * MINUTE, for_ms=3 * MINUTE, came=2),
        said("bypass", "air_sowing", "acts again", MINUTE, for_ms=MINUTE),
        said("bypass", "air_sowing", "tried", 2 * MINUTE),
        said("force", "fill.exit_eye", "begun", 3 * MINUTE),
        said("force", "fill.entry_eye", "begun", 3 * MINUTE),
        said("force", "fill.entry_eye", "ended", 4 * MINUTE, for_ms=MINUTE),
        said("override", "ripe-check", "begun", 6 * MINUTE),
    ])  # fmt: skip
    first._connection.close()  # a power cut: the boot has no end
    first._owner.close()
    later = Ledger.open(path, site, at(T0 + 60 * MINUTE))
    ended = -54 * MINUTE  # the last that was heard of it
    assert later.left_by_people() == [
        Left("bypass", "hopper_empty", "anna", "sensor dirty", -59 * MINUTE, ended, True),
        Left("bypass", "water_supply", "anna", "sensor dirty", -58 * MINUTE, ended, False),
        Left("force", "fill.exit_eye", "anna", "sensor dirty", -57 * MINUTE, ended, True),
        Left("override", "ripe-check", "anna", "sensor dirty", -54 * MINUTE, ended, True),
    ]
    assert later.exposure() == {
        "water_supply": [1, 3 * MINUTE, 2],
        "air_sowing": [1, MINUTE, 0],
    }
    later.record([], [said("bypass", "hopper_empty", "acts again", 0, for_ms=5 * MINUTE)])
    later.record([], [said("bypass", "hopper_empty", "tried", MINUTE)])
    assert "hopper_empty" not in {left.name for left in later.left_by_people()}
    later.close()

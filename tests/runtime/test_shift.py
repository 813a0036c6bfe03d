"""A shift on the reference line: in step, waiting with a reason, and carrying on by itself."""

from __future__ import annotations

import os
import random

import pytest

from linectl.site.scenario import Action

MINUTE = 60_000
FULL = os.environ.get("LINECTL_CAMPAIGN") == "full"


@pytest.fixture(scope="module")
def default_shift(shift, stall):
    return shift("fennmark", scenario=stall("20m", "35m")).run("2h")


def test_the_default_shift_violates_no_rule(default_shift):
    assert default_shift.outcome["violations"] == []


def test_the_sower_suspends_inside_the_stall_and_names_harvest_and_the_lanes(default_shift):
    waits = [
        wait
        for wait in default_shift.outcome["waits"]
        if wait["unit"] == "sowing" and wait["state"] == "Suspended"
    ]
    assert waits, "the sower never suspended"
    assert 20 * 60 < waits[0]["from_s"] < 35 * 60
    assert "lanes 1" in waits[0]["reason"]
    assert "harvest suspended: packing not ready" in waits[0]["reason"]


def test_both_units_carry_on_by_themselves_after_the_stall(default_shift):
    assert default_shift.state("sowing") == "Execute"
    assert default_shift.state("harvest") == "Execute"
    waits = default_shift.outcome["waits"]
    ended = [wait["to_s"] for wait in waits if wait["state"] == "Suspended"]
    assert all(end is not None and 35 * 60 < end < 38 * 60 for end in ended)


def test_bodies_balance_and_the_ledger_agrees(default_shift, check_balance):
    check_balance(default_shift.outcome)


def test_the_sower_gives_what_its_slowest_station_can(default_shift):
    # Asked of the sower: throughput ≥ 0.95 × (time − waits) ÷ slowest station.
    assert default_shift.outcome["throughput"] >= 0.95
    assert default_shift.outcome["takt"]["slowest"] == "tamp"


def test_no_wet_seeded_gutter_stands_while_the_sower_is_suspended(shift, stall):
    waiting = shift("fennmark", scenario=stall("20m", "60m")).run("34m")
    assert waiting.state("sowing") == "Suspended"
    ends = waiting.line.ends
    assert [part.gutter for part in ends.wet_parts] == [0, 0, 0, 0]


def test_what_is_wetted_after_the_last_eject_is_what_was_reservable_then(shift):
    # Harvest gets ahead while a person holds the sower, then stops for good.
    ahead = shift("fennmark", scenario=(Action(20 * MINUTE, "harvest stops"),))
    ahead.rehearsal.command_at(12 * MINUTE, "sowing", "hold")
    ahead.rehearsal.command_at(19 * MINUTE, "sowing", "unhold")
    ahead.run("40m")
    last = ahead.outcome["last_eject"]
    assert last["holes_open"] >= 4
    assert last["wetted_after"] == last["holes_open"]


@pytest.mark.parametrize("seed", range(50 if FULL else 4))
def test_stalls_at_random_times_and_lengths(shift, stall, check_balance, seed):
    rng = random.Random(seed)
    start, length = rng.randrange(5, 80), rng.randrange(1, 40)
    result = shift("fennmark", seed=seed, scenario=stall(f"{start}m", f"{start + length}m"))
    for unit in ("sowing", "harvest"):  # longer than the limit: a person starts them again
        for minutes in (1, 3, 6):
            result.rehearsal.command_at((start + length + minutes) * MINUTE, unit, "unhold")
    outcome = result.run("2h").outcome
    assert outcome["violations"] == []
    check_balance(outcome)
    assert outcome["throughput"] >= 0.95
    suspended = [
        wait
        for wait in outcome["waits"]
        if wait["unit"] == "sowing" and wait["state"] == "Suspended"
    ]
    if length >= 8:  # six freed slots last less than eight takts
        assert suspended and "packing not ready" in suspended[0]["reason"]


def test_a_stall_longer_than_the_signed_limit_ends_in_held_and_a_person_starts_it(shift, stall):
    # S08
    late = shift("fennmark", scenario=stall("10m", "70m")).run("75m")
    assert late.state("sowing") == "Held"
    assert late.state("harvest") == "Held"
    late.command("harvest", "unhold")
    late.command("sowing", "unhold")
    late.run("90m")
    assert late.state("sowing") == "Execute"
    assert late.outcome["violations"] == []


def test_a_guard_opened_while_suspended_forbids_starting_by_itself(shift, stall):
    # S08
    touched = shift("fennmark", scenario=stall("10m", "30m")).run("25m")
    assert touched.state("sowing") == "Suspended"
    touched.do("open", "turnout")
    touched.run("26m")
    touched.do("close", "turnout")
    touched.do("safety reset", "harvest")
    touched.run("26m10s")
    touched.command("", "interlock-reset")
    for second, name in enumerate(("clear", "reset", "start"), start=20):
        touched.run(f"26m{second}s")
        touched.command("harvest", name)
    ejected = touched.plant.report()["gutters"]["ejected"]
    touched.run("40m")
    assert touched.plant.report()["gutters"]["ejected"] >= ejected + 3
    assert touched.state("sowing") == "Held"
    assert "something happened" in touched.line.sowing.reason

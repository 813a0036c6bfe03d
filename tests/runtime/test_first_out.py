"""First-out through the plant: people open guards, supplies and devices are lost, a pump stops."""

from __future__ import annotations

import pytest

from linectl.line.trip_marks import sentence


@pytest.fixture
def at_work(shift):
    """The small line after 100 s: gutters under the tools, the drum's vacuum up."""
    run = shift("small").run("100s")
    assert run.line.outputs_on >> run.line.site.index("seed.pump") & 1
    return run


def only(run, unit: str = "sowing"):
    (told,) = run.line.first_out.records(unit)
    return told


def test_the_vacuum_that_falls_after_a_guard_was_opened_is_told_as_following(at_work):
    at_work.do("open", "seed")
    at_work.run("110s")
    told = only(at_work)
    text = sentence(told, "14:02:07.350")
    assert text.startswith("Sowing aborted 14:02:07.350 (±")
    assert "guard at the seeder open (guard_seed.closed); after it: vacuum low" in text
    assert not told["tie"] and told["apart"] == []
    assert "seed.pump" in told["cut"]
    marks = {mark["tag"]: mark for mark in told["marks"]}
    assert marks["seed.vacuum"]["earliest_ms"] > marks["guard_seed"]["latest_ms"]


def test_two_guards_opened_five_milliseconds_apart_are_a_tie(at_work):
    at_work.do("open", "seed")
    at_work.run("100005ms")
    at_work.do("open", "fill")
    at_work.run("110s")
    told = only(at_work)
    assert set(told["first"]) == {"guard_seed", "guard_fill"} and told["tie"]
    assert told["resolution_ms"] < 100
    tagged = {a.tag for a in at_work.line.alarms.standing.values() if a.first_out}
    assert tagged == {"guard_seed", "guard_fill"}


def test_of_two_guards_opened_a_second_apart_the_first_is_named_and_the_other_is_apart(at_work):
    at_work.do("open", "seed")
    at_work.run("101s")
    at_work.do("open", "fill")
    at_work.run("110s")
    told = only(at_work)
    assert told["first"] == ["guard_seed"]
    assert told["apart"] == ["guard at the filler open (guard_fill.closed) later by 1 s"]


def test_a_lost_supply_is_one_first_cause_and_all_that_it_feeds_follows(at_work):
    at_work.do("fault", "AE1", kind="supply_lost")
    at_work.run("110s")
    told = only(at_work)
    assert told["first"] == ["supply_AE1"]
    assert told["what"] == "Sowing and harvest aborted"
    follows = {mark["tag"] for mark in told["marks"] if mark["follows"] == "supply_AE1"}
    assert {"estop_sowing", "guard_fill", "guard_seed", "guard_turn"} <= follows
    assert told["apart"] == []


def test_a_device_that_falls_silent_is_first_and_what_is_found_when_it_answers_follows(at_work):
    at_work.do("silence", "io_sower", for_ms=5_000)
    at_work.run("110s")
    told = only(at_work)
    assert told["first"] == ["silent_io_sower"]
    follows = {mark["tag"] for mark in told["marks"] if mark["is"] == "after"}
    assert {"air_sowing", "seed.vacuum"} <= follows  # its outputs fell with it
    limit = at_work.line.site.file.devices["io_sower"].silent_after_ms
    assert told["resolution_ms"] >= limit


def test_a_stations_own_fault_is_first_and_the_trip_ends_with_its_repair(shift, attendant):
    run = shift("small").run("60s")
    run.do("fault", "magazine", kind="feeds_none")
    run.run("100s")
    assert only(run)["first"] == ["magazine.no_feed"]
    run.do("repair", "magazine", kind="feeds_none")
    attendant(run, first_ms=101_000)
    run.run("3m")
    assert run.state("sowing") == "Execute"
    assert run.line.first_out.records() == []


def test_a_magazine_that_runs_empty_suspends_and_is_named(shift):
    run = shift("small").run("60s")
    run.do("fault", "magazine", kind="empty")
    run.run("4m")
    told = only(run)
    assert told["what"] == "Sowing suspended" and told["first"] == ["magazine_empty"]
    run.do("refill", "magazine")
    run.run("6m")
    assert run.line.first_out.records() == []


def test_a_healthy_shift_with_a_stall_has_no_trip(shift, stall):
    run = shift("small", scenario=stall("3m", "8m")).run("15m")
    assert run.line.first_out.count == 0


@pytest.mark.parametrize("cause", ["guard_seed", "drive_tamp"])
def test_whenever_it_happens_in_the_plant_it_lies_in_the_interval_that_is_told(shift, cause):
    widths = set()
    for offset_ms in range(0, 100, 10):  # every phase of the slowest poll
        run = shift("small")
        happened_ms = 40_000 + offset_ms
        run.run(f"{happened_ms}ms")
        if cause == "guard_seed":
            run.do("open", "seed")
        else:
            run.do("fault", "tamp", kind="trips")
        run.run("41s")
        (mark,) = [m for m in only(run)["marks"] if m["tag"] == cause]
        assert mark["earliest_ms"] <= happened_ms <= mark["latest_ms"]
        widths.add(mark["latest_ms"] - happened_ms)
    assert len(widths) > 1, "the polls were always met at the same phase: nothing was tried"

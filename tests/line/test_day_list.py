"""Today's list in the line: holes kept, nothing fed without a slot, every gutter counted once."""

from __future__ import annotations

import json
from contextlib import closing

import pytest

from linectl.ledger import Ledger
from linectl.line import Line
from linectl.runtime.starting import begin_line

LIST = "sow=1:green_oakleaf:1,2:rocket:2 pull=1:1,2:2"


@pytest.fixture
def listed(shift):
    """Makes a full small line at work whose list is told before the units start."""

    def make(argument: str, **options):
        run = shift("small", **options)
        run.rehearsal.command_at(500, "", "today", argument, "anna")
        return run

    return make


def _lane_crops(run, lane: int) -> list[str]:
    """Crops of the gutters sown in this run that stand in the lane, from the mouth on."""
    slots = [slot for part in run.line.lanes.by_id[lane].slots for slot in part]
    gutters = run.line.gutters
    return [gutters[slot].crop for slot in slots if slot > 24]


def _waits(run, unit: str) -> list[str]:
    unit = next(each for each in run.line.units if each.name == unit)
    return [wait[1] for part in unit.parts if (wait := part.wait())]


# what the command takes ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("argument", "says"),
    [
        ("", "today sow=LANE:CROP:GUTTERS,... pull=LANE:GUTTERS,... or today none"),
        ("sow=1:rocket", "today sow=LANE:CROP:GUTTERS"),
        ("pull=1", "today sow=LANE:CROP:GUTTERS"),
        ("pull=1:1 pull=2:1 sow=2:rocket:1", "today sow=LANE:CROP:GUTTERS"),
        ("sew=1:rocket:2", "today sow=LANE:CROP:GUTTERS"),
        ("pull=3:1", "no lane 3; there are: 1, 2"),
        ("sow=2:rockett:1", "no crop 'rockett'; nearest valid name: rocket"),
        ("sow=1:rocket:1", "lane 1 does not accept rocket"),
        ("sow=2:rocket:0", "gutters are counted from 1"),
        ("pull=1:-2", "gutters are counted from 1"),
        ("pull=1:2,1:3", "a lane is pulled from twice; write each lane once"),
        ("sow=2:rocket:14 pull=2:1", "lane 2: 14 to sow, but it has 12 free slots and 1 to pull:"
         " 1 would have no slot"),
    ],
)  # fmt: skip
def test_a_list_that_cannot_be_done_is_refused_with_the_reason(hand, argument, says) -> None:
    assert hand.obey("today", argument).startswith(says)
    assert hand.line.status(0)["today"] is None


def test_a_list_is_told_under_a_name(hand) -> None:
    assert hand.obey("today", "sow=1:green_oakleaf:1", by=" ").startswith("say who")


def test_a_list_stands_in_place_of_the_one_before_and_none_frees_the_line(hand) -> None:
    assert hand.obey("today", "sow=1:green_oakleaf:3,1:green_oakleaf:2,2:rocket:1") is None
    assert hand.line.status(0)["today"] == {
        "lanes": [
            {"lane": 1, "sow": [{"crop": "green_oakleaf", "gutters": 5}], "pull": 0},
            {"lane": 2, "sow": [{"crop": "rocket", "gutters": 1}], "pull": 0},
        ]
    }
    assert hand.obey("today", "pull=2:4") is None
    assert hand.line.status(0)["today"]["lanes"] == [{"lane": 2, "sow": [], "pull": 4}]
    assert hand.obey("today", "none") is None
    assert hand.line.status(0)["today"] is None


def test_every_change_of_a_lanes_list_is_told_to_the_record(hand) -> None:
    hand.line.take_events()
    hand.command("", "today", "sow=2:rocket:1 pull=1:2", by="anna")
    told = [event for event in hand.line.take_events() if event.kind == "day_list"]
    assert [(event.source, dict(event.data)) for event in told] == [
        ("lane1", {"stands": True, "sow": [], "pull": 2}),
        ("lane2", {"stands": True, "sow": [["rocket", 1]], "pull": 0}),
    ]


def test_a_restored_line_has_the_same_list(hand, small) -> None:
    hand.command("", "today", "sow=2:rocket:1,2:red_oakleaf:2 pull=1:2", by="anna")
    copy = Line(small)
    copy.restore(json.loads(json.dumps(hand.line.snapshot())))
    assert copy.status(0)["today"] == hand.line.status(0)["today"]
    assert copy.digest() == hand.line.digest()


# what the line does with it --------------------------------------------------------------------


def test_a_hole_is_kept_for_the_crop_its_lane_has_next(listed) -> None:
    run = listed(LIST).run("9m")
    assert _lane_crops(run, 1) == ["green_oakleaf"]
    assert _lane_crops(run, 2) == []
    assert run.line.lanes.by_id[2].reservable("green_oakleaf")  # without a list it would be taken
    assert "today's list has no more green oakleaf; next: rocket" in _waits(run, "sowing")
    run.command("sowing", "crop", "rocket")
    for unit in ("sowing", "harvest"):
        run.command(unit, "unhold")
    run.run("16m")
    assert _lane_crops(run, 2) == ["rocket", "rocket"]
    assert run.outcome["violations"] == []


def test_nothing_is_fed_that_has_no_slot(listed) -> None:
    run = listed(LIST).run("9m")
    assert run.outcome["gutters"]["in_sower"] == 0
    assert run.outcome["gutters"]["wetted"] == 1


def test_a_gutter_on_its_way_between_two_belts_takes_one_slot_of_the_list(hand) -> None:
    hand.command("", "today", "sow=2:rocket:2", by="anna")
    hand.command("sowing", "crop", "rocket")
    gutter = hand.line.new_gutter("fill")
    fill, tamp = hand.line.stations["fill"], hand.line.stations["tamp"]
    fill.gutter = tamp.gutter = gutter
    assert hand.line.day.feeds()
    fill.gutter = hand.line.new_gutter("fill")
    assert not hand.line.day.feeds()


def test_a_crop_behind_another_is_not_fed_for(listed) -> None:
    run = listed("sow=1:green_oakleaf:1,2:rocket:1,2:green_oakleaf:4 pull=1:1,2:5").run("9m")
    assert run.outcome["gutters"]["in_sower"] == 0
    assert "today's list has no lane next for green oakleaf; next: rocket" in _waits(run, "sowing")


def test_at_the_end_both_units_say_that_the_list_is_done(listed) -> None:
    run = listed("sow=1:green_oakleaf:2,2:green_oakleaf:1 pull=1:2,2:1").run("9m")
    assert _waits(run, "sowing") == ["today's list is sown"]
    assert _waits(run, "harvest") == ["today's list is pulled"]
    counts = run.outcome["gutters"]
    assert (counts["indexed"], counts["ejected"], counts["in_sower"]) == (3, 3, 0)
    assert "mutual_wait" not in run.alarms()


def test_a_lane_that_is_pulled_more_than_sown_says_why_it_stops(listed) -> None:
    run = listed("sow=1:green_oakleaf:1 pull=1:4").run("9m")
    (said,) = _waits(run, "harvest")
    assert said.startswith("today's list pulls more from lane 1 than it sows there")


def test_a_new_list_carries_on_where_the_old_one_ended(listed) -> None:
    run = listed("sow=1:green_oakleaf:1 pull=1:1").run("5m")
    run.command("", "today", "sow=2:green_oakleaf:1 pull=2:1")
    run.run("9m")
    assert (_lane_crops(run, 1), _lane_crops(run, 2)) == (["green_oakleaf"], ["green_oakleaf"])


def test_a_rejected_wet_gutter_is_sown_again(listed) -> None:
    run = listed("sow=1:green_oakleaf:2 pull=1:2")
    for second in range(1, 300):
        run.rehearsal.run(second * 1_000)
        if any(gutter.wet and gutter.lane for gutter in run.line.gutters.values()):
            break
    before = run.line.day.open_for("green_oakleaf")
    run.command("sowing", "hold")
    run.rehearsal.run(run.rehearsal.bench.now + 30_000)
    place, gutter = next(
        (part.name, part.gutter)
        for part in run.line.sowing.parts
        if part.gutter and run.line.gutters[part.gutter].wet
    )
    run.do("take out", place)
    run.command("", "reject", place)
    run.rehearsal.run(run.rehearsal.bench.now + 5_000)
    assert gutter not in run.line.gutters
    assert run.line.day.open_for("green_oakleaf") == before + 1
    run.command("sowing", "unhold")
    run.run("14m")
    assert _lane_crops(run, 1) == ["green_oakleaf"] * 2
    assert run.outcome["gutters"]["wetted"] == 3
    assert run.outcome["violations"] == []


def test_one_rejected_after_the_change_of_crop_is_sown_after_what_is_in_the_drum(hand) -> None:
    hand.command("", "today", "sow=2:rocket:2", by="anna")
    hand.command("sowing", "crop", "rocket")
    hand.line.day.unsown(2, "green_oakleaf")
    assert hand.line.day.sow[2] == [["rocket", 2], ["green_oakleaf", 1]]
    hand.line.day.unsown(2, "rocket")
    assert hand.line.day.sow[2] == [["rocket", 3], ["green_oakleaf", 1]]


TWO_LANES = "sow=1:green_oakleaf:2,2:rocket:2 pull=1:2,2:2"
SHORT = "sow=1:green_oakleaf:1 pull=1:1"


@pytest.mark.parametrize(
    ("told", "to"), [(TWO_LANES, "3m"), (TWO_LANES, "4m10s"), (TWO_LANES, "9m"), (SHORT, "6m")]
)
def test_a_controller_that_starts_anew_has_what_the_list_had_left(
    listed, small, tmp_path, told, to
) -> None:
    path = str(tmp_path / "ledger.sqlite3")
    run = listed(told, ledger=path).run(to)
    left = run.line.day.status()
    assert run.outcome["ledger"]
    with closing(Ledger.open(path, small)) as book:
        again = begin_line(small, book)
    assert again.day.status() == left
    assert left == {"lanes": []} or told == TWO_LANES  # a list that is done stands on


def test_a_wet_gutter_whose_lane_is_lost_goes_where_its_crop_is_accepted(listed) -> None:
    """Lane 2's list has no green; thrown away it would serve nobody's list."""
    run = listed("sow=1:green_oakleaf:1,2:red_oakleaf:1 pull=1:1,2:1")
    for second in range(1, 300):
        run.rehearsal.run(second * 1_000)
        if any(gutter.wet and gutter.lane == 1 for gutter in run.line.gutters.values()):
            break
    while run.line.lanes.by_id[1].state != "available":
        run.rehearsal.run(run.rehearsal.bench.now + 500)
    run.command("", "out-of-service", "1")
    run.run("9m")
    assert _lane_crops(run, 2) == ["green_oakleaf"]
    assert run.outcome["violations"] == []
    day = run.line.day
    assert day.sow == {1: [["green_oakleaf", 1]], 2: [["red_oakleaf", 1]]}


# sowing and harvest wait for each other --------------------------------------------------------


def test_waiting_for_another_crop_in_the_drum_is_no_mutual_wait(listed) -> None:
    run = listed("sow=1:red_oakleaf:2,2:rocket:2 pull=1:2,2:2")
    run.run("1m")
    assert run.line.harvest.state in ("Execute", "Suspended")
    seen = set()
    for minute in range(2, 12):
        run.run(f"{minute}m")
        seen |= run.alarms()
    assert "mutual_wait" not in seen
    assert any("wait for sowing to fill" in text for text in _waits(run, "harvest"))


def test_a_hole_kept_for_another_crop_does_not_hide_a_mutual_wait(listed) -> None:
    """Green has lane 1 next, whose tail is not ripe. Lane 2 keeps its hole for rocket, and its
    next tail waits for that: only another crop in the drum, or a person, gets them on."""
    run = listed("sow=1:green_oakleaf:1,2:rocket:2 pull=1:1,2:2")
    for run_of_lane in run.line.lanes.by_id[1].slots:
        for gutter in run_of_lane:
            run.line.gutters[gutter].ripe_at = 1_000_000_000
    run.run("5m")
    assert run.line.stations["tamp"].gutter  # fed for lane 1
    assert "mutual_wait" in run.alarms()
    assert _waits(run, "sowing")[0].startswith("no freed slot in lane 1 (crop green oakleaf)")
    run.command("sowing", "crop", "rocket")
    run.run("8m")
    assert "mutual_wait" not in run.alarms()
    assert "rocket" in _lane_crops(run, 2)

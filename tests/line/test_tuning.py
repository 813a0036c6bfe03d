"""S46: timers, doses and calibrations tuned on a running line: bounded, restored, replayed."""

from __future__ import annotations

import json
from statistics import mean

import pytest

from linectl.crop import setpoints
from linectl.line import Line
from linectl.site.tunable import tunables, tuned

PRESS = "stations.tamp.press_timeout"
WATER = "crops.green_oakleaf.water_ml"
DOSER = '{"by": "cleo", "factor": 1.05, "on": "2026-03-31"}'
TUNES = (
    (40_000, PRESS, "5500ms"),
    (60_000, WATER, "660"),
    (61_000, "calibration.drum.factor", "1.02"),
    (62_000, "lanes.1.germ.timeout", "7s"),
    (80_000, "calibration.doser", DOSER),
    (80_000, PRESS, "900s"),
)


@pytest.fixture
def heard(shift):
    """A small line at work that has been tuned as listed; everything it told, beside it."""

    def make(tunes=TUNES, to: str = "2m", **options):
        run = shift("small", **options)
        for at, path, value in tunes:
            run.rehearsal.command_at(at, "", "tune", f"{path} {value}", "anna")
        told: list[object] = []
        record = run.rehearsal.bench.recorder.record

        def listen(moves, events):
            told.extend(moves)
            told.extend((e.at, e.kind, e.source, e.text, sorted(e.data.items())) for e in events)
            record(moves, events)

        run.rehearsal.bench.recorder.record = listen
        return run.run(to), told

    return make


def _tunes(told) -> list[tuple]:
    return [entry for entry in told if entry[1] == "tune"]


def test_a_tuned_dose_comes_with_the_next_gutter_and_no_gutter_gets_half_of_each(heard) -> None:
    run, _ = heard([(150_000, WATER, "720")], "6m")
    bodies = [body for body in run.plant.world.bodies if body.seeds]
    got = [body.water_ml for body in bodies]
    before = [ml for ml in got if ml == pytest.approx(600, rel=0.05)]
    after = [ml for ml in got if ml == pytest.approx(720, rel=0.05)]
    assert got == before + after and len(before) > 2 and len(after) > 5
    assert mean(after) == pytest.approx(720, rel=0.01)
    assert run.outcome["violations"] == []
    assert "water.dose" not in run.alarms()


def test_a_tuned_calibration_changes_what_the_doser_is_asked_for(heard, small) -> None:
    run, _ = heard([(40_000, "calibration.doser", DOSER)], "2m")
    asked = float(run.line.outputs[small.index("fill.doser_rate")])
    usual = setpoints.doser(small, "green_oakleaf").value
    assert asked == pytest.approx(usual / 1.05, rel=1e-6)


def test_a_step_under_way_keeps_its_due_and_the_next_one_gets_the_new(hand) -> None:
    hand.healthy()
    tamp = hand.line.stations["tamp"]
    tamp.state, tamp.due = "pressing", hand.now + tamp.timeout("pressing")
    assert tamp.due == hand.now + 5000
    due = tamp.due
    assert hand.obey("tune", f"{PRESS} 6s") is None
    assert tamp.due == due
    assert tamp.timeout("pressing") == 6000


def test_every_part_takes_the_facts_of_the_new_site(hand) -> None:
    hand.healthy()
    line = hand.line
    assert hand.obey("tune", "stations.packing.handover_timeout 42s") is None
    assert hand.obey("tune", "lanes.2.grow.timeout 7s") is None
    assert hand.obey("tune", "stations.turnout.turn_timeout 5s") is None
    assert line.ends.turnout.timeout("handing") == 42_000
    assert line.ends.turnout.timeout("turning") == 5_000
    assert line.lanes.by_id[2].facts.runs[1].timeout_ms == 7_000
    assert line.lanes.by_id[1].facts.runs[1].timeout_ms == 6_000


def test_who_tuned_what_is_told_and_shown(hand, small) -> None:
    hand.healthy()
    hand.line.take_events()
    hand.scan(ms=10)
    assert hand.obey("tune", f"{PRESS} 6s") is None
    assert hand.line.status(hand.now)["tuned"] == [
        {"path": PRESS, "was": "5s", "value": "6s", "by": "anna"}
    ]
    assert hand.line.site.digest == tuned(small, small, PRESS, "6s").digest
    assert hand.obey("tune", f"{PRESS} 5s", "ben") is None
    assert hand.line.status(hand.now)["tuned"] == []
    assert hand.line.site.digest == small.digest


def test_tuning_is_an_event_of_the_record(heard) -> None:
    _, told = heard()
    first, *_, last = _tunes(told)
    assert first[2:4] == ("tamp", f"{PRESS}: 5s → 5500ms".replace("5500ms", "5s500ms"))
    assert dict(first[4]) == {"by": "anna", "path": PRESS, "old": "5s", "new": "5s500ms"}
    assert last[2] == "line" and json.loads(dict(last[4])["new"])["factor"] == 1.05
    assert len(_tunes(told)) == len(TUNES) - 1  # the last is far out of bounds


@pytest.mark.parametrize(
    ("argument", "by", "says"),
    [
        (f"{PRESS} 6s", " ", "say who"),
        (PRESS, "anna", "tune PATH VALUE"),
        (f"{PRESS} 7s", "anna", "outside 4s to 6s"),
        ("limits.start_warning 1s", "anna", "cannot be tuned"),
        ("zones.sowing.reaction_limit 9s", "anna", "cannot be tuned"),
        ("devices.io_sower.watchdog 9s", "anna", "cannot be tuned"),
        ("interlocks.causes.magazine_empty.reset auto", "anna", "cannot be tuned"),
    ],
)
def test_what_is_refused_changes_nothing(hand, small, argument, by, says) -> None:
    hand.healthy()
    before = hand.line.digest()
    assert says in str(hand.obey("tune", argument, by))
    assert hand.line.site is small and hand.line.digest() == before


def test_only_from_the_control_place_that_the_selectors_choose(hand, small) -> None:
    hand.healthy({"sowing.remote_selected": False})
    assert hand.obey("tune", f"{PRESS} 6s") is not None
    assert hand.line.site is small


def test_a_set_point_that_no_register_holds_is_refused(hand, small) -> None:
    bounds = {"crops.green_oakleaf.substrate_l": {"least": 1, "most": 1e9}}
    tuning = type(small.file.tuning).model_validate({"bounds": bounds})
    site = small.model_copy(update={"file": small.file.model_copy(update={"tuning": tuning})})
    other = type(hand)(site)
    other.healthy()
    why = other.obey("tune", "crops.green_oakleaf.substrate_l 1e7")
    assert "its register cannot hold" in str(why)


def test_tuning_alone_moves_no_output(hand, small) -> None:
    hand.healthy()
    hand.settle(500)
    for path, found in tunables(small).items():
        before = list(hand.line.outputs)
        hand.obey("tune", f"{path} {found.text}")
        assert hand.line.outputs == before, path


def test_a_saved_line_goes_on_with_what_was_tuned(hand, small) -> None:
    hand.healthy()
    entry = '{"by": "cleo", "factor": 1.1, "on": "2026-03-31"}'
    for argument in (
        f"{PRESS} 6s", "calibration.drum.factor 1.02", f"calibration.drum {entry}",
        "calibration.drum.factor 1.04", f"{WATER} 660",
    ):  # fmt: skip
        assert hand.obey("tune", argument) is None
    copy = Line(small)
    copy.restore(json.loads(json.dumps(hand.line.snapshot())))
    assert copy.site == hand.line.site
    assert copy.site.digest == hand.line.site.digest
    assert copy.digest() == hand.line.digest()
    assert copy.stations["tamp"].facts.press_timeout_ms == 6000
    assert copy.site.calibration.drum_factor("rocket") == 1.04
    assert copy.status(hand.now)["tuned"] == hand.line.status(hand.now)["tuned"]


def test_leaping_and_every_tick_tell_the_same_of_a_line_that_is_tuned(heard) -> None:
    leaping, leapt = heard(seed=3)
    ticking, ticked = heard(seed=3, every_tick=True)
    assert leapt == ticked and _tunes(leapt)
    assert leaping.line.digest() == ticking.line.digest()
    assert leaping.line.site.digest == ticking.line.site.digest

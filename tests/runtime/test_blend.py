"""Harvest follows a blend on the small line: what goes, what is owed, what a person reads."""

from __future__ import annotations

from pathlib import Path

import pytest

from linectl.crop.order import even_order
from linectl.image import Command, Start
from linectl.line import Line
from linectl.line.harvest_order import HarvestOrder
from linectl.line.inputs import NEVER
from linectl.line.snapshot import digest, restore, snapshot
from linectl.site.load import load_site

SMALL = load_site(Path(__file__).parents[2] / "config" / "small")
GREEN, RED = "green_oakleaf", "red_oakleaf"


def apart():
    """The small site with one crop a lane: oakleaf green in lane 1, red in lane 2."""
    lanes = tuple(
        lane.model_copy(update={"crops": (crop,)})
        for lane, crop in zip(SMALL.file.lanes, (GREEN, RED), strict=True)
    )
    file = SMALL.file.model_copy(update={"lanes": lanes})
    return SMALL.model_copy(update={"file": file})


def following(shift, blend: str, site=None, **options):
    """A line that follows a blend from its start, and the list of its blend's events."""
    run = shift("small", site=site, **options)
    told: list = []
    record = run.rehearsal.bench.recorder.record

    def listen(moves, events) -> None:
        told.extend(event for event in events if event.kind == "blend")
        record(moves, events)

    run.rehearsal.bench.recorder.record = listen
    run.command("harvest", "blend", blend)
    return run, told


def went(told) -> list[str]:
    return [event.data["crop"] for event in told if event.data["stage"] == "went"]


def test_what_is_ejected_is_the_blends_order(shift):
    run, told = following(shift, "duo")
    run.run("5m")
    order = even_order({GREEN: 2, RED: 1}).order
    crops = went(told)
    assert len(crops) >= 9
    assert crops == [order[n % 3] for n in range(len(crops))]
    status = run.line.status(run.line.now)["blend"]
    assert status["ejected"] == run.plant.report()["gutters"]["ejected"] == len(crops)
    assert status["name"] == "duo" and not status["owed"]
    twin = Line(SMALL)
    restore(twin, snapshot(run.line))
    assert digest(twin) == digest(run.line)
    assert twin.order.status() == run.line.order.status()


def test_a_crop_that_is_owed_a_cycle_stops_harvest_until_somebody_skips_it(shift):
    run, told = following(shift, "duo", site=apart())
    run.run("6m")  # oakleaf green is sown, and no red: lane 2 gives one gutter
    assert went(told).count(RED) == 1
    assert "red oakleaf is owed 1 gutter" in run.line.harvest.account()
    assert "skip forgives" in run.line.harvest.account()
    alarm = run.line.alarms.standing["mutual_wait"]
    assert "lane 2" in alarm.text and "red oakleaf" in alarm.text
    before = len(went(told))
    run.command("harvest", "skip")
    run.run("8m")
    assert len([crop for crop in went(told) if crop]) >= before + 2
    row = run.line.status(run.line.now)["blend"]["crops"][1]
    assert row["forgiven"] == 1 and row["asked"] == row["gone"] + row["owed"] + 1


def test_a_lane_out_of_service_is_skipped_without_waiting_for_it(shift):
    run, told = following(shift, "duo", site=apart())
    run.run("1s")
    run.command("", "out-of-service", "2")
    run.run("2m30s")
    assert went(told)[:2] == [GREEN, GREEN]
    assert run.line.order.blend.owed == [RED]


def test_a_crop_with_nothing_left_on_todays_list_is_owed_no_more(shift):
    run, told = following(shift, "duo", site=apart())
    run.command("", "today", f"sow=1:{GREEN}:10,2:{RED}:1 pull=1:10,2:1")
    run.run("6m")
    blend = run.line.order.blend
    assert went(told).count(RED) == 1 and went(told).count(GREEN) >= 6
    assert not blend.owed and blend.forgiven[1] >= 2
    assert run.state("harvest") == "Execute"


def test_leaping_and_every_tick_follow_the_blend_alike(shift, monkeypatch):
    """With a patience that ends again and again; a due of it that is left out would be found."""

    def history(every_tick: bool):
        run, told = following(shift, "duo", every_tick=every_tick)
        run.line.order.patience_ms = 6_500
        run.rehearsal.command_at(80_000, "harvest", "blend", f"{RED}=2,{GREEN}=1", "anna")
        run.run("100s")
        return [(e.at, e.text) for e in told], run.line.digest()

    ticking = history(True)
    assert any("skipped" in text for _, text in ticking[0])
    assert history(False) == ticking
    monkeypatch.setattr(HarvestOrder, "next_due", lambda self: NEVER)
    assert history(False) != ticking


def test_changing_the_blend_closes_its_account_and_tells_it(shift):
    run, told = following(shift, "duo")
    outfeed = run.line.ends.outfeed
    run.run("1m50s")
    while outfeed.state != "lifting":  # the gutter that is chosen already is none of the next one's
        run.rehearsal.run(run.line.now + 500)
    run.command("harvest", "blend", f"{GREEN}=1")
    run.run("3m")
    while outfeed.state != "idle":
        run.rehearsal.run(run.line.now + 500)
    run.command("harvest", "blend", "none")
    run.rehearsal.run(run.line.now + 1_000)
    ended = [event for event in told if event.data["stage"] == "ended"]
    assert [event.data["name"] for event in ended] == ["duo", f"{GREEN}=1"]
    gone = [sum(row["gone"] for row in event.data["account"]["crops"]) for event in ended]
    beside = sum(event.data["account"]["beside"] for event in ended)
    assert beside == 1
    assert sum(gone) + beside == run.plant.report()["gutters"]["ejected"]
    assert run.line.status(run.line.now)["blend"] is None


def test_a_gutter_that_an_ended_blend_chose_takes_no_place_of_the_strict_order():
    sowing = SMALL.file.sowing.model_copy(update={"harvest_order": (GREEN, RED)})
    file = SMALL.file.model_copy(update={"sowing": sowing})
    line = Line(SMALL.model_copy(update={"file": file}))
    order, outfeed = line.order, line.ends.outfeed
    order.begin("duo", "anna", {RED: 1}, (RED,))
    outfeed.state = "lifting"
    order.begin("", "anna", {}, ())
    order.went(RED)
    assert order.wanted(0) == (GREEN,)  # it is still the turn of green
    outfeed.state = "idle"
    order.begin("", "anna", {}, ())
    order.went(GREEN)
    assert order.wanted(0) == (RED,)


def test_a_blend_outlasts_a_power_cut_with_its_debts(shift):
    run, told = following(shift, "duo", site=apart())
    run.run("3m")
    left = told[-1].data
    line = Line(apart(), Start(blend=left))
    assert line.order.blend.owed == run.line.order.blend.owed == [RED]
    for name in ("name", "place", "turns", "gone", "skipped", "order"):
        assert getattr(line.order.blend, name) == getattr(run.line.order.blend, name)
    run.command("harvest", "blend", "none")
    run.run("3m1s")
    assert not Line(apart(), Start(blend=told[-1].data)).order.blend


@pytest.mark.parametrize(
    ("unit", "argument", "by", "says"),
    [
        ("harvest", "duoo", "anna", "duo"),
        ("harvest", "duo", "", "say who"),
        ("harvest", f"{GREEN}=0", "anna", "counted from 1"),
        ("harvest", f"{GREEN}=2,{GREEN}=1", "anna", "twice"),
        ("harvest", "green_oaklaef=2", "anna", "green_oakleaf"),
        ("harvest", "", "anna", "blend NAME"),
        ("harvest", f"{GREEN}=150,{RED}=150", "anna", "200 are the most"),
        ("sowing", "duo", "anna", "unit harvest"),
    ],
)
def test_a_blend_asked_wrongly_is_refused_with_a_sentence(unit, argument, by, says):
    line = Line(SMALL)
    for zone in SMALL.file.zones:
        line.inputs.on[line.site_io[f"{zone}.remote_selected"]] = True
        line.inputs.off[line.site_io[f"{zone}.remote_selected"]] = False
    why = line.obey(Command(unit, "blend", argument, by))
    assert why is not None and says in why
    assert not line.order.blend


def test_a_blend_is_asked_from_the_control_place_only():
    why = Line(SMALL).obey(Command("harvest", "blend", "duo", "anna"))
    assert why is not None and "control place" in why

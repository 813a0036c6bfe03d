"""Stops and resets: five different words. Each sentence of how the line must behave, as a test."""

from __future__ import annotations

import os
from itertools import permutations
from pathlib import Path

import pytest

from linectl.image import Command
from linectl.line.commands import NAMES
from linectl.line.tr88 import STATE_NUMBERS
from linectl.site.load import load_site

SMALL = load_site(Path(__file__).parents[2] / "config" / "small")
FILE = SMALL.file
FULL = os.environ.get("LINECTL_CAMPAIGN") == "full"
UNITS = ("sowing", "harvest")
GIVE_BACK = ("bypass-end", "force-end", "override-end", "pulse-end")
"""Taken from anywhere too: they give an interlock or a reading back, or bring to rest."""
ALARMS = ("alarm-ack", "alarm-shelve", "alarm-unshelve", "alarm-out-of-service", "alarm-in-service")
"""And these: they alter what is shown of an alarm and lead to no motion."""
TELLING = ("answer", "lot", "weight", "hopper-changed")
"""And these: a person tells the record what is so, and nothing moves by it."""
WARNED = ("Starting", "Unholding", "Unsuspending")


@pytest.mark.parametrize("unit", ["sowing", "harvest"])
def test_a_unit_that_comes_to_stand_has_nothing_on_in_that_very_scan(shift, judge, seen, unit):
    for name in ("hold", "stop", "suspend"):
        run = shift("small", site=SMALL, seed=2)
        judge(run.line, SMALL, seen())  # looks at every scan
        run.run("70s")
        run.command(unit, name)
        run.run("130s")
        assert run.state(unit) in ("Held", "Stopped", "Suspended", "Unsuspending", "Execute")


def test_a_drive_that_falls_silent_at_a_stop_is_judged_after_its_own_watchdog(shift):
    run = shift("small", site=SMALL, seed=2)
    run.do("hard cut", on=False)
    bench, index = run.rehearsal.bench, SMALL.index("turnout.run")
    while not run.plant.read(index):
        bench.run(bench.now + 50)
    bench.run(bench.now + 500)
    run.do("press estop", "harvest")
    bench.run(bench.now + 10)
    run.do("silence", "belts_harvest", for_ms=1_100)
    bench.run(bench.now + 5_000)
    rules = {row["rule"] for row in run.plant.report()["violations"]}
    assert rules.isdisjoint({"motion_after_run_down", "output_on_after_cause"})


# five acts after an emergency stop, none implying another ---------------------------------------

ACTS = ("release", "safety reset", "interlock reset", "clear", "reset", "start")


def _act(run, act: str, zone: str) -> None:
    if act == "release":
        run.do("release estop", zone)
    elif act == "safety reset":
        run.do("safety reset", zone)
    elif act == "interlock reset":
        run.command("", "interlock-reset")
    else:
        for unit in UNITS:
            run.command(unit, act)


def _after(run, ms: int) -> set[str]:
    """Go on for so long; the units' states then."""
    bench = run.rehearsal.bench
    bench.run(bench.now + ms)
    return {unit.state for unit in run.line.units}


def test_after_an_emergency_stop_only_all_acts_in_their_order_start_anything(shift, judge, seen):
    # S06, extended: all orders of the six acts that are not the right one (one in six of them;
    # all in the long form), then the right one.
    run = shift("small", site=SMALL, start=False)
    judge(run.line, SMALL, seen())
    run.run("3s")
    orders = list(permutations(ACTS))
    for number, order in enumerate([*orders[1 :: 1 if FULL else 6], ACTS]):
        zone = tuple(FILE.zones)[number % 3]
        run.do("press estop", zone)
        assert _after(run, 200) == {"Aborted"}
        for act in order:
            _act(run, act, zone)
            started = _after(run, 600) & set(WARNED)
            assert not started or order == ACTS, order
        if order != ACTS:
            run.do("release estop", zone)
            run.do("safety reset", zone)
            _after(run, 600)
    assert started == {"Starting"}


@pytest.mark.parametrize("left_out", ACTS)
def test_leaving_one_act_out_and_repeating_all_others_starts_nothing(shift, left_out):
    run = shift("small", site=SMALL, start=False)
    run.run("3s")
    run.do("press estop", "lanes")
    _after(run, 200)
    for act in (act for act in (*ACTS, *ACTS) if act != left_out):
        _act(run, act, "lanes")
        assert not _after(run, 600) & set(WARNED), act


def test_the_safety_reset_acts_on_the_release_of_its_button(shift):
    # ISO 13849-1 5.2.2, from memory: manual reset by release of the actuator.
    run = shift("small", site=SMALL, start=False)
    run.run("3s")
    run.do("press estop", "sowing")
    _after(run, 200)
    run.do("release estop", "sowing")
    run.do("safety reset", "sowing")
    _after(run, 300)
    assert run.plant.read(SMALL.index("sowing.safety_reset"))
    assert not run.plant.read(SMALL.index("sowing.estop_ok"))
    _after(run, 600)
    assert run.plant.read(SMALL.index("sowing.estop_ok"))
    assert {unit.state for unit in run.line.units} == {"Aborted"}


@pytest.mark.parametrize(
    "tag", ["infeed.extend", "lane1.germ.stroke", "turn.to_90", "tamp.press", "outfeed.run"]
)
def test_clearing_and_resetting_move_nothing_and_homing_waits_for_the_warning(
    shift, judge, seen, tag
):
    run = shift("small", site=SMALL, seed=4)
    judge(run.line, SMALL, seen())  # nothing on but in states that may move, after the warning
    _until_on(run, tag)
    _after(run, 400)
    run.do("press estop", "lanes")
    _after(run, 3_000)
    for act in ACTS[:-1]:
        stood = _moved(run)
        _act(run, act, "lanes")
        _after(run, 5_000)
        assert _moved(run) == stood, act
    _act(run, "start", "lanes")
    _after(run, 2_900)
    assert _moved(run) == stood
    _after(run, 3_000)
    assert _moved(run) != stood


def _until_on(run, tag: str) -> None:
    bench, index = run.rehearsal.bench, SMALL.index(tag)
    bench.run(20_000)
    while not run.plant.read(index):
        assert bench.now < 400_000, f"{tag} never came on"
        bench.run(bench.now + 20)


def _moved(run) -> list[object]:
    """All outputs that move something, and all inputs that tell of motion."""
    roles = ("at_0", "at_90", "home", "forward", "gripper_home", "gripper_out", "position",
             "running", "press_up", "press_down", "at_up", "at_down")  # fmt: skip
    told = [p for p in SMALL.points if p.cut_by or p.tag.rpartition(".")[2] in roles]
    return [run.plant.read(point.index) for point in told]


# control places ---------------------------------------------------------------------------------


@pytest.mark.parametrize("zone", ["sowing", "harvest", "lanes"])
@pytest.mark.parametrize("wrong", ["machine", "unreadable"])
def test_no_command_is_taken_from_the_room_while_the_machine_has_the_control_place(
    shift, zone, wrong
):
    # S10, extended: every command there is, in every state, both units.
    run = shift("small", site=SMALL, start=False)
    run.run("3s")
    if wrong == "machine":
        run.do("select", zone, place="machine")
    else:
        device = SMALL.points[SMALL.index(f"{zone}.remote_selected")].device
        run.do("silence", device, for_ms=600_000)
    _after(run, 1_000)
    concerned = UNITS if zone == "lanes" else (zone,)
    for unit in run.line.units:
        for state in STATE_NUMBERS:
            for name in NAMES:
                unit.state = state
                why = run.line.obey(Command(unit.name, name, "production", "a test"))
                unit.asked = ""
                if name in ("stop", "hold", "abort"):
                    assert why is None or "nothing to do" in why
                elif name in (*GIVE_BACK, *ALARMS, *TELLING):
                    assert why is None or "control place" not in why
                    assert unit.state == state
                elif unit.name in concerned:
                    assert why is not None and "control place" in why, (state, name, why)
                    assert unit.state == state


def test_stop_hold_and_abort_are_taken_wherever_they_mean_something(shift):
    # ANSI/ISA-TR88.00.02-2015 with the Hold extension of OPC 30050 v1.01, by hand.
    none = {
        "stop": ("Stopped", "Stopping", "Clearing", "Aborting", "Aborted"),
        "abort": ("Aborting", "Aborted"),
    }
    hold = ("Execute", "Starting", "Suspending", "Suspended", "Unsuspending", "Unholding")
    run = shift("small", site=SMALL, start=False)
    run.run("1s")
    for zone in FILE.zones:
        run.do("select", zone, place="machine")
    run.run("2s")
    unit = run.line.sowing
    for state in STATE_NUMBERS:
        for name in ("stop", "hold", "abort"):
            unit.state = state
            taken = run.line.obey(Command("sowing", name)) is None
            assert taken is (state in hold if name == "hold" else state not in none[name])


# stop wins over start ---------------------------------------------------------------------------


@pytest.mark.parametrize("state", ["Idle", "Held", "Suspended", "Stopped", "Aborted", "Complete"])
@pytest.mark.parametrize("stop", ["stop", "hold", "abort"])
def test_stop_wins_over_start_in_one_scan_in_either_order(shift, state, stop):
    # S05, extended; ISO 13850 and IEC 60204-1, from memory: a stop has precedence over starts.
    run = shift("small", site=SMALL, start=False)
    run.run("3s")
    moves = (*WARNED, "Execute")
    for start in ("start", "unhold", "unsuspend", "reset", "clear"):
        for order in ((start, stop), (stop, start), (stop, start, start), (start, stop, start)):
            run.line.sowing.state = state
            for name in order:
                run.rehearsal.bench.command(Command("sowing", name))
            _after(run, 10)
            assert run.state("sowing") not in moves, order
            if run.state("sowing") != "Suspended":
                _after(run, 100)
                assert run.state("sowing") not in moves, order


# stuck buttons ----------------------------------------------------------------------------------


def _hold_down(run, zone: str, held: bool) -> None:
    index = SMALL.index(f"{zone}.interlock_reset")
    run.rehearsal.bench.act(lambda: run.plant.world.points.override(index, True if held else None))


def _trip(run, guard: str) -> bool:
    """Open and close a guard; True while its cause still stops anything."""
    run.do("open", guard)
    _after(run, 300)
    run.do("close", guard)
    _after(run, 300)
    return _stops(run, guard)


def _stops(run, guard: str) -> bool:
    rows = run.line.causes.rows
    return any(
        row.name == f"guard_{guard}" and run.line.causes.active[n] for n, row in enumerate(rows)
    )


@pytest.mark.parametrize("zone", list(FILE.zones))
def test_a_reset_button_held_down_since_power_up_resets_nothing(shift, zone):
    # S09, extended: every button, by the plant.
    run = shift("small", site=SMALL, start=False)
    _hold_down(run, zone, True)
    run.run("3s")
    assert _trip(run, "fill")
    _after(run, 60_000)
    assert _stops(run, "fill")
    _hold_down(run, zone, False)
    _after(run, 300)
    assert _stops(run, "fill")  # letting go is no press either
    run.do("interlock reset", zone)
    _after(run, 300)
    assert not _stops(run, "fill")


@pytest.mark.parametrize("zone", list(FILE.zones))
def test_a_button_held_for_ever_resets_once(shift, zone):
    run = shift("small", site=SMALL, start=False)
    run.run("3s")
    assert _trip(run, "fill")
    _hold_down(run, zone, True)
    _after(run, 300)
    assert not _stops(run, "fill")
    assert _trip(run, "seed")
    _after(run, 60_000)
    assert _stops(run, "seed")


@pytest.mark.parametrize("zone", list(FILE.zones))
def test_a_button_that_is_down_when_its_device_comes_back_resets_nothing(shift, zone):
    run = shift("small", site=SMALL, start=False)
    run.run("3s")
    assert _trip(run, "fill")
    device = SMALL.points[SMALL.index(f"{zone}.interlock_reset")].device
    run.do("silence", device, for_ms=2_000)
    _after(run, 1_000)
    _hold_down(run, zone, True)
    _after(run, 3_000)
    assert _stops(run, "fill")


# which stop acts on what ------------------------------------------------------------------------


@pytest.mark.parametrize("zone", list(FILE.zones))
@pytest.mark.parametrize("at", ["40s", "75s", "110s"])
def test_every_emergency_stop_acts_on_the_whole_line(shift, zone, at):
    run = shift("small", site=SMALL, seed=1).run(at)
    assert _on(run, ""), "something must run to be stopped"
    run.do("hard cut", on=False)
    run.do("press estop", zone)
    assert _after(run, 500) == {"Aborted"}
    assert _on(run, "") == []


@pytest.mark.parametrize("guard", ["mouth", "tail"])
@pytest.mark.parametrize(
    "tag", ["lane1.germ.stroke", "lane1.grow.back", "lane2.grow.stroke", "lane2.lift.belt"]
)
def test_a_lane_or_tail_guard_stops_the_lanes_runs_from_both_sides(shift, guard, tag):
    run = shift("small", site=SMALL, seed=1)
    run.do("hard cut", on=False)
    _until_on(run, tag)
    run.do("open", guard)
    _after(run, 500)
    assert _on(run, "lanes") == []
    assert all(unit.state in ("Holding", "Held") for unit in run.line.units)


def _on(run, zone: str) -> list[str]:
    """Outputs at the devices that move something and are on, in that zone or in all."""
    return [
        point.tag
        for point in SMALL.points
        if point.cut_by and not point.safe and (not zone or point.zone == zone)
        if run.plant.read(point.index)
    ]


# what ends the right to start alone -------------------------------------------------------------


def _happenings(unit: str) -> list[tuple[str, str]]:
    """What may happen in a unit's zone or a shared one: (verb, part)."""
    zones = [name for name, zone in FILE.zones.items() if zone.unit in (unit, None)]
    stations = [
        name for name, s in FILE.stations.items() if s.zone in zones and s.kind != "packing"
    ]
    devices = {
        point.device  # one that only counts announces nothing on the bench, its silence neither
        for point in SMALL.points
        if point.zone in zones and point.is_bool and point.direction == "in"
    }
    return [
        *(("open", guard) for zone in zones for guard in FILE.zones[zone].guards),
        *(("press estop", zone) for zone in FILE.zones),
        *((verb, name) for verb in ("isolate", "local") for name in stations),
        *(("silence", device) for device in sorted(devices)),
        *(("select", zone) for zone in zones),
    ]


UNDO = {"open": "close", "press estop": "release estop", "isolate": "de-isolate",
        "local": "remote", "select": "select"}  # fmt: skip


@pytest.mark.parametrize(
    "unit, verb, part", [(unit, *what) for unit in UNITS for what in _happenings(unit)]
)
def test_a_unit_that_stood_suspended_while_something_happened_waits_for_a_person(
    shift, stall, unit, verb, part
):
    # S08, extended: every guard, stop, isolator, local switch, device and selector of its zones.
    run = shift("small", site=SMALL, seed=1, scenario=stall("60s", "400s"))
    bench = run.rehearsal.bench
    while run.state(unit) != "Suspended":
        bench.run(bench.now + 1_000)
        assert bench.now < 390_000
    options = {"silence": {"for_ms": 1_500}, "select": {"place": "machine"}}.get(verb, {})
    run.do(verb, part, **options)
    _after(run, 2_000)
    if verb != "silence":
        run.do(UNDO[verb], part, **({"place": "room"} if verb == "select" else {}))
    if verb == "press estop":
        run.do("safety reset", part)
    _after(run, 1_000)
    run.do("interlock reset", "lanes")  # clears latches, and starts nothing
    run.do("harvest resumes", "")
    for _ in range(60):
        _after(run, 1_000)
        assert run.state(unit) not in (*WARNED, "Execute")
    # After a turn of the selector alone it becomes Held only when it could go on.
    assert run.state(unit) in ("Held", "Aborted", *(["Suspended"] if verb == "select" else []))


# the start warning ------------------------------------------------------------------------------

FAILURES = ("never", "from the middle on", "once for a moment", "on before it was asked")


@pytest.mark.parametrize("sign", ["horn_on", "beacon_on"])
@pytest.mark.parametrize("failure", FAILURES)
@pytest.mark.parametrize("state", WARNED)
def test_nothing_moves_when_horn_or_beacon_does_not_prove_itself(
    shift, judge, seen, sign, failure, state
):
    # S07, extended: each start, each sign, each way of failing.
    run = shift("small", site=SMALL, seed=1, start=state != "Starting")
    judge(run.line, SMALL, seen())
    way = {"Unholding": ("hold", "unhold"), "Unsuspending": ("suspend", "unsuspend")}
    index = SMALL.index(f"sowing.{sign}")
    points = run.plant.world.points

    def shows(value: bool | None) -> None:
        run.rehearsal.bench.act(lambda: points.override(index, value))

    run.run("3s" if state == "Starting" else "45s")
    if failure in ("never", "on before it was asked"):  # before: Suspended may last for one scan
        shows(failure != "never")
        _after(run, 100)
    first, command = way.get(state, ("reset", "start"))
    run.command("sowing", first)
    _after(run, 60_000 if state == "Unholding" else 10)
    while run.state("sowing") not in ("Idle", "Held", "Suspended"):
        _after(run, 10)
        assert run.rehearsal.bench.now < 400_000
    run.command("sowing", command)
    _after(run, 20)
    assert run.state("sowing") == state
    _after(run, 1_500)
    if failure in ("from the middle on", "once for a moment"):
        shows(False)
        _after(run, 100)
        if failure == "once for a moment":
            shows(None)
    _after(run, 8_000)
    assert run.state("sowing") == "Held"
    assert "sowing.warning" in run.alarms()

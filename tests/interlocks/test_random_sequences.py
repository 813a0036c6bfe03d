"""Random sequences of what people and the world do to the line, every scan judged anew.

The hard-wired cut is disabled, so that hardware cannot hide software. In the scan that first sees
a cause its outputs are off; at the plant's device they are off within the computed worst case, and
what a drive turned stands after its ramp; nothing comes on again before the right reset; no unit
starts without its person, its start warning, or outside the rule for starting by itself.
"""

from __future__ import annotations

import os
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    rule,
    run_state_machine_as_test,
)

from linectl.line.tr88 import COMMANDS
from linectl.registers.budget import Budget
from linectl.site.load import load_site

SMALL = load_site(Path(__file__).parents[2] / "config" / "small")
FULL = os.environ.get("LINECTL_CAMPAIGN") == "full"
EXAMPLES = 300 if FULL else 140
CAUSES = 16
"""So many causes at least must have come while an output that they forbid was on."""
STEPS = 40 if FULL else 9
MUTANT_EXAMPLES, MUTANT_STEPS = 60, 12
"""At most: the first example that fails ends the search."""
FILE = SMALL.file
ZONES = tuple(FILE.zones)
GUARDS = tuple(guard for zone in FILE.zones.values() for guard in zone.guards)
STATIONS = tuple(name for name, station in FILE.stations.items() if station.kind != "packing")
UNITS = ("sowing", "harvest")
ACTS: dict[str, tuple[tuple[str, str], str]] = {
    **{f"estop_{zone}": (("press estop", zone), "release estop") for zone in ZONES},
    **{f"guard_{guard}": (("open", guard), "close") for guard in GUARDS},
    **{f"isolator_{station}": (("isolate", station), "de-isolate") for station in STATIONS},
    **{f"local_{station}": (("local", station), "remote") for station in STATIONS},
}
"""Causes that a person brings about → what they do, and what undoes it."""
ZONE_WIDE = tuple(cause for cause in ACTS if cause.startswith(("estop", "guard")))
ONE_STATION = tuple(cause for cause in ACTS if cause not in ZONE_WIDE)
LOOK_MS, LOOKS = 100, 300
LATE = ("output_on_after_cause", "motion_after_run_down")
UNASKED = ("motion_without_warning", "reversal_without_standstill")
"""The auditor's rules on stopping and starting; matter and places have tests of their own."""
FAR_MS = 10**9
budget = cache(lambda: Budget(SMALL))

waits_ms = st.sampled_from((10, 30, 150, 500, 3_000, 8_000, 30_000, 60_000))
zones, guards, stations = (st.sampled_from(names) for names in (ZONES, GUARDS, STATIONS))
units = st.sampled_from(UNITS)


class People(RuleBasedStateMachine):
    """The line at work and all that may befall it. Every rule ends with a wait."""

    make: Any = None
    """() → (shift, attendant, judge, device watch, seen): set by the test."""

    def __init__(self) -> None:
        super().__init__()
        self.run, self.person, self.judge, self.watch, self.seen = self.make()
        self.both = self.silent = False

    @initialize(stuck=st.sampled_from((*ZONES, "", "", "")), warm_ms=st.integers(9_000, 90_000))
    def power_up(self, stuck: str, warm_ms: int) -> None:
        """Sometimes with an interlock reset button held down since before."""
        if stuck:
            self._button(stuck, held=True)
        self._wait(warm_ms)

    def _wait(self, ms: int) -> None:
        bench = self.run.rehearsal.bench
        until = bench.now + ms
        while bench.now < until:
            bench.run(min(until, bench.now + 5_000))
        self.both = self.both or all(unit.state == "Execute" for unit in self.run.line.units)

    def _do(self, verb: str, part: str, wait_ms: int, **options: Any) -> None:
        self.run.do(verb, part, **options)
        self._wait(wait_ms)

    def _button(self, zone: str, held: bool) -> None:
        index = SMALL.index(f"{zone}.interlock_reset")
        points = self.run.plant.world.points
        self.run.rehearsal.bench.act(lambda: points.override(index, True if held else None))

    # guards, stops, resets ---------------------------------------------------------------------

    @rule(guard=guards, wait_ms=waits_ms)
    def open_a_guard(self, guard: str, wait_ms: int) -> None:
        self._do("open", guard, wait_ms)

    @rule(guard=guards, wait_ms=waits_ms)
    def close_a_guard(self, guard: str, wait_ms: int) -> None:
        self._do("close", guard, wait_ms)

    @rule(zone=zones, wait_ms=waits_ms)
    def press_an_emergency_stop(self, zone: str, wait_ms: int) -> None:
        self._do("press estop", zone, wait_ms)

    @rule(zone=zones, wait_ms=waits_ms, reset=st.booleans())
    def release_it_and_perhaps_reset_it(self, zone: str, wait_ms: int, reset: bool) -> None:
        self.run.do("release estop", zone)
        if reset:
            self.run.do("safety reset", zone)
        self._wait(wait_ms)

    @rule(zone=zones, wait_ms=waits_ms)
    def push_the_interlock_reset_button(self, zone: str, wait_ms: int) -> None:
        self._do("interlock reset", zone, wait_ms)

    @rule(zone=zones, held=st.booleans(), wait_ms=waits_ms)
    def hold_the_reset_button_down_or_let_it_go(self, zone: str, held: bool, wait_ms: int) -> None:
        self._button(zone, held)
        self._wait(wait_ms)

    @rule(cause=st.sampled_from(ZONE_WIDE), wait_ms=waits_ms, undo=st.booleans())
    def stop_a_zone_just_when_it_matters(self, cause: str, wait_ms: int, undo: bool) -> None:
        self._when_it_matters(cause, wait_ms, undo)

    @rule(cause=st.sampled_from(ONE_STATION), wait_ms=waits_ms, undo=st.booleans())
    def stop_a_station_just_when_it_matters(self, cause: str, wait_ms: int, undo: bool) -> None:
        self._when_it_matters(cause, wait_ms, undo)

    def _when_it_matters(self, cause: str, wait_ms: int, undo: bool) -> None:
        """Wait until something runs that the cause forbids, and only then act."""
        outputs = next(row.outputs for row in self.judge.rows if row.name == cause)
        bench, plant = self.run.rehearsal.bench, self.run.plant
        for _ in range(LOOKS):
            if any(plant.read(index) for index in outputs):
                break
            bench.run(bench.now + LOOK_MS)
        (verb, part), back = ACTS[cause]
        self._do(verb, part, wait_ms)
        if undo:
            self._do(back, part, wait_ms)

    # drives, devices, places -------------------------------------------------------------------

    @rule(
        station=stations,
        verb=st.sampled_from(("isolate", "de-isolate", "local", "remote")),
        wait_ms=waits_ms,
    )
    def switch_at_a_station(self, station: str, verb: str, wait_ms: int) -> None:
        self._do(verb, station, wait_ms)

    @rule(
        device=st.sampled_from(tuple(FILE.devices)),
        for_ms=st.integers(50, 3_000),
        wait_ms=waits_ms.filter(lambda ms: ms >= 3_000),
    )
    def a_device_falls_silent(self, device: str, for_ms: int, wait_ms: int) -> None:
        """Stops reset before a silent device's watchdog are tests/faults' and the hardware's."""
        self.silent = True
        self.watch.silenced(device, for_ms)
        self._do("silence", device, wait_ms, for_ms=for_ms)

    @rule(zone=zones, place=st.sampled_from(("machine", "room")), wait_ms=waits_ms)
    def turn_the_selector(self, zone: str, place: str, wait_ms: int) -> None:
        self._do("select", zone, wait_ms, place=place)

    # commands ----------------------------------------------------------------------------------

    @rule(unit=units, names=st.lists(st.sampled_from(COMMANDS), min_size=1, max_size=3),
          wait_ms=waits_ms)  # fmt: skip
    def command_a_unit(self, unit: str, names: list[str], wait_ms: int) -> None:
        """All of them reach the line in one scan."""
        for name in names:
            self.run.command(unit, name)
        self._wait(wait_ms)

    @rule(unit=units, argument=st.sampled_from(("production", "dry-cycle", "jog")),
          wait_ms=waits_ms)  # fmt: skip
    def change_the_mode(self, unit: str, argument: str, wait_ms: int) -> None:
        self.run.command(unit, "mode", argument)
        self._wait(wait_ms)

    @rule(
        command=st.sampled_from((
            ("", "interlock-reset", ""), ("", "advance-empty", "1"), ("sowing", "run-out", ""),
            ("harvest", "run-out", ""), ("", "out-of-service", "2"), ("", "in-service", "2"),
        )),
        wait_ms=waits_ms,
    )  # fmt: skip
    def command_the_line(self, command: tuple[str, str, str], wait_ms: int) -> None:
        self.run.command(*command)
        self._wait(wait_ms)

    # the hall, and the person who puts things right ----------------------------------------------

    @rule(verb=st.sampled_from(("harvest stops", "harvest resumes")), wait_ms=waits_ms)
    def the_hall(self, verb: str, wait_ms: int) -> None:
        self._do(verb, "", wait_ms)

    @rule(wait_ms=st.sampled_from((60_000, 330_000)))
    def the_hall_stalls_and_goes_on(self, wait_ms: int) -> None:
        """Long enough for a unit to suspend, and once too long for it to start by itself."""
        self._do("harvest stops", "", wait_ms)
        self._do("harvest resumes", "", 20_000)

    @rule(wait_ms=waits_ms)
    def put_all_right_and_start(self, wait_ms: int) -> None:
        self._put_right(wait_ms)

    @rule(wait_ms=waits_ms)
    def put_all_right_again(self, wait_ms: int) -> None:
        """The same, so that it comes more often: the line must be at work to be stopped."""
        self._put_right(wait_ms)

    def _put_right(self, wait_ms: int) -> None:
        for guard in GUARDS:
            self.run.do("close", guard)
        for station in STATIONS:
            self.run.do("de-isolate", station)
            self.run.do("remote", station)
        for zone in ZONES:
            self._button(zone, held=False)
            self.run.do("select", zone, place="room")
        self.run.do("harvest resumes", "")
        for _ in range(5):  # each act of theirs waits for what the one before has done
            self.run.rehearsal.bench.act(self.person._look)
            self._wait(800)
        self._wait(4_000 + wait_ms)

    # judged ------------------------------------------------------------------------------------

    @invariant()
    def the_devices_obey_in_time(self) -> None:
        assert self.watch.wrong == []

    @invariant()
    def the_auditor_saw_no_rule_broken(self) -> None:
        """Late after a short silence is not judged by the auditor, but by the watch beside it."""
        rules = UNASKED if self.silent else (*UNASKED, *LATE)
        assert [row for row in self.run.plant.auditor.violations if row["rule"] in rules] == []

    def teardown(self) -> None:
        self.seen.executing += self.both


def campaign(shift, attendant, judge, device_watch, seen, examples: int, steps: int, mutate=None):
    """Run the machine; raises what an example raised."""

    def make():
        run = shift("small", site=SMALL, seed=7)
        run.do("hard cut", on=False)
        if mutate is not None:
            mutate(run.line)
        judged = judge(run.line, SMALL, seen)
        watch = device_watch(run.plant, SMALL, budget(), seen)
        return run, attendant(run, first_ms=FAR_MS), judged, watch, seen

    machine = type("People", (People,), {"make": staticmethod(make)})
    run_state_machine_as_test(
        machine,
        settings=settings(
            max_examples=examples,
            stateful_step_count=steps,
            deadline=None,
            phases=(Phase.generate,),
            suppress_health_check=list(HealthCheck),
        ),
    )


def test_whatever_people_do_stops_are_kept_and_nothing_restarts_unasked(
    shift, attendant, judge, device_watch, seen, record_property
):
    saw = seen()
    campaign(shift, attendant, judge, device_watch, saw, EXAMPLES, STEPS)
    print(saw)
    record_property("seen", str(saw))
    assert saw.executing >= EXAMPLES * 3 // 4, "the line must be at work to be stopped"
    assert len(saw.tripped_while_on) >= CAUSES, sorted(saw.tripped_while_on)
    assert sum(saw.tripped_while_on.values()) >= EXAMPLES // 2
    assert set(saw.restarts) == {"Starting", "Unholding", "Unsuspending"}
    assert saw.by_itself >= EXAMPLES // 30 and saw.held_after_suspended >= EXAMPLES // 30
    assert saw.reactions >= EXAMPLES and 0.5 < saw.worst_share <= 1
    assert saw.run_downs >= EXAMPLES


# the machine itself must be able to fail --------------------------------------------------------


def _rows(line, change) -> None:
    """Change the rows of the matrix for which `change` gives another."""
    line.causes.rows = tuple(change(row) or row for row in line.causes.rows)
    line.causes.add_up()


def cells_dropped(line) -> None:
    """Local switches hold their unit, and no longer cut their station."""
    _rows(line, lambda row: replace(row, acts=0) if row.name.startswith("local") else None)


def latch_made_automatic(line) -> None:
    """Emergency stops let go by themselves."""

    def change(row):
        if row.name.startswith("estop"):
            actions = tuple((unit, action, False) for unit, action, _ in row.actions)
            return replace(row, reset="automatic", acts=row.blocks, latches=0, actions=actions)
        return None

    _rows(line, change)


def delay_added(line) -> None:
    """Guards act one scan late."""
    _rows(line, lambda row: replace(row, on_delay_ms=10) if row.name.startswith("guard") else None)


def silence_overlooked(line) -> None:
    """What a silent device said last counts on."""
    take = line.inputs.take

    def taking(frame, now):
        return take(replace(frame, quality=[told for told in frame.quality if told[1]]), now)

    line.inputs.take = taking


def gate_skipped(line) -> None:
    """What runs goes round the causes, belts and carriages alike."""
    add_up = line.causes.add_up
    runs = sum(line.bit(p.index) for p in SMALL.points if p.tag.endswith(".run"))

    def skipping() -> None:
        add_up()
        line.causes.blocked &= ~runs

    line.causes.add_up = skipping


def restart_after_reset(line) -> None:
    """An interlock reset clears, resets and starts the units."""
    reset_latches = line.causes.reset_latches

    def resetting(*args):
        let_go = reset_latches(*args)
        for unit in line.units:
            for state, event in (("Aborted", "clear"), ("Clearing", "done"), ("Stopped", "reset"),
                                 ("Resetting", "done"), ("Idle", "start")):  # fmt: skip
                if unit.state == state:
                    unit.go(event, "reset")
        return let_go

    line.causes.reset_latches = resetting


def warning_cut_short(line) -> None:
    """The start warning is over as soon as the horn sounds."""
    for unit in line.units:
        unit._warn = lambda now, unit=unit: _short_warning(line, unit)


def _short_warning(line, unit) -> bool:
    unit.quiet = True  # the horn is asked for, and nobody waits for it
    unit.warned = unit.warned or line.inputs.on[unit.horn_on]
    return unit.warned


def disturbance_forgotten(line) -> None:
    """What happened while a unit stood suspended is forgotten, and so is the time it stood."""
    for unit in line.units:
        step = unit.step

        def stepping(now, unit=unit, step=step):
            unit.touched = False
            if unit.state == "Suspended":
                unit.due = now + 10**9
            step(now)

        unit.step = stepping


MUTANTS = (
    cells_dropped, latch_made_automatic, delay_added, gate_skipped, restart_after_reset,
    warning_cut_short, disturbance_forgotten, silence_overlooked,
)  # fmt: skip


@pytest.mark.parametrize("mutate", MUTANTS, ids=lambda mutate: mutate.__name__)
def test_the_same_machine_catches_a_planted_defect(
    shift, attendant, judge, device_watch, seen, mutate
):
    with pytest.raises(AssertionError):
        limits = MUTANT_EXAMPLES, MUTANT_STEPS
        campaign(shift, attendant, judge, device_watch, seen(), *limits, mutate)

"""Every time-out of the line comes once while leaping and once scanning every tick: the same
events, moves and states both times.

Sensors are pinned and faults played one after the other; a person puts things right meanwhile.
"""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

import pytest

from linectl.site.load import load_site

CONFIG = Path(__file__).parents[2] / "config"
site_of = cache(lambda name: load_site(CONFIG / name))
FOR_MS = 40_000

BELTS = (
    # (when this part is in this state, point or part, fault kind or pinned value, alarm)
    ("fill giving", "fill.entry_eye", False, "fill.no_entry"),
    ("tamp leading", "tamp.entry_eye", True, "tamp.no_clear"),
    ("water leading", "water.exit_eye", False, "water.no_exit"),
    ("seed tooling", "seed.running", False, "seed.belt"),
    ("tamp settling", "tamp.running", True, "tamp.runs_on"),
    ("seed empty", "seed.exit_eye", True, "seed.stray"),
)
TOOLS = (
    ("tamp still", "tamp.clamped", False, "tamp.clamp"),
    ("tamp pressing", "tamp", "press_sticks", "tamp.press"),
    ("seed giving", "seed", "vacuum_low", "seed.vacuum"),
    ("water settling", "every counter", None, "water.no_count"),
    ("magazine giving", "magazine.gate_home", True, "magazine.gate"),
    ("magazine giving", "magazine", "feeds_none", "magazine.no_feed"),
    ("magazine done", "magazine.exit_eye", False, "magazine.lost"),
)
TABLES = (
    ("turn turning", "turn", "stops_at_45", "turn.turn"),
    ("turn settling", "turn.running", True, "turn.runs_on"),
    ("turn settling", "turn.centred", False, "turn.centred"),
    ("turnout turning_back", "turnout", "stops_at_45", "turnout.turn"),
    ("turnout turning", "packing hall", None, ""),
    ("turnout offered", "turnout.centred", False, "turnout.lost"),
    ("turnout turning_back", "turnout.centred", True, "turnout.stray"),
    ("turnout handing", "packing.taken", False, "turnout.handover"),
    ("turnout parting", "packing.taken", True, "turnout.handshake"),
)
CARRIAGES = (
    ("infeed withdrawing", "infeed", "sticks_out", "infeed.gripper"),
    ("infeed lifting", "infeed.flag", False, "infeed.travel"),
    ("outfeed reaching", "outfeed", "grips_nothing", "outfeed.grip"),
    ("outfeed idle", "outfeed.on_board", True, "outfeed.stray"),
    ("turnout turning", "packing hall", None, ""),
    ("outfeed at_put", "outfeed.on_board", False, "outfeed.lost"),
)
LANES = (
    ("lane1 stroking", "lane1.germ.forward lane1.grow.forward", False, "lane1.stroke"),
    ("lane2 returning", "lane2.germ.home lane2.grow.home", False, "lane2.home"),
    ("lane1 fetching", "lane1.lift", "stops_half_way", "lane1.lift"),
    ("lane2 loading", "lane2.lift.on_board", False, "lane2.load"),
    ("lane1 unloading", "lane1.lift.on_board", True, "lane1.unload"),
)
LEDGER = (
    ("magazine giving", "the ledger", None, "fill.ledger"),
    ("tamp leading", "the ledger", None, "tamp.ledger"),
    ("water giving", "the ledger", None, "seed.ledger"),
    ("infeed fetching", "the ledger", None, "infeed.ledger"),
    ("outfeed asked_pick", "the ledger", None, "outfeed.ledger"),
    ("turnout asked", "the ledger", None, "turnout.ledger"),
    ("lane1 stroking", "the ledger", None, "lane1.ledger"),
)
FIRST_GUTTER = (("magazine empty", "the ledger", None, "magazine.ledger"),)
JOINT = (("lane1 crossing", "lane1.joint.joint_clear", False, "lane1.cross"),)
STEPS = {
    "belts": ("small", BELTS), "tools": ("small", TOOLS), "tables": ("small", TABLES),
    "carriages": ("small", CARRIAGES), "lanes": ("small", LANES), "ledger": ("small", LEDGER),
    "joint": ("counter_flow", JOINT), "first gutter": ("small", FIRST_GUTTER),
}  # fmt: skip


class Saboteur:
    """Begins each step when its part is in its state, ends it half a minute later, and takes a
    minute's rest. Looks every 50 ms, so that leaping and ticking runs see the same acts."""

    def __init__(self, run, steps, from_ms) -> None:
        self.run, self.steps = run, list(steps)
        self.deaf = False
        bench = run.rehearsal.bench
        look = bench._look

        def deaf_to_counters(index, asked, values) -> None:
            if not (self.deaf and index in run.line.counters):
                look(index, asked, values)

        bench._look = deaf_to_counters
        bench.at(from_ms, self._watch)

    def _watch(self) -> None:
        bench = self.run.rehearsal.bench
        if not self.steps:
            return
        (when, part, what, _), wait = self.steps[0], 50
        name, state = when.split()
        if next(p for p in self.run.line.parts if p.name == name).state == state:
            self.steps.pop(0)
            self._set(part, what, True)
            bench.at(bench.now + FOR_MS, lambda: self._set(part, what, False))
            wait = 50 if part == "packing hall" else FOR_MS + 30_000
        bench.at(bench.now + wait, self._watch)

    def _set(self, part: str, what: object, on: bool) -> None:
        run = self.run
        if part == "every counter":
            self.deaf = on
        elif part == "the ledger":
            bench = run.rehearsal.bench
            bench.ledger_stuck = on
            if on:
                bench._acks.clear()  # a disk that hangs confirms nothing more
            if not on:  # what had to wait is on disk now
                bench._acks.append((bench.now + 10, run.line.words))
        elif part == "packing hall":
            run.plant.do("harvest stops" if on else "harvest resumes")
        elif isinstance(what, bool):
            for tag in part.split():
                index = run.line.site.index(tag)
                run.plant.machine.world.points.override(index, what if on else None)
        else:
            run.plant.do("fault" if on else "repair", part, **({"kind": what} if on else {}))


def _slow_disk(site):
    """The same with a disk that takes longer than the saboteur's look, to be met while asked."""
    limits = site.file.limits.model_copy(update={"ledger_bench_delay_ms": 100})
    return site.model_copy(update={"file": site.file.model_copy(update={"limits": limits})})


def _told(run) -> list[object]:
    """Grows with every move and event of the run."""
    told: list[object] = []
    bench = run.rehearsal.bench
    record = bench.recorder.record

    def listen(moves, events) -> None:
        told.extend(moves)
        told.extend((e.at, e.kind, e.source, e.text) for e in events)
        record(moves, events)

    bench.recorder.record = listen
    return told


def _history(shift, attendant, name: str, every_tick: bool):
    site, steps = STEPS[name]
    slow = _slow_disk(site_of(site)) if steps is LEDGER else site_of(site)
    run = shift(site, site=slow, seed=3, every_tick=every_tick)
    bench = run.rehearsal.bench
    attendant(run)
    told = _told(run)
    saboteur = Saboteur(run, steps, 1_000 if steps is FIRST_GUTTER else 60_000)
    while saboteur.steps and bench.now < 15 * 60_000:
        bench.run(bench.now + 10_000)
    bench.run(bench.now + FOR_MS + 30_000)
    told.append(run.line.digest())
    return told, {row["tag"] for row in run.rehearsal.account.alarms()}, run


@pytest.mark.parametrize("name", STEPS)
def test_time_outs_come_at_the_same_time_leaping_and_ticking(shift, attendant, name):
    leaping, alarms, run = _history(shift, attendant, name, False)
    wanted = {alarm for *_, alarm in STEPS[name][1] if alarm}
    assert wanted <= alarms, sorted(wanted - alarms)
    assert run.plant.report()["violations"] == []
    ticking, *_ = _history(shift, attendant, name, True)
    assert leaping == ticking


SPEAKERS = {
    # module → parts whose alarms its faults are
    "conveyor.py": ("magazine", "fill", "tamp", "water", "seed", "turn"),
    "sower.py": ("magazine", "fill", "tamp", "water", "seed", "turn"),
    "carriage.py": ("infeed", "outfeed"),
    "harvest.py": ("turnout",),
    "lane.py": ("lane1", "lane2"),
    "part.py": ("magazine", "infeed", "outfeed", "turnout", "lane1"),
}
AT_ONCE = {
    "early": "seen, not waited for",
    "length": "measured when the tail passes",
    "double": "the double-feed eye says so",
    "dropped": "the grip says so",
    "shifted": "flag or drive says so",
    "cut": "an interlock took the output",
}
FAULT = re.compile(r"""(?:_fail_missing|_lost|_fail|\.fail)\(\s*"(\w+)\"""")


@pytest.mark.parametrize("module", SPEAKERS)
def test_no_time_out_of_the_line_is_left_out(module):
    source = (CONFIG.parent / "linectl" / "line" / module).read_text("utf-8")
    named = set(FAULT.findall(source)) - set(AT_ONCE)
    assert named, "no fault found: the pattern no longer fits the source"
    steps = [step for _, steps in STEPS.values() for step in steps]
    fired = {alarm.partition(".")[2] for *_, alarm in steps if alarm.startswith(SPEAKERS[module])}
    centred = {"centred"} & named  # on the turntable a time-out, on the turn-out at once
    assert named - fired - centred == set()


def _never_warned(run) -> None:
    index = run.line.site.index("sowing.horn_on")
    run.plant.machine.world.points.override(index, False)
    run.run("30s")
    assert "sowing.warning" in run.alarms()


def _stood_too_long(run) -> None:
    run.do("harvest stops")
    run.run("10m")
    assert run.state("sowing") == run.state("harvest") == "Held"
    assert "longer than the site's limit" in run.line.harvest.reason


@pytest.mark.parametrize("scenario", [_never_warned, _stood_too_long])
def test_the_units_time_outs_come_at_the_same_time_leaping_and_ticking(shift, scenario):
    histories = []
    for every_tick in (False, True):
        run = shift("small", site=site_of("small"), seed=3, every_tick=every_tick)
        told = _told(run)
        scenario(run)
        histories.append([*told, run.line.digest()])
    assert histories[0] == histories[1]

"""Leaping and scanning every tick: the same events, moves and state, whatever befalls the line."""

from __future__ import annotations

import os
import random
from pathlib import Path

import pytest

from linectl.runtime.grid import bus_grid
from linectl.site.load import load_site

CONFIG = Path(__file__).parents[2] / "config"
FULL = os.environ.get("LINECTL_CAMPAIGN") == "full"

STEP_MS = 60_000

GENTLE = (
    ("open", "seed", "close"),
    ("open", "turnout", "close"),
    ("open", "mouth", "close"),
    ("press estop", "sowing", ""),
    ("press estop", "lanes", ""),
    ("isolate", "tamp", "de-isolate"),
    ("local", "outfeed", "remote"),
    ("select", "sowing", ""),
)


def _trouble(shift_, seed: int, until_ms: int) -> None:
    """Something happens about every two minutes, and is undone half a minute later."""
    rng = random.Random(seed)
    bench, plant = shift_.rehearsal.bench, shift_.plant
    devices = list(shift_.line.site.file.devices)
    at = 40_000
    while at < until_ms:
        at += rng.randrange(40_000, 160_000)
        verb, part, undo = rng.choice((*GENTLE, ("silence", rng.choice(devices), "")))
        options = {"for_ms": rng.randrange(100, 6_000)} if verb == "silence" else {}
        bench.at(at, lambda v=verb, p=part, o=options: plant.do(v, p, **o))
        if undo:
            bench.at(at + 30_000, lambda v=undo, p=part: plant.do(v, p))


def _history(
    shift,
    attendant,
    name: str,
    seed: int,
    minutes: int,
    every_tick: bool,
    plant_bug=None,
    site=None,
):
    run = shift(name, site=site, seed=seed, every_tick=every_tick)
    if plant_bug is not None:
        plant_bug(run)
    attendant(run)
    _trouble(run, seed, minutes * STEP_MS)
    told: list[object] = []
    record = run.rehearsal.bench.recorder.record

    def listen(moves, events):
        told.extend(moves)
        told.extend((e.at, e.kind, e.source, e.text, sorted(e.data.items())) for e in events)
        record(moves, events)

    run.rehearsal.bench.recorder.record = listen
    digests = []
    for minute in range(1, minutes + 1):
        run.run(f"{minute}m")
        digests.append(run.line.digest())
    return told, digests, run


@pytest.mark.parametrize("seed", range(5 if FULL else 3))
@pytest.mark.parametrize(("name", "minutes"), [("small", 12), ("fennmark", 6)])
def test_leaping_and_every_tick_tell_the_same(shift, attendant, name, minutes, seed):
    leaping, leapt, run = _history(shift, attendant, name, seed, minutes, every_tick=False)
    ticking, ticked, _ = _history(shift, attendant, name, seed, minutes, every_tick=True)
    for number, (one, other) in enumerate(zip(leaping, ticking, strict=False)):
        assert one == other, f"entry {number}"
    assert len(leaping) == len(ticking)
    assert leapt == ticked
    assert run.rehearsal.bench.scans < run.rehearsal.bench.ticks / 3


def test_the_same_seed_twice_gives_the_same_history(shift, attendant):
    first = _history(shift, attendant, "small", 7, 10, every_tick=False)
    second = _history(shift, attendant, "small", 7, 10, every_tick=False)
    assert first[0] == second[0]
    assert first[1] == second[1]


def test_another_seed_gives_another_history(shift, attendant):
    first = _history(shift, attendant, "small", 7, 10, every_tick=False)
    second = _history(shift, attendant, "small", 8, 10, every_tick=False)
    assert first[0] != second[0]


def _with_slow_classes(name: str, seed: int):
    """The site with whole tables of its devices, whichever, in two slower polling classes."""
    site = load_site(CONFIG / name)
    rng = random.Random(seed)
    polls = {"slow": 300, "slower": 1_100}
    buses = {n: bus.model_copy(update={"polls": polls}) for n, bus in site.file.buses.items()}
    tables = sorted({(p.device, p.table) for p in site.points if p.direction == "in"})
    classes = {table: rng.choice(["", "", "slow", "slower"]) for table in tables}
    classes |= {tables[seed]: "slow", tables[seed + 1]: "slower"}
    points = tuple(
        point.model_copy(update={"poll": classes.get((point.device, point.table), "")})
        for point in site.points
    )
    file = site.file.model_copy(update={"buses": buses})
    return site.model_copy(update={"file": file, "points": points})


@pytest.mark.parametrize("seed", range(3 if FULL else 2))
@pytest.mark.parametrize(("name", "minutes"), [("small", 8), ("fennmark", 4)])
def test_slow_polling_classes_leap_as_they_tick(shift, attendant, name, minutes, seed):
    site = _with_slow_classes(name, seed)
    assert len({tap.period_ms for tap in bus_grid(site).reads}) > 2
    leaping, leapt, _ = _history(shift, attendant, name, seed, minutes, False, site=site)
    ticking, ticked, _ = _history(shift, attendant, name, seed, minutes, True, site=site)
    assert leaping == ticking
    assert leapt == ticked
    assert len(leaping) > 100

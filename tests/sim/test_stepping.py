"""However time is stepped, the plant is the same: small steps, great leaps, one history."""

from __future__ import annotations

from collections.abc import Sequence
from random import Random

import pytest

import linectl_sim
from linectl.image import Slot, Value
from linectl.site.faults import fault_kinds
from linectl.site.model import Site

Script = list[tuple[int, int, Value]]
Change = tuple[int, int, Value]


def wild(site: Site, seed: int, until_ms: int) -> Script:
    """Outputs written at random: belts crash, arms reach into nothing, everything happens."""
    random = Random(seed)
    outputs = [point for point in site.points if point.direction == "out"]
    air = [point.index for point in outputs if point.tag.endswith(".air")]
    script: Script = [(1, index, True) for index in air]
    now = 1
    while now < until_ms:
        now += random.choice((0, 1, 7, 40, 333, 2500))
        point = random.choice(outputs)
        if point.is_bool:
            value: Value = random.random() < 0.65 or point.index in air
        elif point.tag.endswith("target"):
            value = random.choice((0, 1500, 3000, -40, 777))
        else:
            value = random.choice((0, 80, 250))
        script.append((now, point.index, value))
    return script


def begun(site: Site) -> linectl_sim.PlantModel:
    """A plant with lane 1 standing but for its tail."""
    plant = linectl_sim.open(site, seed=7)
    runs = (("germ", 4), ("grow", 7))
    places = [f"lane1.{run}.{slot}" for run, slots in runs for slot in range(slots)]
    plant.stock([Slot(place, 1 + n, "green_oakleaf", -1, -1) for n, place in enumerate(places)])
    return plant


def troubles(site: Site, seed: int, until_ms: int) -> list[tuple[int, str, str, dict]]:
    """Faults, repairs, stops and hands at random times."""
    random = Random(f"troubles {seed}")
    kinds = fault_kinds(site)
    acts: list[tuple[int, str, str, dict]] = []
    for _ in range(60):
        at = random.randrange(until_ms)
        part = random.choice(sorted(kinds))
        acts.append((at, "fault", part, {"kind": random.choice(kinds[part])}))
        acts.append((at + random.randrange(90_000), "repair", part, {}))
    for _ in range(6):
        at = random.randrange(until_ms)
        acts.append((at, "press estop", "sowing", {}))
        acts.append((at + 1000, "release estop", "sowing", {}))
        acts.append((at + 2000, "safety reset", "sowing", {}))
        acts.append((random.randrange(until_ms), "take out", "turn", {}))
        acts.append((random.randrange(until_ms), "put in", "seed", {}))
        for place in ("lane1.germ.3", "lane1.lift", "lane1.grow.7", "infeed", "outfeed"):
            verb = random.choice(("take out", "put in"))
            acts.append((random.randrange(until_ms), verb, place, {}))
        acts.append((random.randrange(until_ms), "cut power", "", {"for_ms": 1500}))
    return acts


def history(
    site: Site, script: Script, step_ms: int | None, trouble: Sequence[tuple] = ()
) -> tuple[list[Change], tuple]:
    """Every change of every announcing input, with its time, and the plant's last word."""
    plant = begun(site)
    changes: list[Change] = []

    def advance(limit: int) -> None:
        while True:
            now = plant.run_until(limit)
            changes.extend((now, index, plant.read(index)) for index in plant.take_changed())
            if now >= limit:
                return

    acts = [(at, (index, value)) for at, index, value in script]
    acts += [(at, act) for at, *act in trouble]
    for at, act in sorted(acts, key=lambda item: item[0]):
        if step_ms is not None:
            while plant.now + step_ms < at:
                advance(plant.now + step_ms)
        advance(at)
        if len(act) == 2:
            plant.write(*act)
        else:
            plant.do(act[0], act[1], **act[2])
        changes.extend((at, index, plant.read(index)) for index in plant.take_changed())
    counters = [plant.read(index) for index in range(len(site.points))]
    return changes, (counters, plant.report(), plant.places())


@pytest.mark.parametrize("seed", range(6))
def test_stepping_and_leaping_give_one_history(small: Site, seed: int) -> None:
    script = wild(small, seed, 600_000)
    trouble = troubles(small, seed, 600_000) if seed % 2 else []
    leapt, end = history(small, script, None, trouble)
    stepped, stepped_end = history(small, script, 10, trouble)
    assert len(leapt) > 200
    assert stepped == leapt
    assert stepped_end == end
    counts = end[1]["gutters"]
    assert (
        counts["in_lanes_at_start"] + counts["indexed"] + counts["put_into_lanes"]
        == counts["ejected"] + counts["in_lanes"] + counts["removed_from_lanes"]
    )


def test_reading_disturbs_nothing(small: Site) -> None:
    script = wild(small, 3, 300_000)
    plain, _ = history(small, script, None)
    plant = begun(small)
    changes: list[Change] = []
    for at, index, value in script:
        while True:
            now = plant.run_until(at)
            for point in range(len(small.points)):
                plant.read(point)
            plant.report()
            plant.places()
            changes.extend((now, i, plant.read(i)) for i in plant.take_changed())
            if now >= at:
                break
        plant.write(index, value)
        changes.extend((at, i, plant.read(i)) for i in plant.take_changed())
    assert changes == plain


def test_another_seed_gives_another_hall_and_the_same_one_the_same(small: Site) -> None:
    def ready_at(seed: int) -> int:
        plant = linectl_sim.open(small, seed)
        index = small.tags["packing.ready"]
        while not plant.read(index):
            plant.run_until(1_000_000)
        return plant.now

    assert ready_at(5) == ready_at(5)
    assert len({ready_at(seed) for seed in range(8)}) > 1

"""The line's logic explored on the tiny site: what was searched is clean, ten defects are found.

The part that CI runs is bounded by counted states, so that it is the same everywhere; the long form
(LINECTL_CAMPAIGN=full, with -s) goes as far as a quarter of an hour allows and prints what it saw.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from explorer import faults
from explorer.engine import Engine
from explorer.planted import PLANTED, Planted
from explorer.search import Budget, Result, Search

from linectl.line.snapshot import digest, restore, snapshot
from linectl.site.load import load_site

TINY = load_site(Path(__file__).parents[2] / "config" / "tiny")
ANYTIME = ("stop", "hold", "abort", "guard", "estop", "silent", "not_ready")
FULL = os.environ.get("LINECTL_CAMPAIGN") == "full"


def ordered(crop: str, *order: str):
    """The tiny site with that crop in the drum, and a harvest order."""
    sowing = TINY.file.sowing.model_copy(update={"crop": crop, "harvest_order": order})
    return TINY.model_copy(update={"file": TINY.file.model_copy(update={"sowing": sowing})})


def explored(start: str = "", **budget) -> Result:
    site = ordered("green_oakleaf", "green_oakleaf") if start == "mutual" else TINY
    engine = Engine(site, start)
    if start == "mutual":
        engine.command("sowing", "crop", "rocket")
        engine.keeper.normalise(engine.world)
    return Search(engine, Budget(told=progress if FULL else None, **budget)).run()


def progress(states: int, waiting: int, per_s: float) -> None:
    print(f"  {states:,} states, {waiting:,} steps to try, {per_s:,.0f} states/s", flush=True)


def shown(result: Result) -> str:
    print(
        f"\n{result.states} states, {result.transitions} transitions, depth {result.depth},"
        f" {result.seconds:.1f} s ({result.transitions / result.seconds:.0f}/s);"
        f" faults tried {result.tried}, left out {result.left}, waiting {result.waiting};"
        f" {'exhausted' if result.exhausted else 'bounded'}"
    )
    return "\n".join(
        f"{finding.rule}: {finding.detail}\n   after {finding.path}" for finding in result.findings
    )


def test_a_healthy_line_keeps_every_rule_and_has_no_dead_end():
    result = explored()
    assert not result.findings, shown(result)
    assert result.exhausted and result.states > 500


@pytest.mark.parametrize("start", ["mutual", "not_ready"])
def test_from_a_standstill_the_texts_lead_to_work_again(start):
    result = explored(start)
    assert not result.findings, shown(result)
    assert result.exhausted


def test_one_thing_out_of_its_usual_order_breaks_nothing():
    result = explored(orders=1, **({} if FULL else {"states": 3_000}))
    assert not result.findings, shown(result)
    assert result.exhausted or not FULL
    print(shown(result))


@pytest.mark.parametrize("kind", ["dead", "stuck", "slips", "taken", "anytime"])
def test_one_fault_breaks_nothing(kind):
    kinds = frozenset(ANYTIME if kind == "anytime" else (kind,))
    bounds = {"seconds": 100, "every": 10} if FULL else {"states": 2_500, "every": 50}
    result = explored(faults=1, kinds=kinds, **bounds)
    assert not result.findings, shown(result)
    print(shown(result))


@pytest.mark.skipif(not FULL, reason="the long form: LINECTL_CAMPAIGN=full")
@pytest.mark.parametrize(("faults", "orders"), [(2, 0), (1, 1), (0, 2)])
def test_two_things_at_once_break_nothing(faults, orders):
    result = explored(faults=faults, orders=orders, every=40, seconds=100)
    assert not result.findings, shown(result)
    print(shown(result))


@pytest.mark.parametrize("defect", PLANTED, ids=lambda defect: defect.name)
def test_a_planted_defect_is_found_by_the_rule_meant_for_it(defect: Planted):
    with defect.planted():
        result = explored(
            defect.start, faults=int(bool(defect.kinds)), kinds=frozenset(defect.kinds),
            near=defect.near, states=3_000, every=500, until=defect.rule,
        )  # fmt: skip
    print(shown(result))
    assert defect.rule in result.rules(), shown(result)


def test_a_kept_state_is_what_the_snapshot_keeps():
    engine = Engine(TINY)
    other = Engine(TINY)
    search = Search(engine, Budget())
    for _ in range(120):
        state = engine.save()
        restore(other.line, snapshot(engine.line))
        restored = digest(other.line)
        engine.load(state)
        assert digest(engine.line) == restored
        default, _others = search._options()
        search._take(default[0])
        search._normal()


def test_a_state_is_left_as_it_was_by_looking_at_its_faults():
    engine = Engine(TINY)
    search = Search(engine, Budget())
    for _ in range(60):
        default, _others = search._options()
        key = engine.key(engine.save())
        if default[0][0] == "machine":
            faults.at_step(engine, default[0][1])
        assert engine.key(engine.save()) == key
        search._take(default[0])
        search._normal()

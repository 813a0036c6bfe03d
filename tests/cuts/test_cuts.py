"""Power cuts in every phase of every move: the ledger is what the bodies are, nothing is asked that
a sensor shows, nothing moves before a person's start, and the line works on."""

from __future__ import annotations

import os
from functools import cache
from pathlib import Path

import pytest
from cutting.campaign import EVERY, play
from cutting.life import Course

from linectl.site.load import load_site

CONFIG = Path(__file__).parents[2] / "config"
FULL = os.environ.get("LINECTL_CAMPAIGN") == "full"
site_of = cache(lambda name: load_site(CONFIG / name))

FILLING = ((5_000, "programme", "1 filling"), (5_000, "programme", "2 filling"))
RUNNING_OUT = ((5_000, "programme", "1 running_out"),)
ADVANCE = ((45_000, "advance-empty", "1"), (60_000, "advance-empty", "2"))
LANES = ("stroke germ", "stroke grow", "transfer", "insert", "eject", "reserve")
SHAPES = [
    # (site, share of the lanes that stands full, commands at each boot, kinds for the short form)
    ("small", 1.0, (), None),
    ("counter_flow", 1.0, (), ("transfer",)),
    ("one_run", 0.4, FILLING, ("stroke grow", "insert")),
    ("small", 0.6, FILLING, ("transfer", "stroke germ")),
    ("small", 1.0, RUNNING_OUT, ("stroke grow", "eject")),
    ("small", 1.0, ADVANCE, ("stroke germ", "eject")),
]


@pytest.mark.campaign
@pytest.mark.parametrize(("name", "lanes", "commands", "kinds"), SHAPES)
def test_a_line_comes_back_from_a_cut_in_every_phase_of_every_move(
    disk, person, name, lanes, commands, kinds
):
    least, work_ms = (20, 180_000) if FULL else (1, 30_000)
    course = Course(name, site_of(name), lanes, commands, work_ms)
    only = EVERY if FULL or kinds is None else kinds
    tally, failures = play(course, disk, person, least, only=only)
    print(f"\n{tally.cuts} cuts on {name}, {lanes:.0%} full, {commands}\n{tally.table()}")
    assert failures == []
    assert tally.seen and not tally.wanting(tally.seen, least)


def test_a_line_cut_again_and_again_while_it_comes_back_still_comes_back(disk, person):
    course = Course("again", site_of("small"), work_ms=30_000, again=0.75)
    tally, failures = play(course, disk, person, 2 if FULL else 1, only=LANES)
    assert failures == []
    assert tally.seen == set(LANES)

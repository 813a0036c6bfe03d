"""What the exploration found in the line once, each held by the fault that led to it.

The search goes from the healthy course into that one fault, everywhere on the course where it makes
a difference, and must find no rule broken and no dead end.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from explorer.engine import Engine
from explorer.search import Budget, Search

from linectl.site.load import load_site

TINY = load_site(Path(__file__).parents[2] / "config" / "tiny")
STATES = 10**6 if os.environ.get("LINECTL_CAMPAIGN") == "full" else 1_200


@pytest.mark.parametrize(
    ("kind", "targets"),
    [
        pytest.param(*case, id=id_)
        for id_, case in {
            "a press comes down on nothing when the gutter is taken out from under it":
                ("taken", ("tamp",)),
            "a switch of an arm that sticks proves neither home nor out":
                ("stuck", ("outfeed.gripper_home", "infeed.gripper_out")),
            "a switch of a table that sticks proves no turn":
                ("stuck", ("turnout.at_90", "turn.at_0")),
            "an arm that stows does not drag a gutter that its grip still has":
                ("dead", ("outfeed.grip",)),
            "a gutter accepted as it is has left the zone before":
                ("stuck", ("fill.entry_eye",)),
            "a lane is given back when the gutter at its tail is gone":
                ("taken", ("lane1.grow.2",)),
            "a switch of a stroke that sticks proves no way":
                ("stuck", ("lane2.grow.home", "lane1.grow.forward")),
            "a stroke whose row has a gutter less can be corrected":
                ("taken", ("lane1.grow.0", "lane2.grow.1")),
            "the texts lead on when a gutter is gone from where something turns or moves":
                ("taken", ("turnout", "magazine")),
        }.items()
    ],
)  # fmt: skip
def test_it_stays_mended(kind, targets):
    result = Search(
        Engine(TINY), Budget(faults=1, kinds=frozenset((kind,)), near=targets, states=STATES)
    ).run()
    assert result.tried and not result.findings, result.findings

"""Two faults at once, drawn by seed: no rule violated, or the pair listed with the sensor that
would be needed to tell. With every other pair a hasty person unholds while the faults last.
"""

from __future__ import annotations

import os
import random
from fnmatch import fnmatchcase
from pathlib import Path

import pytest

from linectl.site.faults import fault_kinds
from linectl.site.load import load_site

SMALL = load_site(Path(__file__).parents[2] / "config" / "small")
PAIRS = 400 if os.environ.get("LINECTL_CAMPAIGN") == "full" else 12
KINDS = [(part, kind) for part, kinds in fault_kinds(SMALL).items() for kind in kinds]

NEEDS_A_SENSOR: tuple[tuple[str, str, str, str], ...] = (
    (
        "magazine.single stuck_on", "magazine feeds_two", "two_in_one_place",
        "a second double-feed eye, or a scale under the magazine's belt",
    ),
    (
        "tamp.exit_eye stuck_on", "tamp.entry_eye stuck_off", "ledger_differs",
        "an eye half-way along the zone",
    ),
)  # fmt: skip
"""(fault, other fault, rule, the sensor that would be needed). Patterns as in a shell."""


def draw(number: int) -> tuple[tuple[str, str, int], tuple[str, str, int]]:
    """Two different faults and when they begin (ms), less than their minute apart."""
    rng = random.Random(number)
    (part, kind), (other, its_kind) = rng.sample(KINDS, 2)
    first = rng.randrange(60_000, 300_000)
    return (part, kind, first), (other, its_kind, first + rng.randrange(0, 50_000))


def excused(names: tuple[str, str], rule: str) -> str | None:
    """The sensor that would be needed, if that violation of that pair is listed."""
    for one, other, its_rule, sensor in NEEDS_A_SENSOR:
        for a, b in (names, names[::-1]):
            if its_rule == rule and fnmatchcase(a, one) and fnmatchcase(b, other):
                return sensor
    return None


@pytest.mark.campaign
@pytest.mark.parametrize("number", range(PAIRS))
def test_two_faults_at_once_violate_no_rule_or_lack_a_named_sensor(trial, fault, number):
    drawn = draw(number)
    result = trial(*(fault(*one) for one in drawn), seed=number, hasty=bool(number % 2))
    names = tuple(f"{part} {kind}" for part, kind, _ in drawn)
    unexplained = [row for row in result.violations if excused(names, row["rule"]) is None]
    assert unexplained == [], drawn

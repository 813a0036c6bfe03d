"""Seed changed again and again over power cuts: no two sides of a change ever share a lot (S34)."""

from __future__ import annotations

import os

import pytest
from cutting.changing import live

from linectl.line.changeover import Changeover

FULL = os.environ.get("LINECTL_CAMPAIGN") == "full"
LIVES, CUTS = (60, 12) if FULL else (1, 5)


@pytest.mark.campaign
@pytest.mark.parametrize("seed", range(1, LIVES + 1))
def test_the_last_gutter_of_the_old_and_the_first_of_the_new_never_share_a_lot(
    small, disk, person, seed
):
    wrong, changes = live(small, seed, disk, person, CUTS)
    print(f"life {seed}: {changes} changes over {CUTS} cuts")
    assert wrong == []
    assert changes >= CUTS // 3


def forgets(monkeypatch):
    """A line that comes back knows nothing of the changeover."""
    monkeypatch.setattr(Changeover, "take_over", lambda self, left: None)


def names_it_when_announced(monkeypatch):
    """The new lot is in use from its announcement on."""
    begin = Changeover.begin

    def named(self, crop, lot, by):
        begin(self, crop, lot, by)
        self.confirm(by)
        self._go("running_out", "")

    monkeypatch.setattr(Changeover, "begin", named)


@pytest.mark.parametrize(
    ("bug", "stage", "sign"),
    [(forgets, "emptying", "ledger"), (names_it_when_announced, "running_out", "ledger")],
    ids=["forgets", "names it when announced"],
)
def test_a_line_that_lets_two_lots_meet_is_found_out(
    small, disk, person, monkeypatch, bug, stage, sign
):
    bug(monkeypatch)
    wrong, _ = live(small, 4, disk, person, 2, [stage])
    assert any(sign in text for text in wrong), wrong

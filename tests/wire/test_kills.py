"""`run` killed with SIGKILL in the middle of its moves, on a plant that keeps its bodies: after
each restart the ledger says what the bodies say, or a question does; then the line goes on.

LINECTL_CAMPAIGN=full LINECTL_KILLS=FOLDER pytest -s tests/wire/test_kills.py: twenty deaths in each
phase of each move (some hours); `python -m kills FOLDER` is the same, in pieces.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from itertools import chain, repeat
from pathlib import Path

import pytest
from kills.account import table, wrong
from kills.campaign import Pair, Row, killed, read_rows, wanted_from
from kills.orders import BEFORE, SIGNED, TRAVEL, Order
from kills.side_by_side import run_pairs

pytestmark = pytest.mark.wire

FULL = os.environ.get("LINECTL_CAMPAIGN") == "full"
EACH = 20
TELLING = (
    ("full", (Order("stroke", TRAVEL, 0, 600), Order("convey", SIGNED))),
    ("full", (Order("process", TRAVEL, 0, 1_500), Order("eject", SIGNED))),
    ("holes", (Order("feed", TRAVEL, 0, 300), Order("transfer", BEFORE))),
)
"""By pair: what its controllers die in, one after the other."""


@pytest.fixture
def runtime(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "run"
    folder.mkdir(mode=0o700)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(folder))
    return tmp_path


def deaths(folder: Path, lanes: str, orders: tuple[Order, ...]) -> tuple[list[Row], Row]:
    """One pair: a controller after the other, each with its order; then the end."""
    left = chain([[order] for order in orders], repeat([]))

    mine: list[Row] = []
    pair = Pair(folder, lanes, seed=7)
    try:
        for row in killed(pair, lambda: next(left), lambda: len(mine) < len(orders)):
            mine.append(row)
        return mine, pair.at_the_end()
    finally:
        pair.close()


def test_after_each_death_the_ledger_says_what_the_bodies_say(runtime: Path) -> None:
    with ThreadPoolExecutor() as side_by_side:
        seen = list(side_by_side.map(lambda t: deaths(runtime / t[1][0].kind, *t), TELLING))
    died = [row for rows, _ in seen for row in rows]
    print("\n" + table(died))
    assert [(row["kind"], wrong(row)) for row in died if wrong(row)] == []
    assert [row["phase"] for row in died] == [o.phase for _, orders in TELLING for o in orders]
    for _, end in seen:
        assert (end["differences"], end["verified"], end["violations"]) == ([], None, [])


@pytest.mark.campaign
@pytest.mark.skipif(not FULL, reason="hours; LINECTL_CAMPAIGN=full runs it")
def test_twenty_deaths_in_each_phase_of_each_move(runtime: Path) -> None:
    folder = Path(os.environ.get("LINECTL_KILLS", runtime / "kills"))
    ended = run_pairs(folder, EACH, pairs=2 * (os.cpu_count() or 1), for_s=24 * 3600)
    rows = read_rows(folder / "kills.jsonl")
    print("\n" + table(rows))
    assert ended == []
    assert [(row["kind"], wrong(row)) for row in rows if wrong(row)] == []
    assert not [cell for cell, left in wanted_from(rows, EACH).items() if left > 0]

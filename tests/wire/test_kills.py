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
from kills.held_against import differences
from kills.orders import BEFORE, SIGNED, TRAVEL, Order
from kills.side_by_side import run_pairs

from linectl.image import Move

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


# what the campaign itself must notice


def move(kind: str, gutter: int, source: str, dest: str) -> Move:
    return Move(1, kind, gutter, source, dest, "", False, 0)


@pytest.mark.parametrize(
    ("stands", "bodies", "found"),
    [
        ([("fill", 3)], {"fill": 3}, []),
        ([("fill", 3)], {"fill": None, "tamp": 3}, ["gutter 3: ledger fill, body tamp"]),
        ([("fill", 3)], {"fill": 4}, [
            "gutter 3: ledger fill, body gone", "gutter 4: ledger nowhere, body fill",
        ]),
        ([], {"magazine": -1}, ["gutter -1: ledger nowhere, body magazine"]),
        ([("lane1.grow.0", -1)], {"lane1.grow.0": 9}, []),
        ([], {"packing": 3}, []),
        ([("fill", 3), ("fill", 4)], {"fill": 4, "tamp": 3}, ["gutter 3: ledger fill, body tamp"]),
    ],
)  # fmt: skip
def test_a_gutter_elsewhere_than_the_ledger_has_it_is_a_difference(
    stands: list[tuple[str, int]], bodies: dict[str, int | None], found: list[str]
) -> None:
    assert [str(one) for one in differences(stands, bodies, [])] == found


@pytest.mark.parametrize(
    ("open_move", "ledger", "body"),
    [
        (move("convey", 3, "fill", "tamp"), "fill", "tamp"),
        (move("transfer", 3, "lane1.germ.1", "lane1.grow.0"), "lane1.germ.1", "lane1.lift"),
        (move("stroke", 0, "lane1.grow", "lane1.grow"), "lane1.grow.0", "lane1.grow.1"),
        (move("handover", 3, "turnout", "packing"), "turnout", ""),
    ],
)
def test_between_the_ends_of_its_open_move_it_is_under_way_and_nowhere_else(
    open_move: Move, ledger: str, body: str
) -> None:
    (found,) = differences([(ledger, 3)], {body: 3} if body else {}, [open_move])
    assert found.under_way
    (found,) = differences([(ledger, 3)], {"water": 3}, [open_move])
    assert not found.under_way


def test_a_difference_that_no_question_names_is_told_as_silent() -> None:
    row: Row = {"differences": ["gutter 3: ledger fill, body tamp"], "moved": [], "violations": []}
    row |= {"acts_before": [], "questions": [], "uncertain": [3], "killed_ms": 0}
    assert wrong(row) == ["silent: gutter 3: ledger fill, body tamp"]
    asked = {"gutter": 3, "place": "tamp"}
    assert wrong(row | {"questions": [asked]}) == []
    assert wrong(row | {"alarms": ["tamp: gutter 3 is out of the exit eye's sight"]}) == []
    assert wrong(row | {"alarms": ["tamp: gutter 31 is out of the exit eye's sight"]}) != []
    assert wrong(row | {"questions": [asked, asked]}) == ["2 questions about gutter 3"]
    assert wrong(row | {"questions": [asked], "uncertain": []}) == [
        "1 questions about gutter 3, which was not under way"
    ]
    assert "moved before the start: lanes" in wrong(row | {"moved": ["lanes"]})


def test_a_tool_left_on_by_a_dead_controller_is_excused_until_its_watchdog_acts() -> None:
    released = {"rule": "released_without_gutter", "detail": "water", "at_s": 10.4}
    row: Row = {"differences": [], "moved": [], "acts_before": [], "questions": []}
    row |= {"violations": [released], "uncertain": [], "killed_ms": 10_000}
    assert wrong(row) == []
    assert wrong(row | {"killed_ms": 9_000}) == ["released_without_gutter: water"]
    assert wrong(row | {"violations": [released | {"rule": "processed_twice"}]}) != []


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

"""The disk under the ledger of a real `run` fails in motion: an alarm that names file and cause, a
safe wait, and when it is mended nothing is lost; killed meanwhile, the next controller finds all.

LINECTL_CAMPAIGN=full LINECTL_KILLS=FOLDER pytest -s tests/wire/test_failing_disks.py: a hundred.
"""

from __future__ import annotations

import os
import random
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from kills.account import disk_table, wrong_with_disk
from kills.campaign import Pair, Row, read_rows
from kills.disks import disk
from kills.failing import trial
from kills.side_by_side import run_disks

pytestmark = pytest.mark.wire

FULL = os.environ.get("LINECTL_CAMPAIGN") == "full"
TRIALS = 100


class Chosen(random.Random):
    """Draws what the test says: whether the controller is killed, and when."""

    def __init__(self, dies: str) -> None:
        super().__init__(1)
        self._dies = dies

    def choice(self, seq: Any) -> Any:
        return self._dies

    def uniform(self, a: float, b: float) -> float:
        return 6.0  # both units have started, and gutters move


def one_trial(way: str, dies: str, folder: Path) -> Row:
    with disk(way, folder) as failing:
        pair = Pair(folder / "pair", "full", 5, failing)
        run, _ = pair.come_back(list)
        try:
            run, row = trial(pair, failing, run, Chosen(dies))
            assert run.stop() == 0
            return row | {"end": pair.at_the_end()}
        finally:
            if not run.dead():
                run.kill()
            pair.close()


def test_nothing_is_lost_when_the_disk_fails(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    runtime = tmp_path / "run"
    runtime.mkdir(mode=0o700)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(runtime))
    trials = (("full", "no"), ("error in syncing", "held"))
    with ThreadPoolExecutor() as side_by_side:
        rows = list(side_by_side.map(lambda t: one_trial(*t, tmp_path / t[1]), trials))
    print("\n" + disk_table(rows))
    assert [(row["how"], wrong_with_disk(row)) for row in rows if wrong_with_disk(row)] == []
    assert [(row["end"]["differences"], row["end"]["verified"]) for row in rows] == [([], None)] * 2


@pytest.mark.campaign
@pytest.mark.skipif(not FULL, reason="an hour; LINECTL_CAMPAIGN=full runs it")
def test_a_hundred_failures_of_the_disk(tmp_path: Path) -> None:
    folder = Path(os.environ.get("LINECTL_KILLS", tmp_path / "disks"))
    ended = run_disks(folder, TRIALS, pairs=os.cpu_count() or 1, for_s=24 * 3600)
    rows = read_rows(folder / "disks.jsonl")
    print("\n" + disk_table(rows))
    assert ended == []
    assert [(row["how"], wrong_with_disk(row)) for row in rows if wrong_with_disk(row)] == []
    assert len(rows) >= TRIALS

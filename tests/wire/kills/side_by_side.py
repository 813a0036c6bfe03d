"""Several plants with their controllers at once: each uses some percent of a core, and waits."""

from __future__ import annotations

import contextlib
import json
import os
import random
import subprocess
import threading
import time
from collections import Counter
from collections.abc import Callable
from functools import cache, partial
from pathlib import Path

from kills.account import by_hand, wrong, wrong_with_disk
from kills.campaign import COMING_BACK, Cell, Pair, Row, draw, killed, read_rows, wanted_from
from kills.disks import WAYS, Disk, disk
from kills.failing import trial
from kills.orders import KINDS, Order
from kills.processes import ROOT
from linectl.errors import LinectlError

LANES = ("full", "holes")
TRIALS_A_PAIR = 4
ENOUGH = threading.Event()
"""Set by a signal: each pair ends with what it is at, and takes its processes along."""


class Progress:
    """The results file, and how many deaths are still wanted; shared by the pairs' threads."""

    def __init__(self, file: Path, each: int, kinds: tuple[str, ...], until_s: float) -> None:
        self._file = file
        rows = read_rows(file)
        self.wanted: Counter[Cell] = wanted_from(rows, each, kinds)
        self._count = len(rows)
        self._until_s = until_s
        self._lock = threading.Lock()

    def more(self) -> bool:
        """There are deaths to die, and time."""
        in_time = time.monotonic() < self._until_s and not ENOUGH.is_set()
        return in_time and any(n > 0 for n in self.wanted.values())

    def draw(self, chance: random.Random) -> list[Order]:
        """Orders for the next controller of a pair."""
        return draw(self.wanted, chance)

    def took(self, row: Row) -> None:
        """One more line of the results file, and a line for who looks on."""
        with self._lock:
            with open(self._file, "a", encoding="utf-8") as handle:
                handle.write(json.dumps(row) + "\n")
            self._count += 1
            self.wanted[row["kind"], row["phase"]] -= 1
            left = sum(max(0, n) for n in self.wanted.values())
            found = "; ".join([*wrong(row), *by_hand(row)]) or "as it should be"
            print(
                f"{self._count:>4} ({left} left) {row['lanes']}: {row['kind']}, {row['phase']}:"
                f" ready in {row['ready_s']} s, {len(row['questions'])} asked, {found}",
                flush=True,
            )

    def ended(self, row: Row) -> None:
        """A pair has ended."""
        with self._lock, open(self._file.with_name("pairs.jsonl"), "a", encoding="utf-8") as handle:
            handle.write(json.dumps(row) + "\n")
        print(json.dumps(row), flush=True)


def run_pairs(
    folder: Path, each: int, pairs: int, for_s: float, kinds: tuple[str, ...] = KINDS
) -> list[BaseException]:
    """Deaths until every cell of `kinds` has `each`, or the time is over. What ended a pair."""
    _begin(folder)
    progress = Progress(folder / "kills.jsonl", each, kinds, time.monotonic() + for_s)
    ended: list[BaseException] = []
    mark = f"{int(time.time()) % 10**8:08d}"

    def work(number: int) -> None:
        lanes = LANES[number % len(LANES)]
        again = 0
        while progress.more():
            place = folder / f"pair{number}-{mark}-{again}"
            again += 1
            try:
                pair = Pair(place, lanes, int(mark) + 100 * number + again)
                try:
                    draws = partial(progress.draw, random.Random(place.name))
                    for row in killed(pair, draws, progress.more, COMING_BACK):
                        progress.took({"pair": place.name, "commit": commit(), **row})
                finally:
                    progress.ended({"pair": place.name, **pair.at_the_end()})
                    pair.close()
            except (AssertionError, LinectlError, OSError) as error:
                ended.append(error)
                print(f"pair {place.name} ended: {error!r}", flush=True)
                if again > 5:
                    return

    _together(work, pairs)
    return ended


@cache
def commit() -> str:
    """Which linectl this is, as git names it; "" without git."""
    asked = ["git", "-C", str(ROOT), "describe", "--always", "--dirty"]
    with contextlib.suppress(OSError):
        return subprocess.run(asked, capture_output=True, text=True, check=False).stdout.strip()
    return ""


def _begin(folder: Path) -> None:
    """The results' folder, with one for the controllers' sockets."""
    runtime = folder / "run"
    runtime.mkdir(mode=0o700, parents=True, exist_ok=True)
    os.environ["XDG_RUNTIME_DIR"] = str(runtime)


def _together(work: Callable[[int], None], count: int) -> None:
    threads = [threading.Thread(target=work, args=(number,)) for number in range(count)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


def run_disks(folder: Path, trials: int, pairs: int, for_s: float) -> list[BaseException]:
    """Failures of the ledger's disk, as many of each way, until there are `trials`."""
    _begin(folder)
    file = folder / "disks.jsonl"
    until_s = time.monotonic() + for_s
    mark = f"{int(time.time()) % 10**8:08d}"
    lock = threading.Lock()
    counts = Counter(row["way"] for row in read_rows(file))
    ended: list[BaseException] = []

    def wanted() -> str | None:
        with lock:
            way = min(WAYS, key=lambda way: counts[way])
            enough = counts[way] * len(WAYS) >= trials
            if enough or time.monotonic() > until_s or ENOUGH.is_set():
                return None
            counts[way] += TRIALS_A_PAIR
            return way

    def took(row: Row) -> None:
        with lock, open(file, "a", encoding="utf-8") as handle:
            handle.write(json.dumps(row) + "\n")
        found = "; ".join(wrong_with_disk(row)) or "as it should be"
        print(f"{row['how']}, killed: {row['killed']}: {found}", flush=True)

    def work(number: int) -> None:
        again = 0
        while (way := wanted()) is not None:
            place = folder / f"disk{number}-{mark}-{again}"
            again += 1
            try:
                with disk(way, place) as failing:
                    _trials(way, failing, place, LANES[number % len(LANES)], took)
            except (AssertionError, LinectlError, OSError) as error:
                ended.append(error)
                print(f"{place.name} ({way}) ended: {error!r}", flush=True)

    _together(work, pairs)
    return ended


def _trials(way: str, failing: Disk, place: Path, lanes: str, took: Callable[[Row], None]) -> None:
    """Some failures, one after the other, of one pair's disk."""
    chance = random.Random(place.name)
    pair = Pair(place / "pair", lanes, chance.randrange(2**30), failing)
    run, _ = pair.come_back(list)
    try:
        for _ in range(TRIALS_A_PAIR):
            run, row = trial(pair, failing, run, chance)
            took({"way": way, "place": place.name, "commit": commit(), **row})
        run.stop()
        end = pair.at_the_end()
        assert end["verified"] is None and not end["differences"], end
    finally:
        if not run.dead():
            run.kill()
        pair.close()

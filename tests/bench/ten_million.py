"""What a ledger of ten million moves costs: `python tests/bench/ten_million.py [PATH] [--moves N]`.

Builds it where PATH does not exist, and measures start-up, commit per move, verify, traces, size.
Wall time is what a person waits, processor time what it takes of one core; no test asserts either.
"""

from __future__ import annotations

import argparse
import os
import sqlite3
import statistics
import time
from collections.abc import Callable
from pathlib import Path

from long_history import ROOT, History

from linectl.image import Move
from linectl.ledger import Ledger
from linectl.ledger.trace import trace
from linectl.ledger.verify import verify
from linectl.site.load import load_site

COMMITS = 500
TRACES = 20
Row = tuple[str, str, str]


def timed(act: Callable[[], object]) -> tuple[float, float]:
    """Wall and processor seconds of one act."""
    wall, used = time.perf_counter(), time.process_time()
    act()
    return time.perf_counter() - wall, time.process_time() - used


def start(path: Path) -> list[Row]:
    """Until a line can be given its start; then a commit for each intent and each done."""
    site = load_site(ROOT / "config" / "fennmark")
    opened: list[Ledger] = []

    def begin() -> None:
        opened.append(Ledger.open(str(path), site))
        opened[0].read_start(set(site.crops.crops))

    wall, used = timed(begin)
    ledger = opened[0]
    number, gutter = ledger.next_move(), ledger.next_gutter()
    took: list[float] = []
    there = [g for g, place in ledger.places().items() if place == "magazine"]
    acts = [("correct", g, "magazine", "removed") for g in there]
    for new in range(gutter, gutter + COMMITS // 4):  # fed, and a person takes it off again
        acts += [("feed", new, "stock", "magazine"), ("correct", new, "magazine", "removed")]
    for count, (kind, about, source, dest) in enumerate(acts):
        move = Move(number + count, kind, about, source, dest, "", False, count)
        for word in (move, move._replace(done=True)):
            took.append(timed(lambda word=word: ledger.record([word], []))[0])
    ledger.close()
    took.sort()
    return [
        ("start-up: opening, until the start is read", seconds(wall), seconds(used)),
        (
            f"commit of an intent or a done, median of {len(took)}",
            seconds(statistics.median(took)),
            f"p99 {seconds(took[int(len(took) * 0.99)])}",
        ),
    ]


def traces(path: Path) -> list[Row]:
    """Lots of two kinds, and gutters: the median of some."""
    connection = sqlite3.connect(path)
    names = [
        (kind, [name for (name,) in connection.execute(
            "SELECT name FROM lots WHERE kind = ? ORDER BY random() LIMIT ?", (kind, TRACES))])
        for kind in ("seed", "packing")
    ]  # fmt: skip
    (gutters,) = connection.execute("SELECT max(id) FROM gutters").fetchone()
    connection.close()
    names.append(("gutter", [str(gutters * n // TRACES) for n in range(1, TRACES)]))
    rows = []
    for kind, known in names:
        took = [timed(lambda name=name: trace(str(path), name)) for name in known]
        wall, used = (statistics.median(column) for column in zip(*took, strict=True))
        rows.append((f"trace of a {kind}, median of {len(took)}", seconds(wall), seconds(used)))
    return rows


def seconds(value: float) -> str:
    return f"{value * 1000:.2f} ms" if value < 1 else f"{value:.1f} s"


def main() -> None:
    """Build, measure, print."""
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("path", nargs="?", type=Path, default=Path("ten_million.sqlite3"))
    words.add_argument("--moves", type=int, default=10_000_000)
    said = words.parse_args()
    rows: list[Row] = []
    if not said.path.exists():
        wall, used = timed(lambda: History(said.path).write(said.moves))
        rows.append(("built in bulk (no part of a line)", seconds(wall), seconds(used)))
    rows += start(said.path)
    rows += traces(said.path)
    found = []
    wall, used = timed(lambda: found.append(verify(str(said.path))))
    verdict = found[0]
    rows.append((f"verify: {'clean' if verdict.ok else verdict.first}", seconds(wall),
                 seconds(used)))  # fmt: skip
    size = said.path.stat().st_size
    rows.append(("size of the file", f"{size / 1e6:,.0f} MB", f"{size / verdict.moves:.1f} B/move"))
    print(f"{verdict.moves:,} moves, {verdict.gutters:,} gutters, {verdict.events:,} events;"
          f" {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}")  # fmt: skip
    print(f"{'':52} {'wall':>14} {'processor':>16}")
    for what, wall_text, used_text in rows:
        print(f"{what:52} {wall_text:>14} {used_text:>16}")


if __name__ == "__main__":
    main()

"""The campaign as a command, in pieces:

    python -m kills FOLDER [--each 20] [--pairs 4] [--minutes 30]   (PYTHONPATH=.:sim:tests/wire)
    python -m kills FOLDER --disks 100

FOLDER keeps the results (kills.jsonl, disks.jsonl: one line a death, or a failure of the disk) and
each pair's ledger. Started again it goes on where it was; what no cell wants any more is not killed
again. Prints the tables at the end.
"""

from __future__ import annotations

import argparse
import signal
from pathlib import Path

from kills.account import by_hand, disk_table, table, wrong, wrong_with_disk
from kills.campaign import read_rows
from kills.side_by_side import ENOUGH, run_disks, run_pairs


def main() -> int:
    parser = argparse.ArgumentParser(prog="kills")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--each", type=int, default=20)
    parser.add_argument("--pairs", type=int, default=4)
    parser.add_argument("--minutes", type=float, default=600.0)
    parser.add_argument("--table", action="store_true", help="only the table")
    parser.add_argument("--disks", type=int, default=0, help="failures of the disk, instead")
    asked = parser.parse_args()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: ENOUGH.set())
    if asked.disks:
        run_disks(asked.folder, asked.disks, asked.pairs, asked.minutes * 60)
    elif not asked.table:
        run_pairs(asked.folder, asked.each, asked.pairs, asked.minutes * 60)
    deaths = read_rows(asked.folder / "kills.jsonl")
    failures = read_rows(asked.folder / "disks.jsonl")
    found = [(f"kills.jsonl:{n}", text) for n, row in enumerate(deaths, 1) for text in wrong(row)]
    if deaths:
        print(table(deaths))
    if failures:
        print(disk_table(failures))
        found += [
            (f"disks.jsonl:{n}", text)
            for n, row in enumerate(failures, 1)
            for text in wrong_with_disk(row)
        ]
    for n, row in enumerate(deaths, 1):
        for text in by_hand(row):
            print(f"kills.jsonl:{n}: {text}")
    for where, text in found:
        print(f"{where}: {text}")
    return 1 if found else 0


if __name__ == "__main__":
    raise SystemExit(main())

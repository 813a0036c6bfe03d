"""The campaign as a command, in pieces:

    python -m kills FOLDER [--each 20] [--pairs 4] [--minutes 30]   (PYTHONPATH=.:sim:tests/wire)

FOLDER keeps the results (kills.jsonl, one line a death) and each pair's ledger. Started again it
goes on where it was; what no cell wants any more is not killed again. Prints the table at the end.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from kills.account import table, wrong
from kills.campaign import read_rows
from kills.side_by_side import run_pairs


def main() -> int:
    parser = argparse.ArgumentParser(prog="kills")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--each", type=int, default=20)
    parser.add_argument("--pairs", type=int, default=4)
    parser.add_argument("--minutes", type=float, default=600.0)
    parser.add_argument("--table", action="store_true", help="only the table")
    asked = parser.parse_args()
    if not asked.table:
        run_pairs(asked.folder, asked.each, asked.pairs, asked.minutes * 60)
    rows = read_rows(asked.folder / "kills.jsonl")
    print(table(rows))
    found = [(n, text) for n, row in enumerate(rows, 1) for text in wrong(row)]
    for number, text in found:
        print(f"line {number}: {text}")
    return 1 if found else 0


if __name__ == "__main__":
    raise SystemExit(main())

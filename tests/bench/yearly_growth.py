"""How a ledger grows in a year, on the model: `python tests/bench/yearly_growth.py [SITE]`.

Two rehearsals of one seed, one longer: what the longer has more of is the growth, free of what a
ledger has from its first start. Bytes are those in use on the pages of a table and its indexes.
"""

from __future__ import annotations

import argparse
import sqlite3
import tempfile
from pathlib import Path

from long_history import ROOT

from linectl.runtime.rehearsal import Options
from linectl.runtime.virtual import rehearse
from linectl.site.load import load_site

HOUR_MS = 3_600_000
DAYS = 365
TABLES = ("moves", "events", "gutters")


def measure(site: Path, hours: int) -> dict[str, tuple[int, int]]:
    """Rows and bytes of each table after so many hours."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "ledger.sqlite3"
        rehearse(load_site(site), Options(for_ms=hours * HOUR_MS, scenario=(), ledger=str(path)))
        connection = sqlite3.connect(path)
        found = {}
        for table in TABLES:
            (rows,) = connection.execute(f"SELECT count(*) FROM {table}").fetchone()
            (used,) = connection.execute(
                "SELECT sum(pgsize - unused) FROM dbstat WHERE name IN"
                " (SELECT name FROM sqlite_master WHERE tbl_name = ?)",
                (table,),
            ).fetchone()
            found[table] = (rows, used)
        connection.close()
    return found


def main() -> None:
    """Measure, print."""
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("site", nargs="?", type=Path, default=ROOT / "config" / "fennmark")
    words.add_argument("--hours", type=int, default=4, help="of the longer rehearsal")
    said = words.parse_args()
    less, more = measure(said.site, 1), measure(said.site, said.hours)
    hours = said.hours - 1
    shift = load_site(said.site).file.shift.length_ms / HOUR_MS
    grown = {
        name: (more[name][0] - less[name][0], more[name][1] - less[name][1]) for name in TABLES
    }
    fed = grown["gutters"][0]
    print(f"{said.site.name}: from hour 1 to hour {said.hours} {fed} gutters were fed")
    print(f"{'':10} {'rows':>8} {'a gutter':>9} {'B a row':>8} {'MB a year':>10} {'at 24 h':>9}")
    total = 0.0
    for name, (rows, used) in grown.items():
        a_year = used / hours * shift * DAYS / 1e6
        total += a_year
        print(f"{name:10} {rows:8} {rows / fed:9.2f} {used / rows:8.1f} {a_year:10.1f}"
              f" {a_year * 24 / shift:9.0f}")  # fmt: skip
    print(f"{'in all':10} {'':8} {'':9} {'':8} {total:10.1f} {total * 24 / shift:9.0f}")
    print(f"a year: {DAYS} shifts of {shift:g} h; at 24 h: sown round the clock")


if __name__ == "__main__":
    main()

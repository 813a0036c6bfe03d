"""Weighings in the ledger, as yields per gutter: of packing lots by crop, and of single gutters.

A lot's weighings of a crop are added up, so that a wrong one that was taken back is gone; its
gutters are those of the crop that were handed over to it. What cannot be laid to a crop's gutters
is told, never shared out by guess.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass

from linectl.crop.blends import Yield
from linectl.crop.yields import Running, Weighing, running
from linectl.ledger.looking import looking

LOTS_MAX = 500
"""The newest weighed lots are read; older ones have faded by far."""
SINGLES_MAX = 20_000
"""The newest gutters that were weighed, likewise."""
LEAST_KG = 1e-6
"""Less than a milligram is what is left of a weighing that was taken back."""

LOTS = f"""
SELECT l.id, l.name, w.crop, sum(w.kg), max(w.at_ms),
       EXISTS (SELECT 1 FROM in_use u WHERE u.kind = 'packing' AND u.lot = l.id)
FROM weights w JOIN lots l ON l.id = w.lot
WHERE l.id IN (SELECT DISTINCT lot FROM weights ORDER BY lot DESC LIMIT {LOTS_MAX})
GROUP BY l.id, w.crop ORDER BY max(w.id)
"""
HANDED = "SELECT crop, count(*) FROM gutters WHERE packing_lot = ? AND crop != '' GROUP BY crop"
SINGLES = f"""
SELECT w.gutter, w.crop, w.kg, w.at_ms, coalesce(g.packing_lot, 0)
FROM gutter_weights w JOIN gutters g ON g.id = w.gutter ORDER BY w.gutter DESC LIMIT {SINGLES_MAX}
"""
HAS_SINGLES = "SELECT 1 FROM sqlite_master WHERE name = 'gutter_weights'"
"""Version 2 of the tables knew no scale."""


@dataclass(frozen=True)
class Weighed:
    """Weighings in order of time, and what of the record could not be used, and why."""

    weighings: tuple[Weighing, ...]
    remarks: tuple[str, ...]


@dataclass(frozen=True)
class Corrected:
    """Yields by crop as the record has corrected them; a crop never weighed has its first one."""

    crops: Mapping[str, Running]
    remarks: tuple[str, ...]


def corrected(path: str, first: Mapping[str, Yield]) -> Corrected:
    """The yields `first`, of crops.yaml, corrected by all that was weighed of these crops.

    Raises LedgerUnreachable: no such file, no ledger, another version.
    """
    found = read_weighings(path)
    crops = {
        crop: running(known, (w for w in found.weighings if w.crop == crop))
        for crop, known in first.items()
    }
    return Corrected(crops, found.remarks)


def read_weighings(path: str) -> Weighed:
    """All weighings that are of a crop's gutters. Raises LedgerUnreachable."""
    with looking(path) as connection:
        singles, of_lots = _singles(connection)
        remarks: list[str] = []
        rows = [*singles, *_lots(connection, of_lots, remarks)]
    rows.sort(key=lambda row: row[0])
    return Weighed(tuple(weighing for _, weighing in rows), tuple(remarks))


Timed = tuple[int, Weighing]


def _singles(connection: sqlite3.Connection) -> tuple[list[Timed], set[tuple[int, str]]]:
    """Gutters weighed one by one, and (lot, crop) of which some were."""
    rows: list[Timed] = []
    lots: set[tuple[int, str]] = set()
    if connection.execute(HAS_SINGLES).fetchone() is None:
        return rows, lots
    for gutter, crop, kg, at_ms, lot in connection.execute(SINGLES).fetchall():
        rows.append((at_ms, Weighing(crop, 1, kg, f"gutter {gutter}")))
        lots.add((lot, crop))
    return rows, lots


def _lots(
    connection: sqlite3.Connection, weighed_singly: set[tuple[int, str]], remarks: list[str]
) -> list[Timed]:
    found: dict[tuple[int, str], _OfLot] = {}
    for lot, name, said, kg, at_ms, loaded in connection.execute(LOTS).fetchall():
        handed = dict(connection.execute(HANDED, (lot,)).fetchall())
        crop = next(iter(handed)) if not said and len(handed) == 1 else said
        one = found.setdefault(
            (lot, crop), _OfLot(name, crop, handed, bool(loaded), (lot, crop) in weighed_singly)
        )
        one.kg += kg
        one.at_ms = max(one.at_ms, at_ms)
    rows: list[Timed] = []
    for one in found.values():
        why = one.useless()
        if why:
            remarks.append(f"packing lot {one.name}: {why}")
        elif one.kg > LEAST_KG:
            weighing = Weighing(one.crop, one.handed[one.crop], one.kg, f"packing lot {one.name}")
            rows.append((one.at_ms, weighing))
    return rows


@dataclass
class _OfLot:
    """All weighings of one crop of a packing lot, added up."""

    name: str
    crop: str
    handed: Mapping[str, int]
    loaded: bool
    weighed_singly: bool
    kg: float = 0.0
    at_ms: int = 0

    def useless(self) -> str:
        """Why nothing follows from it for the crop's yield; empty if something does."""
        if self.kg < -LEAST_KG:
            return f"more was taken back of {self.crop or 'no crop'} than was weighed"
        if self.kg <= LEAST_KG:
            return ""  # all was taken back: nothing was weighed
        if self.loaded:
            return "gutters still go to it; it counts once another packing lot is named"
        if not self.crop:
            return f"{self.kg:g} kg were weighed of no crop by name, and it has several or none"
        if self.crop not in self.handed:
            return f"no gutter of {self.crop} was handed over to it"
        if self.weighed_singly:
            return f"gutters of {self.crop} were weighed one by one, and count so"
        return ""

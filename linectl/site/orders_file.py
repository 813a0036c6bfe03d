"""Orders as a file: packs of a blend, or of one crop, for a day.

    day,blend,packs,pack
    2026-06-01,garden_mix,120,125g

A blend is one of crops.yaml, or a crop. Days may stand in any order, and a day's blend in several
rows: they are added up.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from pathlib import Path

from linectl.errors import Finding
from linectl.site.columns import Row, all_or_raise, count_of, date_of, name_of, read_columns
from linectl.site.masses import parse_mass_kg
from linectl.site.model import Site

COLUMNS = ("day", "blend", "packs", "pack")


@dataclass(frozen=True)
class Order:
    """So many packs of a blend for a day. `blend` may be a crop; pack_kg: one pack."""

    date: dt.date
    blend: str
    packs: int
    pack_kg: float

    @property
    def kg(self) -> float:
        return self.packs * self.pack_kg


def read_orders(path: Path, site: Site) -> tuple[Order, ...]:
    """The orders in the file's order, for days with a shift or without.

    Raises SiteError with every error at once, each with its line and the nearest valid name.
    """
    findings: list[Finding] = []
    names = (*site.crops.blends, *site.crops.crops)
    orders = []
    for row in read_columns(path, COLUMNS, findings):
        date = date_of(row, findings)
        blend = name_of(row, "blend", "blend of crops.yaml, nor a crop", names, findings)
        packs = count_of(row, "packs", findings)
        pack = _pack(row, findings)
        if date is not None and blend is not None and packs is not None and pack is not None:
            orders.append(Order(date, blend, packs, pack))
    all_or_raise(findings)
    return tuple(orders)


def _pack(row: Row, findings: list[Finding]) -> float | None:
    try:
        kg = parse_mass_kg(row.cells["pack"])
    except ValueError as error:
        findings.append(row.finding("pack", str(error)))
        return None
    if kg > 0:
        return kg
    findings.append(row.finding("pack", "a pack must weigh something", "write 125g"))
    return None

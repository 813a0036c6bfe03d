"""What a plan cannot meet, as a file beside it: said before the first gutter is sown.

day,crop,short_gutters,short_kg,why
2026-06-04,rocket,3,7.2,nothing sown before 2026-05-15 stands in lanes 1–3
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from linectl.errors import Finding
from linectl.site.columns import Row, all_or_raise, count_of, date_of, name_of, read_columns
from linectl.site.model import Site
from linectl.site.rowfile import write_rows

COLUMNS = ("day", "crop", "short_gutters", "short_kg", "why")


@dataclass(frozen=True)
class Missed:
    """So much of a crop will be short of a day's orders: gutters, and kilograms of its yield."""

    date: dt.date
    crop: str
    gutters: int
    kg: float
    why: str = ""


def read_missed(path: Path, site: Site) -> tuple[Missed, ...]:
    """What the plan said it would miss. Raises SiteError with every error at once."""
    findings: list[Finding] = []
    missed: list[Missed] = []
    for row in read_columns(path, COLUMNS, findings, free=("why",)):
        date = date_of(row, findings)
        crop = name_of(row, "crop", "crop", site.crops.crops, findings)
        gutters = count_of(row, "short_gutters", findings, least=0)
        kg = _kg(row, findings)
        if date is not None and crop is not None and gutters is not None and kg is not None:
            missed.append(Missed(date, crop, gutters, kg, row.cells["why"]))
    all_or_raise(findings)
    return tuple(missed)


def _kg(row: Row, findings: list[Finding]) -> float | None:
    cell = row.cells["short_kg"]
    try:
        kg = float(cell)
    except ValueError:
        kg = math.nan
    if math.isfinite(kg) and kg >= 0:
        return kg
    findings.append(row.finding("short_kg", f"{cell!r} is not a mass in kilograms", "write 7.2"))
    return None


def write_missed(path: Path, missed: Iterable[Missed]) -> None:
    """Write what `read_missed` reads back, masses to the gram. Raises OSError."""
    rows = (
        {
            "day": each.date.isoformat(),
            "crop": each.crop,
            "short_gutters": str(each.gutters),
            "short_kg": f"{each.kg:.3f}",
            "why": each.why,
        }
        for each in missed
    )
    write_rows(path, COLUMNS, rows)

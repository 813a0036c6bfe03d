"""Writes a sowing plan as one HTML calendar: days by crops, days by lanes; prints in grey on A4."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined

from linectl import __version__
from linectl.crop.plan.model import Row
from linectl.runtime.planning import Planned
from linectl.site.crops import in_words

LANES_A_TABLE = 6
"""Lanes beside each other that a printed page has room for."""


@dataclass(frozen=True)
class CropCell:
    """A crop on a day: gutters ordered, pulled, short."""

    ordered: int
    pulled: int
    short: int


@dataclass(frozen=True)
class LaneCell:
    """A lane on a day, as lines of text."""

    pull: tuple[str, ...]
    sow: tuple[str, ...]


def write_page(path: Path, planned: Planned) -> None:
    """Write the calendar. Raises OSError."""
    environment = Environment(
        loader=PackageLoader("linectl.cli", "pages"), autoescape=True, undefined=StrictUndefined
    )
    environment.filters["words"] = lambda name: in_words(name) or "not named"
    case = planned.case
    lanes = [lane.id for lane in case.lanes]
    told = planned.as_json()
    page = environment.get_template("plan.html").render(
        planned=planned,
        told=told,
        crops=list(planned.site.crops.crops),
        lane_tables=[lanes[at : at + LANES_A_TABLE] for at in range(0, len(lanes), LANES_A_TABLE)],
        days=range(case.days),
        crop_cells=_crop_cells(planned),
        lane_cells=_lane_cells(planned),
        works={day: each for day in range(case.days) for each in planned.days
               if each.day.date == planned.date(day)},
        version=__version__,
    )  # fmt: skip
    path.write_text(page, encoding="utf-8")


def _crop_cells(planned: Planned) -> dict[tuple[str, int], CropCell]:
    case, plan = planned.case, planned.plan
    cells = {}
    for crop in planned.site.crops.crops:
        for day in range(case.days):
            key = (crop, day)
            ordered, short = case.demand.get(key, 0), plan.short.get(key, 0)
            pulled = ordered - short + plan.surplus.get(key, 0)
            cells[key] = CropCell(ordered, pulled, short)
    return cells


def _lane_cells(planned: Planned) -> dict[tuple[int, int], LaneCell]:
    return {
        (row.lane, row.day): LaneCell(_lines(row.pull), _lines(row.sow))
        for row in planned.plan.rows
    }


def _lines(rows: Sequence[Row]) -> tuple[str, ...]:
    return tuple(f"{gutters} {in_words(crop) or 'not named'}" for crop, gutters in rows)

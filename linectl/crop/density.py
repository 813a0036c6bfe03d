"""Plants per square metre of deck: along a lane, over age, and the area that a crop takes.

A gutter has its own length times its pitch of deck. As the pitch widens toward the tail, plants
stand close while they are small. What an area must hold follows from Little's law: plants a day
times days of each stage stand there, so area = plants a day · Σ days ÷ density (Rutgers
Horticultural Engineering, on plant spacing in greenhouses, as quoted in the project's trade facts).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from linectl.crop.lanes import standing
from linectl.crop.pace import DAY_MS, due_age_ms

MM2_PER_M2 = 1e6


class Stage(NamedTuple):
    """Days at one density, plants per m²."""

    days: float
    plants_m2: float


class Along(NamedTuple):
    """A slot of a lane at an even pace."""

    slot: int
    """0 at the mouth."""
    age_days: float
    """Of its gutter when the next stroke comes."""
    own_mm: float
    """Deck that it has to itself."""
    plants_m2: float


def per_m2(plants: float, area_m2: float) -> float:
    """Plants per m² of an area. ValueError if plants are negative or the area not above zero."""
    if plants < 0 or area_m2 <= 0:
        raise ValueError(f"{plants} plants on {area_m2} m² give no density")
    return plants / area_m2


def plants_m2(own_mm: float, spacing_mm: float, rows: int = 1) -> float:
    """Plants per m² of deck where a gutter has `own_mm` to itself, from geometry.

    spacing_mm: between plants of one row along the gutter; rows: of plants in a gutter. What did
    not germinate is counted as if it had. Raises ValueError unless all are above zero.
    """
    if min(own_mm, spacing_mm, rows) <= 0:
        raise ValueError(f"own {own_mm} mm, spacing {spacing_mm} mm, {rows} rows: not all above 0")
    return rows * MM2_PER_M2 / (own_mm * spacing_mm)


def area_m2(plants_a_day: float, stages: Iterable[Stage]) -> float:
    """Area that holds every stage at once when so many plants go in each day, m².

    Raises ValueError for a density not above zero, or negative days or plants.
    """
    stages = tuple(stages)
    if any(stage.plants_m2 <= 0 for stage in stages):
        raise ValueError("a density not above zero holds nothing")
    return sum(standing(plants_a_day, stage.days) / stage.plants_m2 for stage in stages)


def along(own_mm: Sequence[float], days: float, spacing_mm: float, rows: int = 1) -> list[Along]:
    """Density over age of a full lane at an even pace, from the mouth on.

    own_mm: of every slot of the lane, all its runs in order. days: the crop's. Ages as `pace`.
    """
    days_ms = days * DAY_MS
    return [
        Along(
            n, due_age_ms(n, len(own_mm), days_ms) / DAY_MS, own, plants_m2(own, spacing_mm, rows)
        )
        for n, own in enumerate(own_mm)
    ]

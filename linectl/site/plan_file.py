"""A sowing plan as a file: what is pulled and what is sown on each day, by lane and crop.

    day,act,lane,crop,gutters
    2026-06-01,pull,1,green_oakleaf,20
    2026-06-01,sow,1,rocket,20

Rows of a day stand in the order of work: the sowing rows of one crop together, so that a new
crop begins one changeover, and each lane's in the order in which they enter it.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass


@dataclass(frozen=True)
class Allot:
    """So many gutters of one crop, into or out of one lane."""

    lane: int
    crop: str
    gutters: int


@dataclass(frozen=True)
class Day:
    """One day's work: `sow` and `pull` in their order."""

    date: dt.date
    sow: tuple[Allot, ...] = ()
    pull: tuple[Allot, ...] = ()

"""Persons' command for the blend that harvest follows.

blend NAME (of crops.yaml)     blend CROP=GUTTERS,CROP=GUTTERS     blend none
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import TYPE_CHECKING

from linectl.crop.blends import Yield, smallest_cycle
from linectl.crop.order import even_order
from linectl.image import Command
from linectl.site.complaints import nearest
from linectl.site.crops import CropFile

if TYPE_CHECKING:
    from linectl.line.line import Line
    from linectl.line.units import Unit

FORM = "blend NAME, blend CROP=GUTTERS,CROP=GUTTERS or blend none"
NONE = "none"
CYCLE_MAX = 200
"""Gutters of a cycle: beyond a day's harvest nobody would see a blend in it, and so much may be
owed of each crop before harvest waits."""


def blend(line: Line, unit: Unit, command: Command) -> str | None:
    """Harvest follows a blend from now on; `none`: as the site's file has it."""
    if unit is not line.harvest:
        return "a blend is harvested: blend needs the unit harvest"
    by = command.by.strip()
    if not by:
        return "say who: a blend is asked under a person's name"
    words = command.argument.split()
    if len(words) != 1:
        return FORM
    if words[0] == NONE:
        line.order.begin("", by, {}, ())
        return None
    try:
        cycle = _by_hand(words[0]) if "=" in words[0] else _of_file(line, words[0])
        if why := _wrong(line, cycle):
            return why
        line.order.begin(words[0], by, cycle, even_order(cycle).order)
    except ValueError as error:
        return str(error)
    return None


def cycles(file: CropFile) -> dict[str, dict[str, int] | str]:
    """Gutters of each crop in a cycle of every blend of the file, or why it has none.

    One asked by mass is turned into gutters with the yields of the file.
    """
    found: dict[str, dict[str, int] | str] = {}
    for name, asked in file.blends.items():
        if asked.gutters:
            found[name] = dict(asked.gutters)
        elif asked.mass:
            shares = tuple(asked.mass.items())
            yields = tuple(file.crops[crop].yield_kg for crop in asked.mass)
            found[name] = _by_mass(shares, yields, asked.tolerance)
    return found


@lru_cache(maxsize=64)
def _by_mass(
    shares: tuple[tuple[str, float], ...], yields_kg: tuple[float, ...], tolerance: float
) -> dict[str, int] | str:
    """Found once, as the line is built: the search may be longer than a scan."""
    yields = {crop: Yield(kg) for (crop, _), kg in zip(shares, yields_kg, strict=True)}
    try:
        return smallest_cycle(dict(shares), yields, tolerance)
    except ValueError as error:
        return str(error)


def _of_file(line: Line, name: str) -> Mapping[str, int]:
    known = line.order.cycles
    if name not in known:
        there = ", ".join(known) or "crops.yaml has none"
        raise ValueError(f"no blend {name!r}; {nearest(name, known) or f'there are: {there}'}")
    cycle = known[name]
    if isinstance(cycle, str):
        raise ValueError(f"blend {name}: {cycle}")
    return cycle


def _by_hand(text: str) -> dict[str, int]:
    cycle: dict[str, int] = {}
    for pair in text.split(","):
        crop, _, count = pair.partition("=")
        if not (count.isascii() and count.isdigit() and 0 < int(count) <= CYCLE_MAX):
            raise ValueError(f"{pair!r}: gutters are counted from 1 to {CYCLE_MAX}; {FORM}")
        if crop in cycle:
            raise ValueError(f"{crop} stands there twice; write each crop once")
        cycle[crop] = int(count)
    return cycle


def _wrong(line: Line, cycle: Mapping[str, int]) -> str | None:
    for crop in cycle:
        if crop not in line.crops:
            return f"no crop {crop!r}; {nearest(crop, line.crops) or 'see crops.yaml'}"
        if not any(crop in lane.facts.crops for lane in line.lanes.lanes):
            return f"no lane accepts {crop}: it would be owed for ever"
    if sum(cycle.values()) > CYCLE_MAX:
        return f"a cycle of {sum(cycle.values())} gutters; {CYCLE_MAX} are the most"
    return None

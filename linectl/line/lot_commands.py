"""Persons' commands for lots: which is loaded now, and what was weighed of a packing lot.

lot substrate LOT     lot seed CROP LOT     lot packing LOT     (LOT `none`: nobody knows)
weight LOT MASS [CROP]

Taken from any control place, under a name: none of it leads to motion.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from linectl.image import Command, Event
from linectl.line.lots import KINDS, SEED
from linectl.site.complaints import nearest
from linectl.site.masses import parse_mass_kg

if TYPE_CHECKING:
    from linectl.line.line import Line

LOT_FORM = "lot substrate LOT, lot seed CROP LOT or lot packing LOT"
WEIGHT_FORM = "weight LOT MASS [CROP], for example: weight P-1201 12.5kg"
NONE = "none"
"""In a lot's place: what is loaded from now on has no name that anybody knows."""
LENGTH_MAX = 40
"""Characters of a lot: it fits a label, a list and a line of a screen."""
MASS_KG_MAX = 10_000.0
"""One weighing, far above what a lorry's pallet holds: beyond it a unit was mistaken."""
FORMULA = ("=", "+", "-", "@")
"""A spreadsheet takes what begins so for a formula, and a lot's name ends up in one."""


def lot(line: Line, command: Command) -> str | None:
    """A named person says which lot is loaded now."""
    words = command.argument.split()
    kind = words[0] if words else ""
    if kind not in KINDS or len(words) != (3 if kind == SEED else 2):
        return LOT_FORM
    crop, name = (words[1] if kind == SEED else ""), words[-1]
    if why := _unknown_crop(line, crop) or wrong_lot(name) or _nameless(command):
        return why
    change = line.changeover
    if kind == SEED and change.stands and crop in (change.crop, line.crop_in_drum):
        return f"a changeover names the seed lot by hopper-changed: {change.text()}"
    name, by = ("" if name == NONE else name), command.by.strip()
    line.lots.load(kind, crop, name, by)
    text = f"{kind} lot {crop} {name or 'not known'}".replace("  ", " ")
    line.emit(
        Event(line.now, "lot", kind, text, {"kind": kind, "crop": crop, "lot": name, "by": by})
    )
    return None


def weight(line: Line, command: Command) -> str | None:
    """A named person says what was weighed of a packing lot.

    A wrong weighing is taken back by the same mass below zero: both stay in the record. Whether
    gutters went to that lot is for the record to say; the line does not keep past lots.
    """
    words = command.argument.split()
    if len(words) not in (2, 3):
        return WEIGHT_FORM
    name, crop = words[0], (words[2] if len(words) == 3 else "")
    if why := _unknown_crop(line, crop) or wrong_lot(name) or _nameless(command):
        return why
    if name == NONE:
        return "name the packing lot that was weighed"
    try:
        kg = parse_mass_kg(words[1])
    except ValueError as error:
        return str(error)
    if not 0 < abs(kg) <= MASS_KG_MAX:
        return f"{words[1]} is not possible: more than nothing, at most {MASS_KG_MAX:g} kg at once"
    by = command.by.strip()
    text = f"packing lot {name} weighed: {kg:g} kg {crop}".rstrip()
    line.emit(
        Event(line.now, "weight", name, text, {"lot": name, "crop": crop, "kg": kg, "by": by})
    )
    return None


def _unknown_crop(line: Line, crop: str) -> str | None:
    if not crop or crop in line.crops:
        return None
    near = nearest(crop, line.crops)
    return f"no crop {crop!r}; {near or 'there are: ' + ', '.join(line.crops)}"


def wrong_lot(name: str) -> str | None:
    """Why that is no name for a lot; None if it is one."""
    if len(name) > LENGTH_MAX:
        return f"the lot has {len(name)} characters; {LENGTH_MAX} are the most"
    if not name.isprintable():
        return "the lot has characters that cannot be printed; type it as the label shows it"
    if name.startswith(FORMULA):
        return f"a lot does not begin with {name[0]}: a spreadsheet would take it for a formula"
    return None


def _nameless(command: Command) -> str | None:
    return None if command.by.strip() else f"say who: {command.name} is under a person's name"


LOT_ACTS: dict[str, Callable[[Line, Command], str | None]] = {"lot": lot, "weight": weight}

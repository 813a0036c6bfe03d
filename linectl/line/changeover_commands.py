"""Persons' commands for a changeover, all under a name and to unit sowing.

changeover CROP LOT     another crop or seed lot is to be sown; changeover cancel takes it back
hopper-changed LOT      hopper and drum have the new seed: the lot is typed again from its label
first-gutter good       the first gutter of it was looked at; or first-gutter bad TEXT
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from linectl.crop import setpoints
from linectl.image import Command
from linectl.line.changeover import CONFIRMED, EMPTYING, FIRST, RUNNING_OUT
from linectl.line.lot_commands import NONE, wrong_lot
from linectl.line.lots import OVER, SEED
from linectl.site.complaints import nearest
from linectl.site.crops import in_words

if TYPE_CHECKING:
    from linectl.line.line import Line
    from linectl.line.units import Unit

FORM = "changeover CROP LOT, or changeover cancel"
CANCEL = "cancel"
TEXT_MAX = 200
"""Characters of what is wrong with a first gutter: a line in a list."""


def changeover(line: Line, unit: Unit, command: Command) -> str | None:
    """Announce a changeover, or take it back."""
    asked = command.argument.split()
    if why := _not_for(line, unit, command):
        return why
    if asked == [CANCEL]:
        return _cancel(line, command)
    if len(asked) != 2:
        return FORM
    crop, lot = asked
    if line.changeover.stands:
        return f"one stands: {line.changeover.text()}; changeover cancel takes it back"
    if crop not in line.crops:
        return f"no crop {crop!r}; {nearest(crop, line.crops) or 'see crops.yaml'}"
    if refused := setpoints.refusal(line.site, crop):
        return refused
    if not any(crop in lane.facts.crops for lane in line.lanes.lanes):
        return f"no lane accepts {in_words(crop)}"
    if lot == NONE:
        return "name the lot: its label is typed again when the hopper has been changed"
    if why := wrong_lot(lot) or _in_use(line, crop, lot):
        return why
    line.changeover.begin(crop, lot, command.by.strip())
    return None


def _not_for(line: Line, unit: Unit, command: Command) -> str | None:
    if unit is not line.sowing:
        return f"{command.name} is for unit sowing"
    if not command.by.strip():
        return f"say who: {command.name} is under a person's name"
    return None


def _in_use(line: Line, crop: str, lot: str) -> str | None:
    """The last gutter of the old seed and the first of the new never share a lot."""
    drum = line.crop_in_drum
    if line.lots.lot(SEED, drum) == lot:
        return f"lot {lot} is in the drum already, as {in_words(drum)}; a changeover wants another"
    for other in line.crops:
        if other != crop and line.lots.lot(SEED, other) == lot:
            return f"lot {lot} is named for {in_words(other)}; look at the label"
    return None


def _cancel(line: Line, command: Command) -> str | None:
    if line.changeover.stage not in (RUNNING_OUT, EMPTYING):
        return (
            "no changeover stands"
            if not line.changeover.stands
            else f"too late: {line.changeover.text()}; what is in the drum is another changeover"
        )
    line.changeover.cancel(command.by.strip())
    return None


def hopper_changed(line: Line, unit: Unit, command: Command) -> str | None:
    """Hopper and drum have been emptied and have the new seed."""
    change = line.changeover
    if why := _not_for(line, unit, command):
        return why
    if not change.stands:
        return "no changeover stands; announce it first: changeover CROP LOT"
    if change.stage in (CONFIRMED, FIRST):
        return f"lot {change.lot} has been confirmed: {change.text()}"
    if inside := change.inside():
        return f"gutters are still inside ({', '.join(inside)}): they would get both lots"
    if change.stage != EMPTYING or unit.state not in OVER:
        return f"sowing is {unit.state}: it must stand before a hand goes near the drum"
    if seen := _seen(line):
        return f"{seen} sees a gutter, or cannot be read: the sower is not known to be empty"
    if command.argument != change.lot:
        return (
            f"the label reads {command.argument or 'nothing'}, announced was {change.lot}: look"
            " what is in the hopper; changeover cancel, if another lot is right"
        )
    change.confirm(command.by.strip())
    return None


def _seen(line: Line) -> str:
    """The first eye of the sower's belts that does not say that nothing is there."""
    for belt in line.ends.belts:
        for index in (belt.entry, belt.exit):
            if not line.inputs.off[index]:
                return line.site.points[index].tag
    return ""


def first_gutter(line: Line, unit: Unit, command: Command) -> str | None:
    """What a person found of the first gutter of the new seed."""
    change = line.changeover
    verdict, _, text = command.argument.strip().partition(" ")
    if why := _not_for(line, unit, command):
        return why
    if verdict not in ("good", "bad"):
        return "first-gutter good, or first-gutter bad and what is wrong with it"
    if change.stage != FIRST:
        return f"no first gutter waits to be looked at; {change.text() or 'no changeover stands'}"
    text = text.strip()
    if verdict == "bad" and not text:
        return "say what is wrong with it: first-gutter bad TEXT"
    if len(text) > TEXT_MAX or not text.isprintable():
        return f"say it in at most {TEXT_MAX} characters that can be printed"
    change.judged(verdict, text, command.by.strip())
    if verdict == "good":
        change.end()
    else:
        change.again()
    return None

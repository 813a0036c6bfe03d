"""One look at raw registers, as tables for a person."""

from __future__ import annotations

import math
from collections.abc import Sequence

from rich.table import Table
from rich.text import Text

from linectl.cli.screen import heading, say, table
from linectl.commission.peek import Cell, Look, Shift
from linectl.field.advice import meaning
from linectl.image import Value
from linectl.registers.display import Fit
from linectl.registers.readings import pair_readings, word_readings
from linectl.site.hardware import Point
from linectl.site.notation import reference

FITS_SHOWN = 6
PAIRS_SHOWN = 4
_FIRST = {"big": "big (high first)", "little": "little (low first)"}
_SWAPPED = {"big": "big", "little": "little (swapped)"}
CHANCE_WORTH_SAYING = 0.2
"""Fits by chance from which a person is told to compare a second value."""


def print_look(look: Look) -> None:
    """The look in words on standard output."""
    device = look.device
    say(
        heading(f"{look.device_name}:"),
        Text(f"unit {device.unit} on bus {device.bus}; {look.asked}"),
    )
    say_items("note:", look.notes)
    say(Text())
    if look.is_bits:
        _bits_table(look)
    else:
        _registers(look)
    _failures(look)
    if not look.is_bits:
        _bits(look)
        _pairs(look)
        _shifts(look.shifts)
    if look.display is not None:
        _fits(look)
    if look.checks:
        say(Text())
        say(heading("Check next"))
        say_items("  -", look.checks)


def say_items(mark: str, texts: Sequence[str]) -> None:
    """Sentences under one another, each with its mark and a hanging indent."""
    listed = Table.grid(padding=(0, 1))
    for text in texts:
        listed.add_row(mark, text)
    if texts:
        say(listed)


def _mark(look: Look, cell: Cell) -> str:
    """How far a cell is from the address asked for; `→` before what was asked for."""
    by = cell.address - look.asked.address
    arrow = "→ " if cell.asked else "  "
    return f"{arrow}n{'+' if by > 0 else '−'}{abs(by)}" if by else f"{arrow}n"


def _where(look: Look, cell: Cell) -> list[object]:
    return [_mark(look, cell), cell.address, reference(look.asked.table, cell.address)]


def _why_not(cell: Cell) -> str:
    """Why a cell holds no word, in words."""
    if cell.heard is None:
        return f"not read: {cell.left}"
    return cell.heard.kind.replace("refused_", "exception ")


def _points(cell: Cell) -> str:
    """The points that the map has at a cell."""
    if not cell.points:
        return _why_not(cell) if cell.word is None else "–"
    names = []
    for point in cell.points:
        if point.bit is not None:
            names.append(f"{point.tag} (bit {point.bit})")
        elif point.address != cell.address:
            names.append(f"{point.tag} (second)")
        else:
            names.append(point.tag)
    shown = ", ".join(names[:2]) + (f" and {len(names) - 2} more" if len(names) > 2 else "")
    return f"{shown}: {_why_not(cell)}" if cell.word is None else shown


def _failures(look: Look) -> None:
    """What the short words in the table mean."""
    kinds = {cell.heard.kind for cell in look.cells if cell.heard and not cell.heard.good}
    for kind in sorted(kinds):
        say(Text(f"{kind.replace('refused_', 'exception ')}: {meaning(kind)}"))


def _bits_table(look: Look) -> None:
    rows = [
        [
            *_where(look, cell),
            cell.word,
            ("inverted: " if p.invert else "") + _role(cell.word, p)
            if (p := next(iter(cell.points), None)) is not None and cell.word is not None
            else None,
            _points(cell),
        ]
        for cell in look.cells
    ]
    say(table(f"|>{look.asked.table}|>reference|>wire|linectl reads|point", rows))


def _role(word: int, point: Point) -> str:
    return "1" if bool(word) != point.invert else "0"


def _registers(look: Look) -> None:
    rows = []
    for cell in look.cells:
        if cell.word is None:
            rows.append([*_where(look, cell), *[None] * 6, _points(cell)])
            continue
        one = word_readings(cell.word)
        both = "" if one.swapped_i16 == one.swapped_u16 else f" / {one.swapped_i16}"
        rows.append(
            [
                *_where(look, cell),
                one.hex,
                one.u16,
                one.i16,
                f"{one.swapped_u16}{both}",
                "not BCD" if one.bcd is None else one.bcd,
                one.ascii,
                _points(cell),
            ]
        )
    columns = f"|>{look.asked.table}|>reference|>hex|>u16|>i16|>swapped|>BCD|ASCII|point"
    say(table(columns, rows))


def _bits(look: Look) -> None:
    """Bits 15 to 0 of each register asked for, numbered, and the points among them."""
    wanted = [cell for cell in look.cells if cell.asked and cell.word is not None]
    if not wanted:
        return
    say(Text())
    columns = "bit|" + "|".join(f">{place}" for place in range(15, -1, -1))
    rows = [[cell.address, *reversed(word_readings(cell.word or 0).bits)] for cell in wanted]
    say(table(columns, rows))
    for cell in wanted:
        for point in cell.points:
            if point.bit is not None:
                raw = word_readings(cell.word or 0).bits[_place(point)]
                role = f", inverted: linectl reads {int(not raw)}" if point.invert else ""
                say(Text(f"  {cell.address} bit {point.bit}: {point.tag} = {raw}{role}"))


def _place(point: Point) -> int:
    """The bit's place in the register as it travels."""
    bit = point.bit or 0
    return bit ^ 8 if point.byte_order == "little" else bit


def _pairs(look: Look) -> None:
    wanted = {cell.address for cell in look.cells if cell.asked}
    mine = [at for at in look.pairs if at in wanted]
    for at in mine[:PAIRS_SHOWN]:
        pair = look.pairs[at]
        how = "in one request" if pair.together else "in two requests: may be of two moments"
        say(Text())
        say(heading(f"{at} and {at + 1} together"), Text(f"({how})"))
        rows = [
            [one.order.letters, _FIRST[one.order.word_order], _SWAPPED[one.order.byte_order],
             one.u32, one.i32, _single(one.f32), "not BCD" if one.bcd is None else one.bcd]
            for one in pair_readings(pair.words)
        ]  # fmt: skip
        say(table("order|word_order|byte_order|>u32|>i32|>f32|>BCD", rows))
    if len(mine) > PAIRS_SHOWN:
        say(Text(f"and {len(mine) - PAIRS_SHOWN} more pairs: --json has them all"))


def _single(value: float) -> str:
    if math.isnan(value):
        return "no number"
    return f"{value:.7g}"


def _shifts(shifts: Sequence[Shift]) -> None:
    """Every value of the map on these addresses, as mapped and one beside."""
    if not shifts:
        return
    rows = []
    for number in range(0, len(shifts), 3):
        lower, here, higher = shifts[number : number + 3]
        point = here.point
        values = [_value(one.value, point) for one in (lower, here, higher)]
        where = f"{point.address} ({reference(point.table, point.address)})"
        rows.append([point.tag, where, _as_written(point), *values])
    say(Text())
    say(heading("As the map reads it,"), Text("and one address beside"))
    say(table("point|>address|as|>one lower|>as mapped|>one higher", rows))


def _as_written(point: Point) -> str:
    """What the IO list says of a point's form, defaults left out."""
    parts: list[str] = [point.type]
    if point.word_order:
        parts.append(f"word {point.word_order}")
    if point.byte_order == "little":
        parts.append("bytes little")
    if point.scale != 1:
        parts.append(f"× {point.scale:g}")
    if point.offset:
        parts.append(f"{'−' if point.offset < 0 else '+'} {abs(point.offset):g}")
    return " ".join(parts)


def _value(value: Value | None, point: Point) -> str | None:
    if value is None:
        return None
    return f"{value:.7g} {point.unit}".rstrip()


def _fits(look: Look) -> None:
    shown = look.display
    assert shown is not None
    say(Text())
    if not look.fits:
        say(heading(f"Nothing here gives {shown.text}."))
        say(
            Text(
                "The value may lie in the other table (--table input), further off (--count), have "
                "moved meanwhile, or have an offset"
            )
        )
        return
    say(
        heading(f"What gives {shown.text}:"),
        Text(f"within {shown.tolerance:g}; the most plausible first"),
    )
    rows = [_fit_row(look, fit) for fit in look.fits[:FITS_SHOWN]]
    say(table("where|>address|>reference|>value|io.csv cells|", rows))
    if len(look.fits) > FITS_SHOWN:
        say(Text(f"and {len(look.fits) - FITS_SHOWN} less plausible: --json has them all"))
    if look.by_chance >= CHANCE_WORTH_SAYING or len(look.fits) > 1:
        say(
            Text(
                f"By chance alone {look.by_chance:.1g} fits are to be expected. Let the display "
                "show another value, with more digits, and look again: the true one stays"
            )
        )


def _fit_row(look: Look, fit: Fit) -> list[object]:
    cells = fit.cells()
    text = ", ".join(f"{name} {value}" for name, value in cells.items() if name != "address")
    if fit.type in ("u16", "u32"):
        text = text.replace(fit.type, f"{fit.type} (i{fit.type[1:]} if it can be negative)")
    if not cells:
        text = f"BCD × {fit.scale:g}: io.csv has no such type; can the device send binary?"
    by = fit.address - look.asked.address
    where = "n" if by == 0 else f"n{'+' if by > 0 else '−'}{abs(by)}"
    return [
        where,
        fit.address,
        reference(look.asked.table, fit.address),
        f"{fit.value:.7g}",
        text,
        "as mapped" if any(_is_mapped(fit, shift.point) for shift in look.shifts) else "",
    ]


def _is_mapped(fit: Fit, point: Point) -> bool:
    """True if the map reads just so already (i32 for u32 too: below half they are alike)."""
    alike = {"i16": "u16", "i32": "u32"}
    return (
        fit.type is not None
        and alike.get(fit.type, fit.type) == alike.get(point.type, point.type)
        and (fit.address, fit.byte_order) == (point.address, point.byte_order)
        and (fit.word_order is None or fit.word_order == point.word_order)
        and fit.scale == point.scale
        and point.offset == 0
    )

"""Which units answer on a line: each number is asked in every table until something comes back.

An exception is an answer: a device is there. The words 0A and 0B of a gateway are not: it says
that nobody is.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

from linectl.commission.talk import DAMAGED, Heard, Talk
from linectl.errors import UsageError
from linectl.site.notation import Table

PROBED: tuple[Table, ...] = ("holding", "input", "coil", "discrete")
"""In this order: nearly every device has holding registers (common practice, no source)."""

UNITS_MAX = 247
NO_UNIT = 255

Tell = Callable[[str, int, int], None]
"""Progress: what is being done, how much of it is done, of how much."""


class Present(NamedTuple):
    """A unit that answered."""

    unit: int
    table: Table
    address: int
    heard: Heard
    """What the first answer was: cells, or a refusal."""


def units_in(text: str) -> tuple[int, ...]:
    """`1-32`, `1,5,7-9,255`: unit numbers, in order, each once. Raises UsageError."""
    units: set[int] = set()
    for part in text.split(","):
        first, dash, last = (piece.strip() for piece in part.partition("-"))
        ends = [first, last] if dash else [first, first]
        if not all(end.isascii() and end.isdecimal() for end in ends):
            raise UsageError(f"--units {text!r}: write numbers and ranges, such as 1-32 or 1,5,7-9")
        units |= set(range(int(ends[0]), int(ends[1]) + 1))
    wrong = sorted(unit for unit in units if not (1 <= unit <= UNITS_MAX or unit == NO_UNIT))
    if wrong or not units:
        raise UsageError(
            f"--units {text!r}: units are 1–{UNITS_MAX} (0 speaks to all and gets no answer), and "
            f"{NO_UNIT} for a network device without one"
        )
    return tuple(sorted(units))


def present_units(
    talk: Talk,
    units: Sequence[int],
    first_of: Mapping[int, tuple[Table, int]],
    tell: Tell = lambda what, done, total: None,
    tables: Sequence[Table] = PROBED,
) -> tuple[Present, ...]:
    """The units that answer, in order.

    first_of: an address that the map names, by unit: asked before address 0 of each table. All
    units are asked in the first table before the silent ones are asked in the next.
    """
    found: dict[int, Present] = {}
    total = len(units) * len(tables)
    done = 0
    for number, table in enumerate(tables):
        for unit in units:
            done += 1
            if unit in found:
                continue
            asked = first_of.get(unit, (table, 0)) if number == 0 else (table, 0)
            tell(f"unit {unit}, {asked[0]}; {len(found)} found", done, total)
            heard = talk.read(f"unit {unit}", unit, asked[0], asked[1])
            if heard.kind in DAMAGED:  # somebody spoke: once more
                heard = talk.read(f"unit {unit}", unit, asked[0], asked[1])
            if heard.there:
                found[unit] = Present(unit, asked[0], asked[1], heard)
    return tuple(found[unit] for unit in sorted(found))

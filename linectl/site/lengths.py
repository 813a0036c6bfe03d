"""Lengths as people write them (`100mm`, `10cm`, `1.8m`, `4in`), held as millimetres.

The inch is 25.4 mm exactly (international yard and pound agreement of 1959; NIST SP 811,
appendix B.8).
"""

from __future__ import annotations

import re
from fractions import Fraction

_UNITS_MM = {"mm": Fraction(1), "cm": Fraction(10), "m": Fraction(1000), "in": Fraction(254, 10)}
_LENGTH = re.compile(r"([+-]?\d+(?:\.\d+)?)\s*(mm|cm|m|in)?", re.ASCII)
_COMMA = re.compile(r"([+-]?\d+),(\d+)\s*(?:mm|cm|m|in)?", re.ASCII)


def parse_length_mm(text: str) -> float:
    """Millimetres in `text`; a bare number is millimetres. May be below zero.

    Raises ValueError with the right form when it cannot be read.
    """
    found = _LENGTH.fullmatch(text.strip())
    if found is not None:
        return float(Fraction(found[1]) * _UNITS_MM[found[2] or "mm"])
    refuse_comma(text)
    raise ValueError(f"{text!r} is not a length; write 100mm, 10cm or 4in")


def refuse_comma(text: str) -> None:
    """Raises ValueError if the text is a number with a decimal comma: 1,5 may be meant as 1.5, or
    be two numbers."""
    comma = _COMMA.fullmatch(text.strip())
    if comma is not None:
        raise ValueError(f"{text!r} has a decimal comma; write {comma[1]}.{comma[2]}")

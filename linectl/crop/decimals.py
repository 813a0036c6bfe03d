"""Numbers as people wrote them: the decimal, not the binary fraction nearest to it."""

from __future__ import annotations

from fractions import Fraction


def as_written(number: float) -> Fraction:
    """The shortest decimal that reads back as this number: 0.1 is a tenth.

    Raises ValueError for what is no number, or endless.
    """
    return Fraction(repr(float(number)))

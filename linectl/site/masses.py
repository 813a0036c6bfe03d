"""Masses as people write them (`12.5kg`, `800g`, `27lb`, `12oz`), held as kilograms.

The avoirdupois pound is 0.453 592 37 kg exactly, the ounce a sixteenth of it (international yard
and pound agreement of 1959; NIST SP 811, appendix B.8).
"""

from __future__ import annotations

import re
from fractions import Fraction

POUND_KG = Fraction(45_359_237, 100_000_000)
_UNITS_KG = {"kg": Fraction(1), "g": Fraction(1, 1000), "lb": POUND_KG, "oz": POUND_KG / 16}
MASS_PATTERN = r"^\d+(\.\d+)?\s*(kg|g|lb|oz)?$"
"""Masses above zero, for the JSON Schema."""
_MASS = re.compile(r"([+-]?\d+(?:\.\d+)?)\s*(kg|g|lb|oz)?", re.ASCII)


def parse_mass_kg(text: str) -> float:
    """Kilograms in `text`; a bare number is kilograms. May be below zero.

    Raises ValueError with the right form when it cannot be read.
    """
    found = _MASS.fullmatch(text.strip())
    if found is None:
        raise ValueError(f"{text!r} is not a mass; write 12.5kg, 800g, 27lb or 12oz")
    return float(Fraction(found[1]) * _UNITS_KG[found[2] or "kg"])

"""Amounts as people type them: litres, millilitres, a mass with its density, a count."""

from __future__ import annotations

import re
from collections.abc import Sequence

from linectl.commission.calibrate.work import Work
from linectl.site.masses import parse_mass_kg

WATER_ML_PER_G = 1.0029
"""Millilitres of water at 20 °C for a gram on a scale in air (Z factor of ISO 8655-6, from memory;
from 15 to 25 °C it changes by 0.2 %)."""
DENSITY_LEAST, DENSITY_MOST = 20.0, 1500.0
"""Of a loose substrate, g/l: dry perlite to wet sand (common practice, no source)."""
_VOLUME = re.compile(r"(\d+(?:\.\d+)?)\s*(ml|l)", re.ASCII | re.IGNORECASE)
_ML = {"ml": 1.0, "l": 1000.0}


def volume_ml(text: str, g_per_ml: float | None) -> float:
    """Millilitres of `12.4l`, `870ml`, or of a mass (`2.1kg`, `800g`, `4lb`, `12oz`) of stuff of
    that density; None: its density is not known, and a mass is refused.

    Raises ValueError with the right form. A bare number is refused: of what, nobody could tell.
    """
    clean = text.strip().replace(",", ".")
    if found := _VOLUME.fullmatch(clean):
        return float(found[1]) * _ML[found[2].lower()]
    forms = "write 12.4l, 870ml, 2.1kg, 800g, 4lb or 12oz"
    if not clean or clean[-1].isdigit():
        raise ValueError(f"{text!r} has no unit; {forms}")
    try:
        grams = parse_mass_kg(clean) * 1000
    except ValueError:
        raise ValueError(f"{text!r} is no amount; {forms}") from None
    if grams < 0:
        raise ValueError(f"{text!r} is below zero: was the empty vessel taken off?")
    if g_per_ml is None:
        raise ValueError("its density is not known: type a volume, 12.4l or 870ml")
    return grams / g_per_ml


def seeds_of(text: str, thousand_seed_g: float | None) -> float:
    """Seeds, counted (`812`) or weighed (`9.6g`) by the mass of a thousand of them; None: that is
    not known, and a mass is refused. Raises ValueError with the right form.
    """
    clean = text.strip()
    if clean.isdecimal():
        return int(clean)
    if thousand_seed_g is None or not clean or clean[-1].isdigit():
        raise ValueError(f"{text!r} is no count; write a whole number such as 812")
    return parse_mass_kg(clean) * 1_000_000 / thousand_seed_g


def density_g_ml(work: Work, known_g_l: Sequence[float]) -> float | None:
    """Grams for a millilitre of the substrate as it lies loose; None: only volumes are typed.

    known_g_l: what the site's files say of it. Raises Ended.
    """
    usual = f"{known_g_l[0]:g}" if len(set(known_g_l)) == 1 else ""
    proposal = f"Enter: {usual}; none" if usual else "Enter: none"
    work.say("A weight is turned into litres by the bulk density of what lies loose in the hopper:")
    while True:
        text = work.ask(f"bulk density in g/l, by a levelled jug ({proposal}: volumes are typed): ")
        text = text or usual
        if text in ("", "none"):
            return None
        try:
            density = float(text)
        except ValueError:
            density = 0.0
        if DENSITY_LEAST <= density <= DENSITY_MOST:
            return density / 1000
        work.say(f"  a number from {DENSITY_LEAST:g} to {DENSITY_MOST:g}, or none")

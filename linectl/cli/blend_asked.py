"""What a person types at `linectl blend`: crops with counts, shares or masses, and packs."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import TypeVar

from linectl.errors import UsageError
from linectl.site.complaints import nearest
from linectl.site.masses import parse_mass_kg

Value = TypeVar("Value")


def whole_gutters(text: str) -> dict[str, int]:
    """`a=5,b=2` as whole gutters above zero. Raises UsageError."""
    return _by_crop(text, "--gutters", "a=5,b=2: whole gutters above zero", _count)


def shares(text: str) -> dict[str, float]:
    """`a=0.6,b=0.4` as parts above zero. Raises UsageError."""
    return _by_crop(text, "--mass", "a=0.6,b=0.4: shares above zero", _share)


def masses(text: str) -> dict[str, float]:
    """`a=2.2kg,b=800g` as kg above zero. Raises UsageError."""
    return _by_crop(text, "--yields", "a=2.2kg,b=800g (or file, or ledger)", _mass_kg)


def ordered(text: str) -> list[tuple[int | None, float]]:
    """`900x125g,250g` as (packs or None, kg). Raises UsageError."""
    sizes: list[tuple[int | None, float]] = []
    for part in filter(None, (part.strip() for part in text.split(","))):
        count, times, size = part.replace("×", "x").rpartition("x")
        try:
            sizes.append((_count(count) if times else None, _mass_kg(size)))
        except ValueError as error:
            raise UsageError(f"--packs: {part!r} is no size; write 125g, or 900x125g") from error
    return sizes


def crops_equal(told: Mapping[str, object], wanted: Iterable[str]) -> None:
    """Raises UsageError for a crop of `told` that the blend has not."""
    for crop in told:
        if crop not in wanted:
            raise UsageError(
                f"--yields: {crop!r} is no crop of this blend; {nearest(crop, wanted) or ''}"
            )


def _by_crop(text: str, option: str, form: str, read: Callable[[str], Value]) -> dict[str, Value]:
    found: dict[str, Value] = {}
    for part in text.split(","):
        crop, _, value = (word.strip() for word in part.partition("="))
        try:
            if not crop:
                raise ValueError
            found_value = read(value)
        except ValueError as error:
            raise UsageError(f"{option}: {part.strip()!r} cannot be read; write {form}") from error
        if crop in found:
            raise UsageError(f"{option}: {crop} stands there twice")
        found[crop] = found_value
    return found


def _count(text: str) -> int:
    if not (text.isascii() and text.isdigit() and int(text) > 0):
        raise ValueError(text)
    return int(text)


def _share(text: str) -> float:
    share = float(text)
    if not 0 < share < float("inf"):
        raise ValueError(text)
    return share


def _mass_kg(text: str) -> float:
    kg = parse_mass_kg(text)
    if kg <= 0:
        raise ValueError(text)
    return kg

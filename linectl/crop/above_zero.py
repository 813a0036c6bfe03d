"""The one thing that most formulas ask of their numbers."""

from __future__ import annotations


def above_zero(**numbers: float) -> None:
    """Raises ValueError that names the first number which is not above zero."""
    for name, number in numbers.items():
        if number <= 0:
            raise ValueError(f"{name} {number} must be above zero")

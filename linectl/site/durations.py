"""Durations as people write them (`250ms`, `40s`, `22m30s`, `25d`), held as whole milliseconds."""

from __future__ import annotations

import re

_UNITS_MS = {"d": 86_400_000, "h": 3_600_000, "m": 60_000, "s": 1_000, "ms": 1}
_PART = re.compile(r"(\d+(?:\.\d+)?)(ms|[dhms])")
_WHOLE = re.compile(r"(?:\d+(?:\.\d+)?(?:ms|[dhms]))+", re.ASCII)
DURATION_PATTERN = f"^{_WHOLE.pattern}$"
"""For the JSON Schema."""
DURATION_MS_MAX = 100_000_000 * 86_400_000
"""A hundred million days: beyond it a number no longer counts single milliseconds."""


def parse_duration(text: str) -> int:
    """Milliseconds in `text`. Raises ValueError with the right form when it cannot be read."""
    text = text.strip()
    if not _WHOLE.fullmatch(text):
        raise ValueError(f"{text!r} is not a duration; write 250ms, 40s, 20m, 22m30s, 2h or 25d")
    total = sum(float(number) * _UNITS_MS[unit] for number, unit in _PART.findall(text))
    if total > DURATION_MS_MAX:
        raise ValueError(f"{text!r} is longer than a hundred million days")
    return round(total)


def format_duration(milliseconds: int) -> str:
    """The shortest exact form: 22m30s, 250ms, 0s. Negative values carry a leading minus."""
    if milliseconds < 0:
        return "-" + format_duration(-milliseconds)
    parts = []
    for unit, size in _UNITS_MS.items():
        count, milliseconds = divmod(milliseconds, size)
        if count:
            parts.append(f"{count}{unit}")
    return "".join(parts) or "0s"

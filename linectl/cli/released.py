"""What a running line may be set to, and who answers for what is not done: lines for screens."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from linectl.runtime.release import MODES


def release_word(status: Mapping[str, Any]) -> str | None:
    """`released`, `NOT RELEASED`, or what else it runs as; None where nobody looks at it."""
    found = status.get("commissioning")
    if not found:
        return None
    if found["note"]:
        return str(found["note"])
    return "NOT RELEASED" if "production" in status.get("release", {}) else "released"


def release_lines(status: Mapping[str, Any]) -> list[str]:
    """What everybody at a screen is to read: released or why not, and each override."""
    word = release_word(status)
    if word is None:
        return []
    refused = status.get("release", {})
    lines = [
        f"{word}: {mode.replace('_', ' ')}: {refused[mode]}" for mode in MODES if mode in refused
    ]
    return [*(lines or [word]), *status["commissioning"]["overrides"]]

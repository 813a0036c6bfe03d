"""The endpoints file of a running plant model, as commands that act on it read it."""

from __future__ import annotations

import json
from pathlib import Path

from linectl.errors import UsageError


def talk_port(file: Path) -> int:
    """Where the plant that wrote that file is talked to. Raises UsageError."""
    try:
        return int(json.loads(file.read_text(encoding="utf-8"))["control"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise UsageError(f"{file}: no endpoints file of a running `linectl plant`") from error

"""When a controller is to be killed: in which phase of which move, and how long after."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

KINDS = (
    "feed", "convey", "process", "reserve", "pick", "insert",
    "stroke", "transfer", "eject", "put", "handover",
)  # fmt: skip

BEFORE = "before intent"
"""The scan has told the intent; the writer never gets it."""
ASKED = "intent to output"
"""The intent is on disk; the outputs of the scan that saw this are never published."""
TRAVEL = "mid-travel"
"""A drawn time after those outputs, before the scan tells the move as done."""
SIGNED = "sensor to done"
"""The scan has told the move as done; the writer never gets it, or does not commit it."""
PHASES = (BEFORE, ASKED, TRAVEL, SIGNED)


class Order(NamedTuple):
    """One death. `skip` moves of that kind pass before it; `delay_ms` after the phase began."""

    kind: str
    phase: str
    skip: int = 0
    delay_ms: float = 0.0


def write_orders(path: Path, orders: Iterable[Order]) -> None:
    """For the controller that is about to start."""
    path.write_text(json.dumps([list(order) for order in orders]), encoding="utf-8")


def read_orders(path: Path) -> list[Order]:
    """What `write_orders` wrote."""
    return [Order(*entry) for entry in json.loads(path.read_text(encoding="utf-8"))]

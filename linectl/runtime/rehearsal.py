"""What a rehearsal is asked for, whichever way it runs: on the bench or over the wire."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from linectl.image import Command
from linectl.site.model import Site
from linectl.site.scenario import STALL, Action

Progress = Callable[[int, int], None]
"""Told now and then: (milliseconds simulated, milliseconds in all)."""

Result = Mapping[str, Any]
"""The object of `rehearse --json`, and beside its promised keys `states` and `flow`."""


@dataclass(frozen=True)
class Options:
    """`lanes` is the share of slots that stand full at start, from the mouth (1: all)."""

    for_ms: int = 7_200_000
    seed: int = 1
    scenario: tuple[Action, ...] = STALL
    lanes: float = 1.0
    every_tick: bool = False
    ideal_bus: bool = False
    ripe_check: bool = True
    ledger: str = ":memory:"
    events: Path | None = None
    """Where events are written as JSON Lines."""
    begins_ms: int | None = None
    """Wall clock at which it begins, Unix ms; None: now."""
    sown: Path | None = None
    """Where it is written, at the end, how the seeds lie on the gutters; in virtual time only."""
    trace: Path | None = None
    """Where every frame is written; over the wire only."""


def invented_lots(site: Site) -> list[Command]:
    """The lots that a rehearsal names before it starts, so that its ledger can be traced."""
    kinds = ["substrate", *(f"seed {crop}" for crop in site.crops.crops), "packing"]
    return [
        Command("", "lot", f"{kind} rehearsed-{kind.replace(' ', '-')}", "the rehearsal")
        for kind in kinds
    ]

"""What an interlock proof found: cells with their checks and reactions, and the proof's own proof.

A cell is one cause with one of its effects. Times are in ms, on the plant model unless said.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, Literal

Outcome = Literal["pass", "fail", "skipped"]

NOT_A_VALIDATION = (
    "Logic proven on a model. Not a validation of safety functions. Field test outstanding:"
    " {causes} causes."
)
"""The head of every report."""


@dataclass(frozen=True)
class Check:
    """One thing that was asked of a cell: `off in the scan`, `stays until its reset`, ..."""

    name: str
    ok: bool
    text: str = ""
    """What was seen if it is not as it should be."""


@dataclass(frozen=True)
class OutputReaction:
    """How fast one output was off at its device, counted from the trip in the plant."""

    tag: str
    reaction_ms: float
    worst_ms: float
    """Computed from the buses' budget, the cause's on-delay counted."""
    limit_ms: float | None
    """The zone's limit, the cause's on-delay counted; None where no zone gives one."""


@dataclass(frozen=True)
class CellResult:
    """One cell: what was expected, what was seen."""

    cause: str
    effect: str
    kind: str
    """acts, latched or permissive."""
    expected: str
    """In words, from the matrix: `off within 500 ms, until interlock reset`."""
    outcome: Outcome
    reaction_ms: float | None
    """The slowest of its outputs; None for an effect without outputs."""
    limit_ms: float | None
    detail: str
    """Why it failed or was skipped; empty for a pass."""
    trip: str = ""
    """What was done to the plant: `guard fill opened`, `fill.drive_ok held at 0`."""
    checks: tuple[Check, ...] = ()
    outputs: tuple[OutputReaction, ...] = ()
    unseen: tuple[str, ...] = ()
    """Outputs of the effect that were never on while the line ran, so never seen to go off."""
    derived: bool = False
    """The row follows from the machine or its hardware, and is not written in interlocks.yaml."""


@dataclass(frozen=True)
class SelfCheck:
    """Defects planted in the line and in the plant's wiring, and which of them the proof found."""

    planted: int
    caught: int
    missed: tuple[str, ...]
    by_kind: Mapping[str, tuple[int, int]] = field(default_factory=dict)
    """kind of defect → (planted, caught)."""
    excluded: Mapping[str, int] = field(default_factory=dict)
    """why a defect could not show → how many were not planted for it."""
    by_check: Mapping[str, int] = field(default_factory=dict)
    """name of the check that found it → how many."""


@dataclass(frozen=True)
class Proof:
    """A whole proof, as reports show it."""

    site: str
    text: str
    """The site's own description."""
    site_digest: str
    version: str
    seed: int
    at: str
    """When it began, ISO 8601 with the zone."""
    by: str
    """Who ran it, as they said; may be empty."""
    wall_s: float
    cells: tuple[CellResult, ...]
    untested: tuple[str, ...]
    """What was not tested, a sentence each."""
    consequences: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """cause → what followed through a unit's state, beside its own cells."""
    approval: str = ""
    """Who approved the matrix and when, or what differs since; one line."""
    self_check: SelfCheck | None = None
    interrupted: bool = False
    """A person ended it early: the rest is listed as not run."""

    @property
    def ok(self) -> bool:
        """No cell failed, every planted defect was caught."""
        caught = self.self_check is None or not self.self_check.missed
        return caught and all(cell.outcome != "fail" for cell in self.cells)

    @property
    def causes(self) -> tuple[str, ...]:
        """Every cause of the proof, in the order of the matrix: each still wants a field test."""
        return tuple(dict.fromkeys(cell.cause for cell in self.cells))

    def as_json(self) -> dict[str, Any]:
        """The object of `prove --json`; keys beside the promised ones may be added."""
        return {
            "site": self.site,
            "ok": self.ok,
            "cells": [asdict(cell) for cell in self.cells],
            "self_check": None if self.self_check is None else asdict(self.self_check),
            "site_digest": self.site_digest,
            "version": self.version,
            "seed": self.seed,
            "at": self.at,
            "by": self.by,
            "wall_s": round(self.wall_s, 3),
            "untested": list(self.untested),
            "consequences": {cause: list(texts) for cause, texts in self.consequences.items()},
            "approval": self.approval,
            "interrupted": self.interrupted,
        }

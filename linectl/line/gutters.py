"""A gutter as the controller knows it, from its feed to its hand-over."""

from __future__ import annotations

from dataclasses import dataclass

from linectl.line.inputs import NEVER


@dataclass(slots=True)
class Gutter:
    """Identity goes by position: `place` is where the last done move put it."""

    id: int
    place: str
    crop: str = ""
    """Set at seeding; before that the substrate recipe's crop."""
    lane: int = 0
    """Lane whose mouth hole is reserved for it; 0 for none."""
    wet_at: int = NEVER
    sown_at: int = NEVER
    ripe_at: int = NEVER
    partial: str = ""
    """Station at which its process was cut short."""

    @property
    def wet(self) -> bool:
        return self.wet_at != NEVER

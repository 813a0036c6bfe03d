"""Packing's scale, where a site has one: whose a weight is, and whether it is believed.

The hall weighs what each gutter gave, in the order in which it took them; `weight` stands while
`weighed` is on. A weight is the oldest gutter's that was handed over and not weighed yet, and no
longer ago than the site's `within`. So a gutter that nobody weighed drops out, and the next ones
keep their own weights, as long as `within` is shorter than the time between two hand-overs; where
two may be waiting at once, a missed one gives its place to the next until the hall has caught up.
What was handed over before a power cut is not known here any more: its weight is told, not used.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from linectl.image import Event
from linectl.line.inputs import NEVER
from linectl.site.machine import Weighing

if TYPE_CHECKING:
    from linectl.line.line import Line

SETTLE_MS = 500
"""`weight` is read so long after `weighed` came: both are seen anew in between, in any order."""
LEAST, MOST = 0.2, 3.0
"""Shares of the crop's yield between which a weight is believed (common practice, no source): a
pallet truck on the scale, or a tray that was left out, is none."""


class Scale:
    """`waiting`: [gutter, crop, handed over at] of those not weighed yet, the oldest first."""

    FIELDS = ("waiting", "armed", "due", "missed", "unused")

    def __init__(self, line: Line, name: str, facts: Weighing | None) -> None:
        self._line = line
        self._name = name
        self._within_ms = facts.within_ms if facts is not None else 0
        self._mapped = facts is not None
        if self._mapped:
            self._weight = line.site_io[f"{name}.weight"]
            self._weighed = line.site_io[f"{name}.weighed"]
        self.waiting: list[list[Any]] = []
        self.armed = False
        """`weighed` was seen off since the last weight: stuck on it says nothing."""
        self.due = NEVER
        """When the weight is read."""
        self.missed = 0
        """Gutters that nobody weighed in time."""
        self.unused = 0
        """Weights of no gutter that waits, and implausible ones."""

    def handed(self, gutter: int, crop: str, now: int) -> None:
        """Packing has taken a gutter."""
        if self._mapped:
            self._drop(now)
            self.waiting.append([gutter, crop, now])

    def step(self, now: int) -> None:
        """One scan: a weight that stands is read once."""
        if not self._mapped:
            return
        inputs = self._line.inputs
        if not inputs.on[self._weighed]:
            late, self.due = self.due, NEVER
            if inputs.off[self._weighed] and not self.armed:
                self.armed = self._line.changed = True
            elif late != NEVER:
                self._line.changed = True
        elif self.armed and self.due == NEVER:
            self.due = now + SETTLE_MS
            self._line.changed = True
        elif self.armed and now >= self.due:
            self.armed, self.due = False, NEVER
            self._line.changed = True
            if inputs.good[self._weight]:
                self._read(float(inputs.value[self._weight]), now)

    def next_due(self) -> int:
        """When a weight is read."""
        return self.due

    def _drop(self, now: int) -> None:
        kept = [row for row in self.waiting if now - row[2] <= self._within_ms]
        self.missed += len(self.waiting) - len(kept)
        self.waiting = kept

    def _read(self, kg: float, now: int) -> None:
        line = self._line
        self._drop(now)
        if not self.waiting:
            self._refuse(f"{kg:.3f} kg weighed, and no gutter waits for its weight: not used")
            return
        gutter, crop, _ = self.waiting.pop(0)
        facts = line.crops.get(crop)
        expected_kg = facts.yield_kg if facts is not None else 0.0
        said = crop.replace("_", " ") or "crop not known"
        if not LEAST * expected_kg <= kg <= MOST * expected_kg:
            expected = f"{expected_kg:g} kg expected"
            self._refuse(f"gutter {gutter} ({said}) weighed {kg:.3f} kg, {expected}: not used")
            return
        text = f"gutter {gutter} ({said}) weighed {kg:.3f} kg"
        data = {"gutter": gutter, "crop": crop, "kg": round(kg, 3)}
        line.emit(Event(now, "gutter_weight", self._name, text, data))
        line.order.weighed(crop, kg)

    def _refuse(self, text: str) -> None:
        self.unused += 1
        self._line.note(text, self._name)

    def status(self) -> dict[str, Any] | None:
        """For `status`: gutters that wait for their weight, were not weighed in time, and weights
        that were not used; None without a scale."""
        if not self._mapped:
            return None
        counts = {"waiting": len(self.waiting), "missed": self.missed, "unused": self.unused}
        return {"packing": self._name, **counts}

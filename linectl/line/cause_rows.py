"""The rows of the matrix as the line runs them: conditions on points, and what each row stops.

Every interlock is a `Cause` row, whether a site file wrote it or `build` derived it from the
machine's structure. A condition on a bad point counts as holding: absent is the safe side.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

from linectl.line.inputs import Inputs

Bad = Literal["present", "left_out", "absent"]
"""What a bad point's condition counts as: holding, nothing (the vote goes on among the good
ones), or not holding (only rows that another row stands in for, such as a supply's)."""


@dataclass(frozen=True)
class Test:
    """One comparison: present at `level`, below `low`, above `high`; none given: only when bad."""

    index: int
    level: bool | None = None
    low: float | None = None
    high: float | None = None
    hysteresis: float = 0.0
    """By how much a number must come back before the comparison ends."""

    def holds(self, inputs: Inputs, held: bool) -> bool:
        """The comparison on a good point. `held`: it held when it was last judged."""
        if self.level is not None:
            return inputs.on[self.index] == self.level
        if self.low is None and self.high is None:
            return False
        value = inputs.value[self.index]
        slack = self.hysteresis if held else 0.0
        return (self.low is None or value < self.low + slack) and (
            self.high is None or value > self.high - slack
        )


class Action(NamedTuple):
    """What a row asks of a unit. `latched`: until its reset, else while the cause is present."""

    unit: str
    action: str
    """abort, hold or suspend."""
    latched: bool


class Hold(NamedTuple):
    """A station that may not begin another gutter."""

    station: str
    latched: bool


@dataclass(frozen=True)
class Cause:
    """One row of the matrix. Bits are those of outputs by point index."""

    name: str
    text: str
    do: str
    tests: tuple[Test, ...]
    vote: int = 0
    """So many tests must hold; 0: all."""
    bad: Bad = "present"
    on_delay_ms: int = 0
    off_delay_ms: int = 0
    modes: frozenset[str] = frozenset()
    """Enabled while a unit of `units` is in one of these; empty: always."""
    units: tuple[str, ...] = ()
    """The units that it concerns."""
    moment: str = "at_once"
    reset: Literal["automatic", "interlock", "at_machine"] = "automatic"
    zone: str = ""
    """Where its first point is: an `at_machine` row is reset by that zone's button only."""
    priority: str | None = None
    """None: a permissive, which is no alarm."""
    acts: int = 0
    """Outputs that are off while the cause is present."""
    latches: int = 0
    """Outputs that are off until its reset."""
    bars: int = 0
    """Outputs that may not come on while the cause is present (permissive cells)."""
    actions: tuple[Action, ...] = ()
    stations: tuple[Hold, ...] = ()
    bars_units: tuple[str, ...] = ()
    """Units that may not start while the cause is present (permissive cells)."""
    silence: bool = False
    """The row that stands for its device's silence; other rows keep quiet while points are bad."""
    together_ms: int = 0
    """Above 0: present only if its tests came to hold within that time (a lost supply)."""
    explains: tuple[str, ...] = ()
    """Causes that follow from this one and say nothing of their own beside it."""

    @property
    def blocks(self) -> int:
        """Every output that it switches off."""
        return self.acts | self.latches

    @property
    def latched(self) -> bool:
        """Something of it stays until a reset."""
        return self.reset != "automatic"

    @property
    def needed(self) -> int:
        """How many tests must hold."""
        return self.vote or len(self.tests)

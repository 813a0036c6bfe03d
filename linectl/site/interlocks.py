"""Interlocks as interlocks.yaml writes them: causes, effects, and which cause stops what."""

from __future__ import annotations

from typing import Annotated, Literal, NamedTuple

from pydantic import Field

from linectl.site.alarm_help import AlarmHelp, AlarmKey
from linectl.site.fields import Duration, Facts, Name, Timer
from linectl.site.machine import UnitName

Kind = Literal["acts", "latched", "permissive"]
"""acts: while the cause is present. latched: until the cause's reset. permissive: what is off may
not come on, what stands may not start; what runs goes on."""
ModeName = Literal["production", "dry_cycle", "step", "jog", "cleaning", "maintenance"]


class Condition(Facts):
    """One comparison on one point; true means: this part of the cause is present."""

    point: str
    is_: bool | None = Field(default=None, alias="is")
    below: float | None = None
    above: float | None = None
    hysteresis: float = Field(default=0.0, ge=0)
    """By how much the value must come back before the comparison ends, in the point's unit."""


class Bypass(Facts):
    """A named person may keep this cause from acting, for a stated reason and a limited time."""

    limit_ms: Timer = Field(alias="limit")
    """The longest time that may be asked for."""


class Cause(Facts):
    """Present when enough conditions hold. A bad point's condition counts as holding."""

    text: str
    """What a person reads: `guard at the seeder open`."""
    when: Annotated[tuple[Condition, ...], Field(min_length=1)]
    vote: Annotated[int, Field(ge=1)] | None = None
    """So many of the conditions make the cause present (2 of 3); none: all of them."""
    bad: Literal["present", "left_out"] = "present"
    """present: a bad point counts as its condition holding. left_out: the vote goes on among the
    good ones; with fewer good ones than votes needed the cause is present."""
    on_delay_ms: Duration = Field(default=0, alias="on_delay")
    off_delay_ms: Duration = Field(default=0, alias="off_delay")
    modes: tuple[ModeName, ...] = ()
    """Enabled only while a unit that it concerns is in one of these; none: always."""
    moment: Literal["at_once", "end_of_step", "before_next_gutter", "warn"] = "at_once"
    reset: Literal["automatic", "interlock", "at_machine"] = "automatic"
    """automatic: ends with its condition. interlock: interlock reset, by button or command.
    at_machine: only by the interlock reset button of its own zone."""
    priority: Literal["high", "medium", "low"] = "high"
    consequence: str = ""
    """What follows if nobody acts, in a sentence."""
    do: str
    """What to do about it, in a sentence."""
    bypass: Bypass | None = None
    """None: it is never bypassed."""
    test_every_ms: Annotated[Timer, Field(ge=86_400_000)] | None = Field(
        default=None, alias="test_every"
    )
    """How long a field test of it is good: `365d`; at least a day."""
    follows: tuple[Name, ...] = ()
    """Causes that follow from this one: beside it they are told as "after it", not as first."""


class Effect(Facts):
    """What a cause may stop: exactly one of outputs, zone or unit."""

    outputs: tuple[str, ...] = ()
    zone: Name | None = None
    """Every moving output of that zone off."""
    unit: UnitName | None = None
    action: Literal["abort", "hold", "suspend"] | None = None
    """Not needed where every cell of the effect is permissive: the unit may then not start."""
    station: Name | None = None
    """That station may not begin another gutter."""


class Cell(NamedTuple):
    """One cell of the matrix that is not blank."""

    cause: str
    effect: str
    kind: Kind


class InterlockFile(Facts):
    """interlocks.yaml."""

    causes: dict[Name, Cause]
    effects: dict[Name, Effect]
    matrix: dict[Name, tuple[Name, ...] | dict[Name, Kind]]
    """cause → its effects, each with its kind; in a plain list every cell is latched if the cause
    has a reset, else it acts while the cause is present."""
    alarms: dict[AlarmKey, AlarmHelp] = Field(default_factory=dict)
    """Help for the alarms that the line raises by itself, by kind or by tag."""

    def cells(self, cause: str) -> tuple[Cell, ...]:
        """The cells of a cause's row, in the order of the file."""
        row = self.matrix.get(cause, ())
        if isinstance(row, dict):
            return tuple(Cell(cause, effect, kind) for effect, kind in row.items())
        usual: Kind = "acts" if self.causes[cause].reset == "automatic" else "latched"
        return tuple(Cell(cause, effect, usual) for effect in row)


def cells_written(row: object) -> dict[str, str | None]:
    """A row of the matrix as it is written, checked or not: effect → the kind of its cell, None
    where a plain list leaves it to the cause's reset."""
    if isinstance(row, dict):
        return {str(effect): str(kind) for effect, kind in row.items()}
    return {str(effect): None for effect in row} if isinstance(row, list) else {}

"""Interlocks as interlocks.yaml writes them: causes, effects, and which cause stops what."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from linectl.site.fields import Duration, Facts, Name


class Condition(Facts):
    """One comparison on one point; true means: this part of the cause is present."""

    point: str
    is_: bool | None = Field(default=None, alias="is")
    below: float | None = None
    above: float | None = None


class Cause(Facts):
    """Present when every condition holds, or when a named point's quality is bad."""

    text: str
    """What a person reads: `guard at the seeder open`."""
    when: Annotated[tuple[Condition, ...], Field(min_length=1)]
    on_delay_ms: Duration = Field(default=0, alias="on_delay")
    moment: Literal["at_once", "end_of_step", "before_next_gutter", "warn"] = "at_once"
    reset: Literal["automatic", "interlock", "at_machine"] = "automatic"
    priority: Literal["high", "medium", "low"] = "high"
    do: str
    """What to do about it, in a sentence."""


class Effect(Facts):
    """What a cause may stop: exactly one of outputs, zone or unit."""

    outputs: tuple[str, ...] = ()
    zone: Name | None = None
    """Every moving output of that zone off."""
    unit: Literal["sowing", "harvest"] | None = None
    action: Literal["abort", "hold", "suspend"] | None = None
    station: Name | None = None
    """That station may not begin another gutter."""


class InterlockFile(Facts):
    """interlocks.yaml."""

    causes: dict[Name, Cause]
    effects: dict[Name, Effect]
    matrix: dict[Name, tuple[Name, ...]]
    """cause → the effects it has."""

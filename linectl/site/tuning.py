"""The section `tuning` of site.yaml: how far timers and doses may be changed on a running line."""

from __future__ import annotations

from typing import Annotated, Self

from pydantic import BeforeValidator, Field, model_validator

from linectl.site.durations import DURATION_PATTERN, parse_duration
from linectl.site.fields import Facts

SHARE = 0.2
"""Where the site says nothing (common practice, no source)."""


def _limit(value: object) -> object:
    return float(parse_duration(value)) if isinstance(value, str) else value


class _Written:
    """Marks a limit in the JSON Schema: a duration, or a number."""

    @classmethod
    def __get_pydantic_json_schema__(cls, schema: object, handler: object) -> dict[str, object]:
        return {
            "type": ["string", "number"],
            "pattern": DURATION_PATTERN,
            "minimum": 0,
            "description": "a duration (6s) for a timer; a number, in the key's own unit, else",
        }


Limit = Annotated[float, BeforeValidator(_limit), Field(ge=0), _Written]


class Bounds(Facts):
    """The least and the most that one value may be tuned to: a timer's in ms."""

    least: Limit
    most: Limit

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.least >= self.most:
            raise ValueError("most must be above least")
        return self


class Tuning(Facts):
    """What may be tuned while the line runs, and how far."""

    share: Annotated[float, Field(ge=0, lt=1)] = SHARE
    """Of a timer or a dose without bounds of its own: so much above and below what the controller
    started with; 0: only what has bounds may be tuned."""
    bounds: dict[str, Bounds] = Field(default_factory=dict)
    """By path: `stations.tamp.press_timeout`, `crops.rocket.water_ml`."""

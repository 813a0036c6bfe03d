"""The field types that site files are made of: frozen models, durations, numbers with a range."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from linectl.site.durations import DURATION_PATTERN, parse_duration


def _duration(value: object) -> object:
    if isinstance(value, str):
        return parse_duration(value)
    if isinstance(value, int) and not isinstance(value, bool):
        raise ValueError(f"write the unit: {value}ms or {value}s")
    return value


class Facts(BaseModel):
    """A frozen record of a site file; a key it does not know is an error."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)


class _Text:
    """Marks a duration as a string in the JSON Schema."""

    @classmethod
    def __get_pydantic_json_schema__(cls, schema: object, handler: object) -> dict[str, str]:
        return {
            "type": "string",
            "pattern": DURATION_PATTERN,
            "description": "a duration: 250ms, 40s, 22m30s, 2h, 25d",
        }


Duration = Annotated[int, BeforeValidator(_duration), Field(ge=0), _Text]
"""Milliseconds; written with a unit."""

Timer = Annotated[int, BeforeValidator(_duration), Field(gt=0), _Text]
"""Milliseconds above zero; written with a unit."""

Name = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$")]
"""A lower-case word: letters, digits, underscore."""

Millimetres = Annotated[int, Field(ge=0)]
"""Whole millimetres."""

"""The field types that site files are made of: frozen models, durations, masses, ranges."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from linectl.site.durations import DURATION_PATTERN, parse_duration
from linectl.site.masses import MASS_PATTERN, parse_mass_kg


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


def _mass(value: object) -> object:
    return parse_mass_kg(value) if isinstance(value, str) else value


class _Weighed:
    """Marks a mass in the JSON Schema: text with its unit, or a number of kilograms."""

    @classmethod
    def __get_pydantic_json_schema__(cls, schema: object, handler: object) -> dict[str, object]:
        return {
            "type": ["string", "number"],
            "pattern": MASS_PATTERN,
            "exclusiveMinimum": 0,
            "description": "a mass: 125g, 2.2kg, 8oz, 2.5lb; a bare number is kilograms",
        }


Mass = Annotated[float, BeforeValidator(_mass), Field(gt=0), _Weighed]
"""Kilograms above zero; written with a unit, or as a bare number of kilograms."""

Name = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$")]
"""A lower-case word: letters, digits, underscore."""

Millimetres = Annotated[int, Field(ge=0)]
"""Whole millimetres."""

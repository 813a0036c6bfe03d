"""Crops as crops.yaml writes them: what is dosed and how long it stands."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from linectl.site.fields import Facts, Name, Timer


class Crop(Facts):
    """One crop. Yields and days are the grower's own figures."""

    seed_form: Literal["pelleted", "raw"]
    seeds_per_gutter: int = Field(gt=0)
    substrate_l: float = Field(gt=0)
    """Loose substrate per gutter, litres."""
    water_ml: float = Field(gt=0)
    """Water per gutter, millilitres."""
    days_ms: Timer = Field(alias="days")
    """Planned time from sowing to harvest."""
    ripe_after_ms: Timer = Field(alias="ripe_after")
    """Not taken before this age without a person."""
    yield_kg: float = Field(gt=0)
    """Expected fresh mass per gutter, kg."""


class CropFile(Facts):
    """crops.yaml: the crops, and blends as shares of gutters."""

    crops: dict[Name, Crop]
    blends: dict[Name, dict[Name, int]] = Field(default_factory=dict)

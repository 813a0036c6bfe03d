"""Crops as crops.yaml writes them: what is dosed, how long it stands, what it yields, in blends."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from linectl.site.fields import Facts, Mass, Name, Timer


def in_words(name: str) -> str:
    """A crop's name as people say it; empty stays empty."""
    return name.replace("_", " ")


Share = Annotated[float, Field(gt=0, le=1)]
Above = Annotated[float, Field(gt=0)]


class Substrate(Facts):
    """What gutters are filled with, as it lies loose in the hopper."""

    density_g_l: Above
    """Bulk density of the loose substrate, grams per litre."""
    tamp_ratio: Annotated[float, Field(ge=1)] = 1.0
    """Loose volume by tamped volume: tamping multiplies the density by it, mass kept."""


class Crop(Facts):
    """One crop. Yields and days are the grower's own figures."""

    seed_form: Literal["pelleted", "raw"]
    seeds_per_gutter: int = Field(gt=0)
    rows: Annotated[int, Field(gt=0)] = 1
    """Rows of cells along the gutter."""
    seeds_per_cell: Annotated[int, Field(gt=0)] = 1
    spacing_mm: Above | None = None
    """Wanted distance between cells of a row; None: as seeds, rows and length give it."""
    thousand_seed_g: Above | None = None
    """Mass of a thousand seeds as they are sown (of pellets, if pelleted), grams."""
    germination: Share | None = None
    """Share of seeds that become plants."""
    substrate_l: float = Field(gt=0)
    """Loose substrate per gutter, litres."""
    substrate: Name | None = None
    """Which of the file's substrates; None: nothing but its volume is known."""
    water_ml: float = Field(gt=0)
    """Water per gutter, millilitres."""
    days_ms: Timer = Field(alias="days")
    """Planned time from sowing to harvest."""
    ripe_after_ms: Timer = Field(alias="ripe_after")
    """Not taken before this age without a person."""
    yield_kg: float = Field(gt=0)
    """Expected fresh mass per gutter, kg."""
    yield_spread: Annotated[float, Field(ge=0, lt=1)] = 0.1
    """Standard deviation between gutters as a share of the yield (common practice, no source)."""
    loss: Annotated[float, Field(ge=0, lt=1)] = 0.0
    """Share of sown gutters that are never packed."""


class Blend(Facts):
    """Crops mixed in the harvest stream: asked by gutters or by mass, never by both."""

    gutters: dict[Name, Annotated[int, Field(gt=0)]] | None = None
    """Whole gutters of each crop, as a ratio."""
    mass: dict[Name, Above] | None = None
    """Share of each crop in the mass; they add up to 1, or are taken as a ratio."""
    tolerance: Annotated[float, Field(gt=0, lt=1)] = 0.02
    """By how much a crop's share of the mass may miss what was asked."""
    packs_kg: Annotated[tuple[Mass, ...], Field(alias="packs")] = ()
    """Weights of the packs that this blend is sold in, kg."""

    @property
    def crops(self) -> tuple[str, ...]:
        """Its crops in the file's order."""
        return tuple(self.gutters or self.mass or ())


class CropFile(Facts):
    """crops.yaml: crops, the substrates they stand in, the blends they go into."""

    crops: dict[Name, Crop]
    substrates: dict[Name, Substrate] = Field(default_factory=dict)
    blends: dict[Name, Blend] = Field(default_factory=dict)

"""calibration.yaml: what commissioning measured of doser, water meter, drum and drives.

A factor is what came for each one asked: 1.03 means that the device gives 3 % too much, so it is
asked for that much less. What nobody has measured counts as right.
"""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Self

from pydantic import Field, model_validator

from linectl.site.fields import Facts, Name

FACTOR_LEAST, FACTOR_MOST = 0.5, 2.0
Factor = Annotated[float, Field(ge=FACTOR_LEAST, le=FACTOR_MOST)]
"""Beyond these limits the nominal figure is wrong, not the device (common practice, no source)."""
Hertz = Annotated[float, Field(ge=0)]


class Measured(Facts):
    """Who measured, when, with what."""

    by: Annotated[str, Field(min_length=1)]
    on: dt.date
    valid_until: dt.date | None = None
    """The last day on which it is good; None: until it is measured anew."""
    lot: str = Field(default="", alias="with")
    """The substrate or seed lot that it was measured with."""


class DoserCalibration(Measured):
    """The doser: litres that fell for each litre asked."""

    factor: Factor


class WaterCalibration(Measured):
    """The nozzle bar and its meter."""

    factor: Factor = 1.0
    """Millilitres that flowed for each one asked."""
    pulses_per_l: Annotated[float, Field(gt=0)] | None = None
    """Pulses that the meter gave for a litre that was weighed; None: as site.yaml says."""


class DrumCalibration(Measured):
    """The vacuum drum: seeds that it let down for each one asked, at working vacuum."""

    factor: Factor = 1.0
    """Singulation of all seed that `crops` does not name."""
    crops: dict[Name, Factor] = Field(default_factory=dict)
    """The factor of a crop's own seed."""
    holes_per_row: Annotated[int, Field(gt=0)] | None = None
    """Holes round the drum in each row; None: its speed in rev/min is not known."""
    vacuum_kpa: Annotated[float, Field(gt=0)] | None = None
    """The vacuum that the relief valve is set to, in kPa below atmosphere: that of the best
    quality of feed. It is set by hand; the line does not read it."""
    quality: Annotated[float, Field(ge=0, le=1)] | None = None
    """Quality of feed at that vacuum, ISO 7256-1, as a share."""

    def factor_of(self, crop: str) -> float:
        """Seeds let down for each one asked of this crop."""
        return self.crops.get(crop, self.factor)


class DriveCalibration(Measured):
    """A drive that is told a frequency: value = per_hz · (Hz − offset_hz) between its limits."""

    per_hz: Annotated[float, Field(gt=0)]
    """Of the set-point's own unit (ml/s, seeds/s, mm/s) for each hertz."""
    offset_hz: float = 0.0
    """The frequency at which it would just not turn."""
    least_hz: Hertz = 0.0
    most_hz: Annotated[float, Field(gt=0)]

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if not max(self.least_hz, self.offset_hz) < self.most_hz:
            raise ValueError(
                f"most_hz {self.most_hz:g} must be above least_hz {self.least_hz:g} and"
                f" offset_hz {self.offset_hz:g}"
            )
        return self


def is_hertz(unit: str) -> bool:
    """True if io.csv says that a set-point is a frequency."""
    return unit.strip().lower() == "hz"


class CalibrationFile(Facts):
    """calibration.yaml."""

    doser: DoserCalibration | None = None
    water: WaterCalibration | None = None
    drum: DrumCalibration | None = None
    drives: dict[str, DriveCalibration] = Field(default_factory=dict)
    """By the tag of the set-point, whose unit in io.csv is Hz: `fill.doser_rate`."""

    @property
    def doser_factor(self) -> float:
        """Litres for each litre asked; 1 if nobody has measured."""
        return self.doser.factor if self.doser else 1.0

    @property
    def water_factor(self) -> float:
        """Millilitres for each one asked; 1 if nobody has measured."""
        return self.water.factor if self.water else 1.0

    def drum_factor(self, crop: str) -> float:
        """Seeds for each one asked; 1 if nobody has measured."""
        return self.drum.factor_of(crop) if self.drum else 1.0

    def expired(self, day: dt.date) -> tuple[tuple[str, Measured], ...]:
        """The entries that are no longer good on that day, with their keys."""
        entries: dict[str, Measured | None] = {
            "doser": self.doser, "water": self.water, "drum": self.drum,
            **{f"drives.{tag}": drive for tag, drive in self.drives.items()},
        }  # fmt: skip
        return tuple(
            (key, one)
            for key, one in entries.items()
            if one is not None and one.valid_until is not None and one.valid_until < day
        )

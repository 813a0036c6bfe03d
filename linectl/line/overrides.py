"""Overrides: values that the logic uses instead of its own, set by a person for a time.

    ripe-check off     a tail is taken though it is not ripe by its age
    water-dose ML      millilitres for each gutter instead of the crop's

Neither is a value at the image (a force), nor does it keep an interlock from acting (a bypass).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from linectl.line.grants import GRANT_MS_MAX, Grant, Grants, terms
from linectl.site.complaints import nearest
from linectl.site.durations import format_duration

if TYPE_CHECKING:
    from linectl.line.units import Unit

RIPE_CHECK, WATER_DOSE = "ripe-check", "water-dose"
UNIT_OF = {RIPE_CHECK: "harvest", WATER_DOSE: "sowing"}
DOSE_SHARES = (0.5, 1.5)
"""Least and most share of the crop's own dose: beyond it the crop's file is what is wrong.
Common practice, no source."""


class Overrides(Grants):
    """The values in force instead of the logic's own, by name."""

    KIND = "override"

    def begin(self, name: str, word: str, duration: str, reason: str, by: str) -> str | None:
        """Override a value of the logic. None when it stands, else why not."""
        if name not in UNIT_OF:
            return f"{name!r} cannot be overridden; {nearest(name, UNIT_OF)}"
        value = self._dose(word) if name == WATER_DOSE else self._off(word)
        if isinstance(value, str):
            return value
        length_ms = terms(duration, reason, by, GRANT_MS_MAX)
        if isinstance(length_ms, str):
            return length_ms
        return self.add(name, value, length_ms, reason, by)

    def _off(self, word: str) -> bool | str:
        return False if word == "off" else f"{word!r}: {RIPE_CHECK} can only be overridden off"

    def _dose(self, word: str) -> float | str:
        crop = self.line.crop_in_drum
        own = self.line.crops[crop].water_ml
        least, most = (own * share for share in DOSE_SHARES)
        try:
            dose = float(word)
        except ValueError:
            dose = float("nan")
        if least <= dose <= most:
            return dose
        return f"{word!r}: {WATER_DOSE} of {crop} goes from {least:g} to {most:g} ml"

    def ripe_check(self) -> bool:
        """False while the check of ripeness is overridden."""
        return RIPE_CHECK not in self.standing

    def water_ml(self, own: float) -> float:
        """The dose in force: the crop's own if none overrides it."""
        grant = self.standing.get(WATER_DOSE)
        return own if grant is None else float(grant.value)

    def crop_changed(self) -> None:
        """A dose was set for the crop that was in the drum."""
        if WATER_DOSE in self.standing:
            self.end(WATER_DOSE, "another crop in the drum")

    def units_of(self, name: str) -> tuple[Unit, ...]:
        return tuple(unit for unit in self.line.units if unit.name == UNIT_OF[name])

    def text(self, grant: Grant) -> str:
        value = "off" if grant.name == RIPE_CHECK else f"{grant.shown} ml"
        span = format_duration(grant.due - grant.since)
        return f"{grant.name} overridden to {value} by {grant.by} for {span}: {grant.reason}"

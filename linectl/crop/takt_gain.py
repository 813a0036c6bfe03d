"""What would raise the takt: the station that sets it, its steps by cost, and who is next.

A faster step of the slowest station gains only until the next slowest sets the takt instead.
"""

from __future__ import annotations

from dataclasses import dataclass

from linectl.crop.site_takt import SiteTakt
from linectl.crop.takt import HOUR_MS, Step

LANES = "lanes"
"""What sets the takt when all lanes together take fewer gutters than every station could give."""


@dataclass(frozen=True)
class TaktGain:
    """The slowest of stations and lanes, and what a faster one could gain. Times in ms."""

    setter: str
    """A station, or "lanes"."""
    takt_ms: float
    steps: tuple[Step, ...]
    """Of the setting station, the dearest first, each with its reaction; none for the lanes."""
    next_name: str
    next_ms: float

    @property
    def gain_ms(self) -> float:
        """What can be gained at the setter before the next one sets the takt."""
        return self.takt_ms - self.next_ms


def takt_gain(takt: SiteTakt) -> TaktGain:
    """Who sets the takt of a site, by its stations and its lanes together."""
    ranked = sorted(
        [(c.cycle_ms, c.name) for c in takt.stations] + [(HOUR_MS / takt.lanes_per_hour, LANES)],
        key=lambda row: -row[0],
    )
    (takt_ms, setter), (next_ms, next_name) = ranked[:2]
    station = next((c for c in takt.stations if c.name == setter), None)
    steps = () if station is None else station.steps
    reaction_ms = 0.0 if station is None else station.allowance_ms
    dear = sorted((Step(s.text, s.ms + reaction_ms) for s in steps), key=lambda s: -s.ms)
    return TaktGain(setter, takt_ms, tuple(dear), next_name, next_ms)

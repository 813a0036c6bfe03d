"""What a gutter will yield: drawn when it is seeded, weighed when people in the hall take it.

Each draw comes from a stream of its own, so that no other part's chance shifts with it: a gutter
is lost with the crop's share `loss` and yields nothing, else its mass is normal about the crop's
yield with the crop's spread, cut at 0.2 and 1.8 of the yield (no gutter yields less than nothing;
a normal spread of yields is common practice, no source).
"""

from __future__ import annotations

from linectl.site.crops import Crop
from linectl_sim.world import World

LEAST, MOST = 0.2, 1.8
"""Shares of the crop's yield between which a gutter's mass is kept."""


class Yields:
    """Draws the yield of one gutter after another."""

    def __init__(self, world: World) -> None:
        self._crops = world.site.crops.crops
        self._random = world.stream("yields")

    def draw(self, crop: str) -> float:
        """Fresh mass of the next gutter of that crop, kg; 0 for one that is lost.

        Two numbers of the stream are used whatever comes of them. A crop that crops.yaml does not
        have yields nothing.
        """
        chance, deviate = self._random.random(), self._random.gauss(0.0, 1.0)
        facts = self._crops.get(crop)
        if facts is None or chance < facts.loss:
            return 0.0
        return _kept(facts, deviate)


def _kept(facts: Crop, deviate: float) -> float:
    share = 1.0 + facts.yield_spread * deviate
    return facts.yield_kg * min(max(share, LEAST), MOST)

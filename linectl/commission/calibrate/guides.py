"""What can be calibrated: one guide for each WHAT of `linectl calibrate SITE WHAT`."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from linectl.commission.calibrate import carriage, doser, drum, water
from linectl.commission.calibrate.work import Outcome, Work


@dataclass(frozen=True)
class Guide:
    """One WHAT. `run` guides the person through a round; raises Ended when they go away."""

    text: str
    run: Callable[[Work], Outcome]
    undo: Callable[[Work], Outcome]
    """Puts back what the last round has changed, in one step."""


GUIDES: Mapping[str, Guide] = {
    "doser": Guide("litres of substrate for each litre asked", doser.calibrate, doser.undo),
    "water": Guide("millilitres, and the meter's pulses, for a litre", water.calibrate, water.undo),
    "drum": Guide("seeds for each one asked, and the best vacuum", drum.calibrate, drum.undo),
    "carriage": Guide("where its places are on the encoder", carriage.calibrate, carriage.undo),
}

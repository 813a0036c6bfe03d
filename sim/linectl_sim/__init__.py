"""The plant model: bodies that move, devices with points, people, faults, and the auditor."""

from __future__ import annotations

from linectl.site.model import Site
from linectl_sim.plant import PlantModel

__all__ = ["PlantModel", "open"]


def open(site: Site, seed: int) -> PlantModel:
    """A plant of that site at time 0, its lanes empty. The same seed gives the same plant."""
    return PlantModel(site, seed)

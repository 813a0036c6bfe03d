"""Every place a gutter can be at, from the site: names, kinds, and the slots of runs."""

from __future__ import annotations

from typing import NamedTuple

from linectl.errors import LedgerBroken
from linectl.site.machine import SOWING_KINDS
from linectl.site.model import Site

ENDS = ("stock", "reject", "removed")
"""Places outside the machine; `packing` is a station and an end at once."""

UNKNOWN = -1
"""Gutter id of a slot whose gutter nobody has named."""


class Place(NamedTuple):
    """One place or one run of slots. kind: sowing, harvest (stations), run, transfer, end."""

    name: str
    kind: str
    lane: int | None
    slots: int


def site_places(site: Site) -> list[Place]:
    """All places of a site; a run is one entry with its slots."""
    found = [Place(name, "end", None, 1) for name in ENDS]
    for name, station in site.file.stations.items():
        kind = "sowing" if station.kind in SOWING_KINDS else "harvest"
        kind = "end" if station.kind == "packing" else kind
        found.append(Place(name, kind, None, 1))
    for lane in site.file.lanes:
        for run in lane.runs:
            found.append(Place(f"{lane.prefix}.{run.name}", "run", lane.id, run.slots))
        for transfer in lane.transfers:
            found.append(Place(f"{lane.prefix}.{transfer.name}", "transfer", lane.id, 1))
    return found


def split_slot(place: str) -> tuple[str, int]:
    """`lane3.germ.17` → (`lane3.germ`, 17); a place without slots → (place, 0).

    Raises LedgerBroken when the last part of a three-part name is not a slot number.
    """
    head, dot, tail = place.rpartition(".")
    if not dot or "." not in head:
        return place, 0
    if not tail.isdigit():
        raise LedgerBroken(f"place {place!r}: {tail!r} is not a slot number (lane3.germ.17)")
    return head, int(tail)

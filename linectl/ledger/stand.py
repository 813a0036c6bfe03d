"""What stands in the lanes by a ledger, and what people have set, read beside a controller that
may be writing it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import NamedTuple

from linectl.errors import LedgerUnreachable
from linectl.image import LaneSet, Slot
from linectl.ledger.looking import looking
from linectl.ledger.places import UNKNOWN
from linectl.ledger.restart import LAST_SET

_STANDING = """
SELECT p.name, p.kind, p.strokes - g.seat, g.id, g.crop, coalesce(g.sown_ms, g.indexed_ms, b.at),
       coalesce(g.ripe_ms, g.indexed_ms, b.at)
FROM places p CROSS JOIN gutters g ON g.place = p.id
CROSS JOIN (SELECT min(started_ms) AS at FROM boots) b
WHERE p.kind IN ('run', 'transfer') ORDER BY p.id, 3
"""


def read_stand(path: str, site: str) -> list[Slot]:
    """The slots that hold a gutter, from mouth to tail. Times are Unix ms.

    A gutter that was never sown has stood since it was indexed; one that nobody has named is -1,
    and has stood since the ledger began. Raises LedgerUnreachable: no such file, no ledger,
    another site's.
    """
    with looking(path) as connection:
        known = connection.execute("SELECT value FROM meta WHERE key = 'site'").fetchone()
        if known is not None and known[0] != site:
            raise LedgerUnreachable(f"ledger {path}: it belongs to site {known[0]}, not to {site}")
        rows = connection.execute(_STANDING).fetchall()
    return [
        Slot(
            f"{name}.{slot}" if kind == "run" else name,
            max(gutter, UNKNOWN), crop or "", sown_ms or 0, ripe_ms or 0,
        )
        for name, kind, slot, gutter, crop, sown_ms, ripe_ms in rows
    ]  # fmt: skip


class LastSet(NamedTuple):
    """What people have set last."""

    lanes: Mapping[int, LaneSet]
    crop: str
    """In the drum; empty: nobody has changed the site's."""


def read_last_set(path: str) -> LastSet:
    """By the record of all boots. Raises LedgerUnreachable: no such file, no ledger."""
    with looking(path) as connection:
        lanes = connection.execute(LAST_SET, ("lane_set",)).fetchall()
        drum = connection.execute(LAST_SET, ("crop_set",)).fetchall()
    return LastSet(
        {int(lane.removeprefix("lane")): LaneSet(**json.loads(data)) for lane, data in lanes},
        json.loads(drum[-1][1])["crop"] if drum else "",
    )

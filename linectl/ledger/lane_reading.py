"""What stands in the lanes, and what each lane gave lately: read beside a controller that runs."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from linectl.errors import LedgerUnreachable
from linectl.ledger.by_time import MOVES, first_at
from linectl.ledger.checkpoint import ARCHIVE
from linectl.ledger.looking import looking
from linectl.ledger.places import UNKNOWN
from linectl.ledger.schema import KINDS
from linectl.ledger.shift_reading import DAY_MS, CropDays, Standing


@dataclass(frozen=True)
class Reach:
    """From when to when the ledger has moves; Unix ms."""

    first_ms: int
    last_ms: int


@dataclass(frozen=True)
class LaneRecord:
    """What stands now, and ejects by lane in each of the stretches asked for."""

    slots: tuple[Standing, ...]
    crops: dict[str, CropDays]
    ejected: tuple[Counter[int], ...]
    """One for each stretch: gutters by lane."""


def reach(path: str, site: str) -> Reach:
    """From when to when.

    Raises LedgerUnreachable: no such file, not a ledger, another site's, or nothing in it yet.
    """
    with looking(path) as connection:
        run = connection.execute
        known = run("SELECT value FROM meta WHERE key = 'site'").fetchone()
        if known is not None and known[0] != site:
            raise LedgerUnreachable(f"ledger {path}: it belongs to site {known[0]}, not to {site}")
        first_ms, last_ms = run(
            "SELECT min(started_ms), max(max(started_ms, coalesce(ended_ms, 0))) FROM boots"
        ).fetchone()
        if first_ms is None:
            raise LedgerUnreachable(f"ledger {path}: no controller has written to it yet")
        (cut_ms,) = run("SELECT max(at_ms) FROM checkpoint WHERE why = ?", (ARCHIVE,)).fetchone()
        (event_ms,) = run("SELECT max(at_ms) FROM (SELECT at_ms FROM events ORDER BY id DESC"
                          " LIMIT 1)").fetchone()  # fmt: skip
        (move_ms,) = run(
            "SELECT max(intended_ms + coalesce(took_ms, 0)) FROM (SELECT * FROM moves"
            " ORDER BY number DESC LIMIT 50)"
        ).fetchone()
        return Reach(max(first_ms, cut_ms or 0), max(last_ms, event_ms or 0, move_ms or 0))


def read_lanes(path: str, bounds_ms: Sequence[int]) -> LaneRecord:
    """What stands now; ejects seen done between each bound and the next one. LedgerUnreachable."""
    with looking(path) as connection:
        slots = connection.execute(
            "SELECT lane, run, slot, gutter, crop, sown_ms FROM slots ORDER BY lane, run, slot"
        )
        standing = tuple(
            Standing(lane, run, slot, max(gutter, UNKNOWN), crop, sown_ms)
            for lane, run, slot, gutter, crop, sown_ms in slots
        )
        rows = connection.execute("SELECT name, days_ms, ripe_after_ms FROM crops")
        crops = {name: CropDays(days, ripe) for name, days, ripe in rows}
        ejects: list[tuple[int, int]] = []
        if bounds_ms:
            ejects = connection.execute(
                "SELECT p.lane, m.intended_ms + m.took_ms FROM moves AS m"
                " JOIN places AS p ON p.id = m.source"
                " WHERE m.number >= ? AND m.number < ? AND m.kind = ? AND m.took_ms IS NOT NULL",
                (
                    first_at(connection, MOVES, bounds_ms[0] - DAY_MS),
                    first_at(connection, MOVES, bounds_ms[-1]),
                    KINDS["eject"],
                ),
            ).fetchall()
    return LaneRecord(
        standing,
        crops,
        tuple(
            Counter(lane for lane, done_ms in ejects if start <= done_ms < end)
            for start, end in pairwise(bounds_ms)
        ),
    )

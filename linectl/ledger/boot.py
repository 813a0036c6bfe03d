"""A boot begins: the record is held against the site before anything is written to it."""

from __future__ import annotations

import sqlite3

from linectl import __version__
from linectl.errors import LedgerBroken, LedgerUnreachable
from linectl.ledger.opening import explain
from linectl.ledger.places import Place, site_places
from linectl.site.model import Site

CROP = """
INSERT INTO crops (name, seed_form, days_ms, ripe_after_ms) VALUES (?, ?, ?, ?)
ON CONFLICT (name) DO UPDATE SET
    seed_form = excluded.seed_form, days_ms = excluded.days_ms,
    ripe_after_ms = excluded.ripe_after_ms
"""

PLACE = """
INSERT INTO places (name, kind, lane, slots) VALUES (?, ?, ?, ?)
ON CONFLICT (name) DO UPDATE SET kind = excluded.kind, slots = excluded.slots
"""

BOOT = """
INSERT INTO boots (started_ms, wall_ms, machine, uptime_ms, digest, version, in_lanes)
SELECT ?, ?, '', 0, ?, ?, count(*) FROM places p CROSS JOIN gutters g ON g.place = p.id
WHERE p.kind IN ('run', 'transfer')
RETURNING id
"""


def begin(path: str, connection: sqlite3.Connection, site: Site, started_ms: int) -> int:
    """Open a boot and return its id.

    Raises LedgerUnreachable (another site's ledger, or the disk) and LedgerBroken (a gutter
    stands where the site has no place); then nothing was written.
    """
    try:
        connection.execute("BEGIN IMMEDIATE")
        try:
            boot = _begin(path, connection, site, started_ms)
        except BaseException:
            connection.execute("ROLLBACK")
            raise
        connection.execute("COMMIT")
    except sqlite3.Error as error:
        raise explain(path, error) from error
    return boot


def _begin(path: str, connection: sqlite3.Connection, site: Site, started_ms: int) -> int:
    run = connection.execute
    known = run("SELECT value FROM meta WHERE key = 'site'").fetchone()
    if known is not None and known[0] != site.name:
        raise LedgerUnreachable(
            f"ledger {path}: it belongs to site {known[0]}, not to {site.name}; name another file"
        )
    run("INSERT OR IGNORE INTO meta VALUES ('site', ?)", (site.name,))
    crops = site.crops.crops.items()
    connection.executemany(
        CROP, [(name, c.seed_form, c.days_ms, c.ripe_after_ms) for name, c in crops]
    )
    places = site_places(site)
    connection.executemany(PLACE, places)
    _check_standing(path, connection, places)
    boot: int = run(BOOT, (started_ms, started_ms, site.digest, __version__)).fetchone()[0]
    return boot


def _check_standing(path: str, connection: sqlite3.Connection, places: list[Place]) -> None:
    """Every gutter in the machine stands at a place that the site has."""
    names = {place.name for place in places}
    standing = connection.execute(
        "SELECT p.name, p.kind, p.strokes - g.seat, p.slots, g.id FROM places p"
        " CROSS JOIN gutters g ON g.place = p.id WHERE p.kind != 'end'"
    )
    for name, kind, slot, slots, gutter in standing:
        if name not in names or (kind == "run" and not 0 <= slot < slots):
            where = f"{name}.{slot}" if kind == "run" else name
            raise LedgerBroken(
                f"ledger {path}: gutter {gutter} stands at {where}, a place the site does not"
                " have; put the lane back in site.yaml, or begin another ledger"
            )

"""A boot begins: the record is held against the site before anything is written to it."""

from __future__ import annotations

import json
import sqlite3
from typing import NamedTuple

from linectl import __version__
from linectl.errors import LedgerBroken, LedgerUnreachable
from linectl.ledger.checkpoint import keep_migrated
from linectl.ledger.clock import Clock, ClockFinding, Last, Look, decide, told
from linectl.ledger.opening import MEMORY, explain
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
SELECT ?, ?, ?, ?, ?, ?, count(*) FROM places p CROSS JOIN gutters g ON g.place = p.id
WHERE p.kind IN ('run', 'transfer')
RETURNING id
"""


LATEST = """
SELECT max(
    (SELECT max(started_ms) FROM boots),
    coalesce((SELECT max(ended_ms) FROM boots), 0),
    coalesce((SELECT max(intended_ms + coalesce(took_ms, 0)) FROM
        (SELECT intended_ms, took_ms FROM moves ORDER BY number DESC LIMIT :newest)), 0),
    coalesce((SELECT max(at_ms) FROM
        (SELECT at_ms FROM events ORDER BY id DESC LIMIT :newest)), 0))
"""

NEWEST = 10_000
"""Rows of moves and of events among which the latest time is looked for; a move that is done later
than so many newer ones were intended shows in an event of its time."""

CLOCK = "clock"
"""Key in meta of the finding that stands, and source of the event with a person's answer to it
(kind "answer", data {"choice": "right" | "wrong", ...}). See ledger/clock.py."""


class Boot(NamedTuple):
    """A boot that has begun. started_ms: ledger time. finding: what is wrong with the clock."""

    id: int
    started_ms: int
    finding: ClockFinding | None


def begin(path: str, connection: sqlite3.Connection, site: Site, clock: Clock) -> Boot:
    """Open a boot, now by `clock`.

    Raises LedgerUnreachable (another site's ledger, the disk, or a new ledger with a clock that
    nobody has set) and LedgerBroken (a gutter stands where the site has no place); then nothing
    was written.
    """
    try:
        connection.execute("BEGIN IMMEDIATE")
        try:
            boot = _begin(path, connection, site, clock)
        except BaseException:
            connection.execute("ROLLBACK")
            raise
        connection.execute("COMMIT")
    except sqlite3.Error as error:
        raise explain(path, error) from error
    return boot


def recorded_ms(connection: sqlite3.Connection) -> int:
    """The latest ledger time in the record."""
    return int(connection.execute(LATEST, {"newest": NEWEST}).fetchone()[0])


def _begin(path: str, connection: sqlite3.Connection, site: Site, clock: Clock) -> Boot:
    run = connection.execute
    known = run("SELECT value FROM meta WHERE key = 'site'").fetchone()
    if known is not None and known[0] != site.name:
        raise LedgerUnreachable(
            f"ledger {path}: it belongs to site {known[0]}, not to {site.name}; name another file"
        )
    run("INSERT OR IGNORE INTO meta VALUES ('site', ?)", (site.name,))
    # What a station is: `ledger verify` reads no site. A name that was, stays.
    kinds = [(f"station.{name}", str(s.kind)) for name, s in site.file.stations.items()]
    connection.executemany("INSERT OR REPLACE INTO meta VALUES (?, ?)", kinds)
    crops = site.crops.crops.items()
    connection.executemany(
        CROP, [(name, c.seed_form, c.days_ms, c.ripe_after_ms) for name, c in crops]
    )
    places = site_places(site)
    slots = dict(run("SELECT name, slots FROM places"))
    connection.executemany(PLACE, places)
    _check_standing(path, connection, places)
    if any(slots.get(place.name, place.slots) != place.slots for place in places):
        keep_migrated(connection)  # moves up to now were over another number of slots
    now = clock.look()
    stands = _standing_finding(connection)
    last = _last(connection, stands)
    if last is None and path != MEMORY:
        _refuse_never_set(path, now, clock)
    started_ms, finding = decide(now, last)
    identity: int = run(
        BOOT, (started_ms, now.wall_ms, now.machine, now.uptime_ms, site.digest, __version__)
    ).fetchone()[0]
    _keep_finding(connection, stands, finding, identity)
    return Boot(identity, started_ms, finding)


def _last(connection: sqlite3.Connection, stands: dict[str, object]) -> Last | None:
    """The boot before, with the finding that stands since then, and what was answered to it."""
    row = connection.execute(
        "SELECT started_ms, wall_ms, uptime_ms, machine FROM boots ORDER BY id DESC LIMIT 1"
    ).fetchone()
    if row is None:
        return None
    answer = (
        connection.execute(
            "SELECT json_extract(data, '$.choice') FROM events"
            " WHERE boot >= ? AND kind = 'answer' AND source = ? ORDER BY id DESC LIMIT 1",
            (stands["boot"], CLOCK),
        ).fetchone()
        if stands
        else None
    )
    choice = str(answer[0]) if answer else ""
    started_ms, wall_ms, uptime_ms, machine = row
    doubt = str(stands.get("kind", ""))
    latest_ms = recorded_ms(connection)
    return Last(started_ms, wall_ms, uptime_ms, machine, latest_ms, doubt, choice)


def _standing_finding(connection: sqlite3.Connection) -> dict[str, object]:
    row = connection.execute("SELECT value FROM meta WHERE key = ?", (CLOCK,)).fetchone()
    found: dict[str, object] = json.loads(row[0]) if row else {}
    return found


def _keep_finding(
    connection: sqlite3.Connection,
    stands: dict[str, object],
    finding: ClockFinding | None,
    boot: int,
) -> None:
    """In meta, with the boot from which on answers count: an answer is to the last question."""
    connection.execute("DELETE FROM meta WHERE key = ?", (CLOCK,))
    if finding is not None:
        since = stands["boot"] if finding.kind == "said_wrong" else boot
        value = json.dumps({"kind": finding.kind, "boot": since})
        connection.execute("INSERT INTO meta VALUES (?, ?)", (CLOCK, value))


def _refuse_never_set(path: str, now: Look, clock: Clock) -> None:
    if now.wall_ms < clock.never_set_ms:
        raise LedgerUnreachable(
            f"ledger {path}: it would begin at {told(now.wall_ms)}: this computer's clock was"
            " never set. Set it (network time, or by hand), then start again. Nothing was written."
        )


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

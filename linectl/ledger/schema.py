"""The ledger's tables, as SQL, and how a change of them is noticed.

A lane's row is rigid: a run keeps how often it has stroked, a gutter keeps its `seat`, and
its slot is `strokes - seat`. So a stroke of 390 gutters writes one row, not 390.
Times are Unix milliseconds of the wall clock at the boot's start plus the controller's own
milliseconds: within a boot a step of the wall clock alters nothing.
"""

from __future__ import annotations

VERSION = 1
"""Version of these tables; a file with a newer one is refused, never guessed at."""

APPLICATION_ID = 0x6C6E6C67
"""Marks the file as a ledger of ours ("lnlg"), so that another database is not written into."""

TABLES = """
CREATE TABLE meta (
    key   TEXT PRIMARY KEY,
    value TEXT NOT NULL
) WITHOUT ROWID;

CREATE TABLE boots (
    id         INTEGER PRIMARY KEY,
    started_ms INTEGER NOT NULL,
    ended_ms   INTEGER,               -- NULL: running, or not stopped in order
    digest     TEXT NOT NULL,         -- of the site's files
    version    TEXT NOT NULL,         -- of linectl
    in_lanes   INTEGER NOT NULL       -- gutters that stood in lanes when it began
);

CREATE TABLE crops (
    name          TEXT PRIMARY KEY,
    seed_form     TEXT NOT NULL,
    days_ms       INTEGER NOT NULL,
    ripe_after_ms INTEGER NOT NULL
) WITHOUT ROWID;

CREATE TABLE lots (                   -- internal: one crop sown on one day (UTC)
    id        INTEGER PRIMARY KEY,
    name      TEXT NOT NULL UNIQUE,
    crop      TEXT NOT NULL REFERENCES crops,
    opened_ms INTEGER NOT NULL
);

CREATE TABLE places (
    id      INTEGER PRIMARY KEY,
    name    TEXT NOT NULL UNIQUE,     -- fill, lane3.germ, lane3.lift, packing
    kind    TEXT NOT NULL CHECK (kind IN ('sowing', 'harvest', 'run', 'transfer', 'end')),
    lane    INTEGER,
    slots   INTEGER NOT NULL,         -- 1 unless a run
    strokes INTEGER NOT NULL DEFAULT 0
);

CREATE TABLE gutters (
    id      INTEGER PRIMARY KEY,      -- below zero: unknown, in a slot nobody has named yet
    crop    TEXT NOT NULL DEFAULT '',
    lot     INTEGER REFERENCES lots,
    sown_ms INTEGER,
    ripe_ms INTEGER,
    place   INTEGER NOT NULL REFERENCES places,
    seat    INTEGER NOT NULL DEFAULT 0
);
CREATE INDEX gutters_by_place ON gutters (place, seat);

CREATE TABLE moves (
    boot        INTEGER NOT NULL REFERENCES boots,
    number      INTEGER NOT NULL,
    kind        TEXT NOT NULL,
    gutter      INTEGER NOT NULL,
    source      TEXT NOT NULL,
    dest        TEXT NOT NULL,
    crop        TEXT NOT NULL,
    intended_ms INTEGER,
    done_ms     INTEGER,
    PRIMARY KEY (boot, number)
) WITHOUT ROWID;

CREATE TABLE events (
    id      INTEGER PRIMARY KEY,
    boot    INTEGER NOT NULL REFERENCES boots,
    wall_ms INTEGER NOT NULL,
    kind    TEXT NOT NULL,
    source  TEXT NOT NULL,
    text    TEXT NOT NULL,
    data    TEXT NOT NULL             -- JSON
);

CREATE VIEW slots AS
    SELECT p.lane, p.name AS run, p.strokes - g.seat AS slot,
           g.id AS gutter, g.crop, g.lot, g.sown_ms, g.ripe_ms
    FROM gutters AS g JOIN places AS p ON p.id = g.place
    WHERE p.kind = 'run';
"""

TRIPS = """
CREATE TABLE IF NOT EXISTS trips (
    id       INTEGER PRIMARY KEY,     -- how a person names it
    boot     INTEGER NOT NULL REFERENCES boots,
    number   INTEGER NOT NULL,        -- within the boot
    wall_ms  INTEGER NOT NULL,        -- when it began
    told     TEXT NOT NULL,           -- JSON: the record
    inputs   TEXT NOT NULL,           -- JSON: the window; empty where none was kept
    complete INTEGER NOT NULL,        -- 1: the two seconds after it are there
    UNIQUE (boot, number)
)
"""
"""A table of its own, added to ledgers that were begun without it: same version, since an older
linectl does not look at it."""

INTEND = """
INSERT INTO moves (boot, number, kind, gutter, source, dest, crop, intended_ms)
VALUES (?, ?, ?, ?, ?, ?, ?, ?)
"""

DONE = """
INSERT INTO moves (boot, number, kind, gutter, source, dest, crop, done_ms)
VALUES (?, ?, ?, ?, ?, ?, ?, ?)
ON CONFLICT (boot, number) DO UPDATE SET
    gutter = excluded.gutter, dest = excluded.dest, done_ms = excluded.done_ms
"""

STAND = """
INSERT INTO gutters (id, crop, place, seat) VALUES (?, ?, ?, ?)
ON CONFLICT (id) DO UPDATE SET
    crop = iif(excluded.crop = '', crop, excluded.crop),
    place = excluded.place, seat = excluded.seat
"""

STAND_UNKNOWN = "UPDATE gutters SET place = ?, seat = ? WHERE place = ? AND seat = ? AND id < 0"

SOWN = "UPDATE gutters SET lot = ?, sown_ms = ?, ripe_ms = ? WHERE id = ? AND sown_ms IS NULL"

STROKES = "UPDATE places SET strokes = ? WHERE id = ?"

EVENT = """
INSERT INTO events (boot, wall_ms, kind, source, text, data) VALUES (?, ?, ?, ?, ?, ?)
"""

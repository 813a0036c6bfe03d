"""The ledger's tables, as SQL, and how a change of them is noticed.

A lane's row is rigid: a run keeps how often it has stroked, a gutter keeps its `seat`, and
its slot is `strokes - seat`. So a stroke of 390 gutters writes one row, not 390.
Times (`*_ms`) are Unix milliseconds of *ledger time*, which never goes back: a boot's start plus
the controller's own milliseconds. Only `boots.wall_ms` is what the wall clock said.
"""

from __future__ import annotations

VERSION = 3
"""Version of these tables; a file with a newer one is refused, never guessed at."""

READABLE = 2
"""The oldest version that can be looked at as it is, such as an archive of then: version 2 lacks
`gutter_weights` and some kinds in the index of what people set."""

APPLICATION_ID = 0x6C6E6C67
"""Marks the file as a ledger of ours ("lnlg"), so that another database is not written into."""

KINDS = {
    "feed": 1,
    "convey": 2,
    "process": 3,
    "reserve": 4,
    "release": 5,
    "pick": 6,
    "put": 7,
    "insert": 8,
    "stroke": 9,
    "transfer": 10,
    "eject": 11,
    "handover": 12,
    "reject": 13,
    "correct": 14,
}
"""Kinds of moves and the codes they are kept as. Codes are never given a second meaning."""

NAMES = {code: name for name, code in KINDS.items()}

SET_BY_PEOPLE = (
    "'bypass', 'force', 'override', 'lane_set', 'crop_set', 'order', 'day_list', 'changeover',"
    " 'first_gutter', 'blend'"
)
"""Kinds of events whose last one holds after a restart, or that a gutter is asked for, as SQL: a
question that repeats these words has an index, however long the record is. They stay for ever."""

IN_LANES = f"{KINDS['stroke']}, {KINDS['transfer']}"
"""Kinds that only a lane's own use tells of: a lane may rest for a year while the others go on."""

CASES = " ".join(f"WHEN {code} THEN '{name}'" for name, code in KINDS.items())

TABLES = """
CREATE TABLE meta (
    key   TEXT PRIMARY KEY,
    value TEXT NOT NULL
) WITHOUT ROWID;

CREATE TABLE boots (
    id         INTEGER PRIMARY KEY,
    started_ms INTEGER NOT NULL,      -- ledger time at its start
    wall_ms    INTEGER NOT NULL,      -- what the wall clock said then
    machine    TEXT NOT NULL,         -- the kernel's boot id
    uptime_ms  INTEGER NOT NULL,      -- CLOCK_BOOTTIME then
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

CREATE TABLE lots (
    id        INTEGER PRIMARY KEY,
    kind      TEXT NOT NULL CHECK (kind IN ('sowing', 'substrate', 'seed', 'packing')),
    name      TEXT NOT NULL,          -- sowing: one crop sown on one day (UTC)
    crop      TEXT,                   -- NULL where the kind has none
    opened_ms INTEGER NOT NULL,
    "by"      TEXT NOT NULL,          -- who told it; empty: the line itself
    UNIQUE (kind, name)
);

CREATE TABLE in_use (                 -- what is loaded now
    kind     TEXT NOT NULL,
    crop     TEXT NOT NULL,           -- empty where the kind has none
    lot      INTEGER NOT NULL REFERENCES lots,
    since_ms INTEGER NOT NULL,
    "by"     TEXT NOT NULL,
    PRIMARY KEY (kind, crop)
) WITHOUT ROWID;

CREATE TABLE weights (                -- yield weighed for a packing lot
    id    INTEGER PRIMARY KEY,
    lot   INTEGER NOT NULL REFERENCES lots,
    crop  TEXT NOT NULL,
    kg    REAL NOT NULL,
    at_ms INTEGER NOT NULL,
    "by"  TEXT NOT NULL
);

CREATE TABLE gutter_weights (         -- what a scale in the hall weighed of one gutter
    gutter INTEGER PRIMARY KEY,
    crop   TEXT NOT NULL,
    kg     REAL NOT NULL,
    at_ms  INTEGER NOT NULL
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
    id            INTEGER PRIMARY KEY, -- below zero: unknown, in a slot nobody has named yet
    crop          TEXT NOT NULL DEFAULT '',
    place         INTEGER NOT NULL REFERENCES places,
    seat          INTEGER NOT NULL DEFAULT 0,
    lot           INTEGER REFERENCES lots,
    substrate_lot INTEGER REFERENCES lots,
    seed_lot      INTEGER REFERENCES lots,
    packing_lot   INTEGER REFERENCES lots,
    fed_ms        INTEGER,
    wet_ms        INTEGER,            -- the valve may have opened from then on
    sown_ms       INTEGER,
    ripe_ms       INTEGER,
    indexed_ms    INTEGER,
    ejected_ms    INTEGER,
    handed_ms     INTEGER,
    lane          INTEGER             -- of its last insert
);
CREATE INDEX gutters_by_place ON gutters (place, seat);
CREATE INDEX gutters_by_lot ON gutters (lot) WHERE lot IS NOT NULL;
CREATE INDEX gutters_by_substrate ON gutters (substrate_lot) WHERE substrate_lot IS NOT NULL;
CREATE INDEX gutters_by_seed ON gutters (seed_lot) WHERE seed_lot IS NOT NULL;
CREATE INDEX gutters_by_packing ON gutters (packing_lot) WHERE packing_lot IS NOT NULL;

CREATE TABLE moves (
    number      INTEGER PRIMARY KEY,  -- rises by one over all boots, never used again
    boot        INTEGER NOT NULL REFERENCES boots,
    kind        INTEGER NOT NULL,     -- a code of KINDS
    gutter      INTEGER NOT NULL,     -- -1: a run's row, or a gutter nobody has named
    source      INTEGER NOT NULL REFERENCES places,
    source_slot INTEGER NOT NULL,     -- 0 where the place has none
    dest        INTEGER NOT NULL REFERENCES places,
    dest_slot   INTEGER NOT NULL,
    intended_ms INTEGER NOT NULL,
    took_ms     INTEGER               -- NULL: never seen done
);
CREATE INDEX moves_by_gutter ON moves (gutter);
CREATE INDEX moves_open ON moves (number) WHERE took_ms IS NULL;
CREATE INDEX moves_by_hand ON moves (gutter) WHERE kind = BY_HAND;
CREATE INDEX moves_in_lanes ON moves (source) WHERE kind IN (IN_LANES);

CREATE TABLE events (
    id     INTEGER PRIMARY KEY,
    boot   INTEGER NOT NULL REFERENCES boots,
    at_ms  INTEGER NOT NULL,
    kind   TEXT NOT NULL,
    source TEXT NOT NULL,
    text   TEXT NOT NULL,
    data   TEXT NOT NULL              -- JSON
);
CREATE INDEX events_set ON events (kind, source) WHERE kind IN (SET_BY_PEOPLE);

CREATE TABLE checkpoint (             -- what stood, where the moves before are not here
    id          INTEGER PRIMARY KEY,
    number      INTEGER NOT NULL,     -- the state before this move
    at_ms       INTEGER NOT NULL,
    why         TEXT NOT NULL CHECK (why IN ('start', 'migrated', 'archive')),
    last_gutter INTEGER NOT NULL,     -- the greatest id given before it
    gutters     INTEGER NOT NULL,     -- rows of gutters with ids from 1 to last_gutter
    archive     TEXT NOT NULL,        -- file with what came before; empty: there is none
    digest      TEXT NOT NULL,        -- SHA-256 of that file
    state       TEXT NOT NULL         -- JSON: gutters, strokes, reservations, moves under way
);

CREATE TABLE trips (
    id       INTEGER PRIMARY KEY,     -- how a person names it
    boot     INTEGER NOT NULL REFERENCES boots,
    number   INTEGER NOT NULL,        -- within the boot
    wall_ms  INTEGER NOT NULL,        -- when it began (ledger time; the name is older)
    told     TEXT NOT NULL,           -- JSON: the record
    inputs   TEXT NOT NULL,           -- JSON: the window; empty where none was kept
    complete INTEGER NOT NULL,        -- 1: the two seconds after it are there
    UNIQUE (boot, number)
);
"""
for _word, _sql in (
    ("SET_BY_PEOPLE", SET_BY_PEOPLE), ("BY_HAND", str(KINDS["correct"])), ("IN_LANES", IN_LANES),
):  # fmt: skip
    TABLES = TABLES.replace(_word, _sql)

VIEWS = f"""
CREATE VIEW slots AS
    SELECT p.lane, p.name AS run, p.strokes - g.seat AS slot,
           g.id AS gutter, g.crop, g.lot, g.sown_ms, g.ripe_ms
    FROM places AS p CROSS JOIN gutters AS g ON g.place = p.id
    WHERE p.kind = 'run';

CREATE VIEW moves_told AS
    SELECT m.number, m.boot, CASE m.kind {CASES} END AS kind, m.gutter,
           s.name || iif(s.kind = 'run' AND m.kind != {KINDS["stroke"]}, '.' || m.source_slot, '')
               AS source,
           d.name || iif(d.kind = 'run' AND m.kind != {KINDS["stroke"]}, '.' || m.dest_slot, '')
               AS dest,
           m.intended_ms, m.intended_ms + m.took_ms AS done_ms
    FROM moves AS m JOIN places AS s ON s.id = m.source JOIN places AS d ON d.id = m.dest;
"""
"""What people and readers look at: names instead of numbers."""

MARKS = f"""
PRAGMA application_id = {APPLICATION_ID};
PRAGMA user_version = {VERSION};
"""

INTEND = """
INSERT INTO moves (number, boot, kind, gutter, source, source_slot, dest, dest_slot, intended_ms)
VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)
"""

DONE = """
UPDATE moves SET gutter = ?, dest = ?, dest_slot = ?, took_ms = ? - intended_ms
WHERE number = ? AND took_ms IS NULL
"""

STAND = """
INSERT INTO gutters (id, crop, place, seat) VALUES (?, ?, ?, ?)
ON CONFLICT (id) DO UPDATE SET
    crop = iif(excluded.crop = '', crop, excluded.crop),
    place = excluded.place, seat = excluded.seat
"""

STAND_UNKNOWN = "UPDATE gutters SET place = ?, seat = ? WHERE place = ? AND seat = ? AND id < 0"

NEW_UNKNOWN = """
INSERT INTO gutters (id, place, seat) SELECT min(coalesce(min(id), 0), 0) - 1, ?, ? FROM gutters
"""

STROKES = "UPDATE places SET strokes = ? WHERE id = ?"

EVENT = """
INSERT INTO events (boot, at_ms, kind, source, text, data) VALUES (?, ?, ?, ?, ?, ?)
"""

LOT = """
INSERT INTO lots (kind, name, crop, opened_ms, "by") VALUES (?, ?, ?, ?, ?) RETURNING id
"""

USE = 'INSERT OR REPLACE INTO in_use (kind, crop, lot, since_ms, "by") VALUES (?, ?, ?, ?, ?)'

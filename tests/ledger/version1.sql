-- A ledger as the first linectl wrote it: its tables in its own words, and a short history.
-- The boots began at 1600000000000 and an hour later.
BEGIN;
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

CREATE TABLE trips (
    id       INTEGER PRIMARY KEY,     -- how a person names it
    boot     INTEGER NOT NULL REFERENCES boots,
    number   INTEGER NOT NULL,        -- within the boot
    wall_ms  INTEGER NOT NULL,        -- when it began
    told     TEXT NOT NULL,           -- JSON: the record
    inputs   TEXT NOT NULL,           -- JSON: the window; empty where none was kept
    complete INTEGER NOT NULL,        -- 1: the two seconds after it are there
    UNIQUE (boot, number)
);

INSERT INTO meta VALUES ('site', 'bench');
INSERT INTO boots VALUES (1, 1600000000000, 1600003000000, 'abc', '0.1', 1);
INSERT INTO boots VALUES (2, 1600003600000, NULL, 'abc', '0.1', 2);
INSERT INTO crops VALUES ('oak', 'pelleted', 100, 90);
INSERT INTO lots VALUES (1, '2020-09-13-oak', 'oak', 1600000000000);
INSERT INTO places VALUES
    (1, 'stock', 'end', NULL, 1, 0), (2, 'reject', 'end', NULL, 1, 0),
    (3, 'removed', 'end', NULL, 1, 0), (4, 'magazine', 'sowing', NULL, 1, 0),
    (5, 'seed', 'sowing', NULL, 1, 0), (6, 'infeed', 'sowing', NULL, 1, 0),
    (7, 'outfeed', 'harvest', NULL, 1, 0), (8, 'packing', 'end', NULL, 1, 0),
    (9, 'lane1.germ', 'run', 1, 4, 2), (10, 'lane1.grow', 'run', 1, 8, 1),
    (11, 'lane1.lift', 'transfer', 1, 1, 0);
INSERT INTO gutters VALUES
    (-1, '', NULL, NULL, NULL, 10, -2),
    (1, 'oak', 1, 1600000000400, 1600000000490, 9, 1),
    (2, 'oak', 1, 1600000000900, 1600000000990, 5, 0),
    (9, 'oak', NULL, 1599999999500, 1599999999590, 8, 0);
INSERT INTO moves VALUES
    (1, 1, 'feed', 1, 'stock', 'magazine', '', 1600000000100, 1600000000200),
    (1, 2, 'convey', 1, 'magazine', 'seed', 'oak', 1600000000200, 1600000000300),
    (1, 3, 'reserve', 1, 'seed', 'lane1.germ.0', 'oak', 1600000000300, 1600000000300),
    (1, 4, 'convey', 1, 'seed', 'infeed', 'oak', 1600000000300, 1600000000400),
    (1, 5, 'stroke', -1, 'lane1.germ', 'lane1.germ', '', 1600000000410, 1600000000440),
    (1, 6, 'insert', 1, 'infeed', 'lane1.germ.0', 'oak', 1600000000440, 1600000000500),
    (1, 7, 'eject', 9, 'lane1.grow.7', 'outfeed', 'oak', 1600000000500, 1600000000600),
    (1, 8, 'handover', 9, 'outfeed', 'packing', 'oak', 1600000000600, 1600000000700),
    (1, 9, 'feed', 2, 'stock', 'magazine', '', 1600000000700, 1600000000800),
    (1, 10, 'convey', 2, 'magazine', 'seed', 'oak', 1600000000800, 1600000000900),
    (1, 11, 'stroke', -1, 'lane1.germ', 'lane1.germ', '', 1600000000950, 1600000000980),
    (2, 12, 'convey', 2, 'seed', 'infeed', 'oak', 1600003600050, NULL),
    (2, 13, 'correct', -1, 'lane1.grow.5', 'removed', '', NULL, 1600003600070);
INSERT INTO events VALUES
    (1, 1, 1600000000010, 'note', 'fill', 'said', '{"a": 1}'),
    (2, 1, 1600000000011, 'station', 'fill', 'dosing', '{}');
INSERT INTO trips VALUES (1, 1, 1, 123, '{}', '', 1);
PRAGMA application_id = 1819176039;
PRAGMA user_version = 1;
COMMIT;

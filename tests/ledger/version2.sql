-- A ledger as version 2 of the tables had it, in its own words, and the same short history as
-- `version1.sql` brought forward, with what people had set.
BEGIN;
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
CREATE INDEX moves_by_hand ON moves (gutter) WHERE kind = 14;
CREATE INDEX moves_in_lanes ON moves (source) WHERE kind IN (9, 10);

CREATE TABLE events (
    id     INTEGER PRIMARY KEY,
    boot   INTEGER NOT NULL REFERENCES boots,
    at_ms  INTEGER NOT NULL,
    kind   TEXT NOT NULL,
    source TEXT NOT NULL,
    text   TEXT NOT NULL,
    data   TEXT NOT NULL              -- JSON
);
CREATE INDEX events_set ON events (kind, source) WHERE kind IN ('bypass', 'force', 'override', 'lane_set', 'crop_set', 'order');

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

CREATE VIEW slots AS
    SELECT p.lane, p.name AS run, p.strokes - g.seat AS slot,
           g.id AS gutter, g.crop, g.lot, g.sown_ms, g.ripe_ms
    FROM places AS p CROSS JOIN gutters AS g ON g.place = p.id
    WHERE p.kind = 'run';

CREATE VIEW moves_told AS
    SELECT m.number, m.boot, CASE m.kind WHEN 1 THEN 'feed' WHEN 2 THEN 'convey' WHEN 3 THEN 'process' WHEN 4 THEN 'reserve' WHEN 5 THEN 'release' WHEN 6 THEN 'pick' WHEN 7 THEN 'put' WHEN 8 THEN 'insert' WHEN 9 THEN 'stroke' WHEN 10 THEN 'transfer' WHEN 11 THEN 'eject' WHEN 12 THEN 'handover' WHEN 13 THEN 'reject' WHEN 14 THEN 'correct' END AS kind, m.gutter,
           s.name || iif(s.kind = 'run' AND m.kind != 9, '.' || m.source_slot, '')
               AS source,
           d.name || iif(d.kind = 'run' AND m.kind != 9, '.' || m.dest_slot, '')
               AS dest,
           m.intended_ms, m.intended_ms + m.took_ms AS done_ms
    FROM moves AS m JOIN places AS s ON s.id = m.source JOIN places AS d ON d.id = m.dest;
INSERT INTO meta VALUES ('site', 'bench');
INSERT INTO crops VALUES ('oak', 'pelleted', 100, 90);
INSERT INTO boots VALUES (1, 1600000000000, 1600000000000, '', 0, 1600003000000, 'abc', '0.1', 1);
INSERT INTO boots VALUES (2, 1600003600000, 1600003600000, '', 0, NULL, 'abc', '0.1', 2);
INSERT INTO lots VALUES (1, 'sowing', '2020-09-13-oak', 'oak', 1600000000000, '');
INSERT INTO places VALUES (1, 'stock', 'end', NULL, 1, 0);
INSERT INTO places VALUES (2, 'reject', 'end', NULL, 1, 0);
INSERT INTO places VALUES (3, 'removed', 'end', NULL, 1, 0);
INSERT INTO places VALUES (4, 'magazine', 'sowing', NULL, 1, 0);
INSERT INTO places VALUES (5, 'seed', 'sowing', NULL, 1, 0);
INSERT INTO places VALUES (6, 'infeed', 'sowing', NULL, 1, 0);
INSERT INTO places VALUES (7, 'outfeed', 'harvest', NULL, 1, 0);
INSERT INTO places VALUES (8, 'packing', 'end', NULL, 1, 0);
INSERT INTO places VALUES (9, 'lane1.germ', 'run', 1, 4, 2);
INSERT INTO places VALUES (10, 'lane1.grow', 'run', 1, 8, 1);
INSERT INTO places VALUES (11, 'lane1.lift', 'transfer', 1, 1, 0);
INSERT INTO gutters VALUES (-1, '', 10, -2, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, 1);
INSERT INTO gutters VALUES (1, 'oak', 9, 1, 1, NULL, NULL, NULL, 1600000000200, NULL, 1600000000400, 1600000000490, 1600000000500, NULL, NULL, 1);
INSERT INTO gutters VALUES (2, 'oak', 5, 0, 1, NULL, NULL, NULL, 1600000000800, NULL, 1600000000900, 1600000000990, NULL, NULL, NULL, NULL);
INSERT INTO gutters VALUES (9, 'oak', 8, 0, NULL, NULL, NULL, NULL, NULL, NULL, 1599999999500, 1599999999590, NULL, 1600000000600, 1600000000700, NULL);
INSERT INTO moves VALUES (1, 1, 1, 1, 1, 0, 4, 0, 1600000000100, 100);
INSERT INTO moves VALUES (2, 1, 2, 1, 4, 0, 5, 0, 1600000000200, 100);
INSERT INTO moves VALUES (3, 1, 4, 1, 5, 0, 9, 0, 1600000000300, 0);
INSERT INTO moves VALUES (4, 1, 2, 1, 5, 0, 6, 0, 1600000000300, 100);
INSERT INTO moves VALUES (5, 1, 9, -1, 9, 0, 9, 0, 1600000000410, 30);
INSERT INTO moves VALUES (6, 1, 8, 1, 6, 0, 9, 0, 1600000000440, 60);
INSERT INTO moves VALUES (7, 1, 11, 9, 10, 7, 7, 0, 1600000000500, 100);
INSERT INTO moves VALUES (8, 1, 12, 9, 7, 0, 8, 0, 1600000000600, 100);
INSERT INTO moves VALUES (9, 1, 1, 2, 1, 0, 4, 0, 1600000000700, 100);
INSERT INTO moves VALUES (10, 1, 2, 2, 4, 0, 5, 0, 1600000000800, 100);
INSERT INTO moves VALUES (11, 1, 9, -1, 9, 0, 9, 0, 1600000000950, 30);
INSERT INTO moves VALUES (12, 2, 2, 2, 5, 0, 6, 0, 1600003600050, NULL);
INSERT INTO moves VALUES (13, 2, 14, -1, 10, 5, 3, 0, 1600003600070, 0);
INSERT INTO events VALUES (1, 1, 1600000000010, 'note', 'fill', 'said', '{"a": 1}');
INSERT INTO events VALUES (2, 1, 1600000000011, 'station', 'fill', 'dosing', '{}');
INSERT INTO checkpoint VALUES (1, 14, 1600003600070, 'migrated', 9, 3, '', '', '{"standing":[[-1,10,-2],[1,9,1],[2,5,0]],"strokes":[[9,2],[10,1]],"reserved":null,"under_way":[12]}');
INSERT INTO trips VALUES (1, 1, 1, 123, '{}', '', 1);
INSERT INTO events VALUES (3, 2, 1600003600080, 'crop_set', 'sowing', 'oak in the drum', '{"crop": "oak"}');
INSERT INTO events VALUES (4, 2, 1600003600081, 'day_list', 'lane1', 'lane 1: 3 to sow, 2 to pull', '{"stands": true, "sow": [["oak", 3]], "pull": 2}');
PRAGMA application_id = 1819176039;
PRAGMA user_version = 2;
COMMIT;

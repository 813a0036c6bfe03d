"""The tables beside the moves: pages, boots, events; gutters and runs as the replay left them."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from itertools import pairwise

from linectl.ledger.checkpoint import START, Checkpoint
from linectl.ledger.places import UNKNOWN
from linectl.ledger.verify_moves import Machine
from linectl.ledger.verify_replay import Boot
from linectl.ledger.verify_rules import (
    BOOTS,
    CHECKPOINT,
    COUNTS,
    EVENTS,
    FINDINGS_KEPT,
    KIND,
    LOTS,
    PAGES,
    STAMPS,
    STANDS,
    STROKES,
    TIME,
    Findings,
)
from linectl.ledger.verify_state import (
    EJECTED,
    FED,
    HANDED,
    INDEXED,
    LANE,
    NEVER,
    ORIGIN,
    SHIFT,
    SOWN,
    WET,
    PlaceRow,
)

GUTTERS = """
SELECT id, place, seat, crop, ripe_ms, fed_ms, wet_ms, sown_ms, indexed_ms, ejected_ms, handed_ms,
       lane, lot
FROM gutters ORDER BY id
"""
STAMPED = (
    ("fed_ms", FED), ("wet_ms", WET), ("sown_ms", SOWN), ("indexed_ms", INDEXED),
    ("ejected_ms", EJECTED), ("handed_ms", HANDED),
)  # fmt: skip
LOT_KINDS = (
    ("lot", "sowing"), ("substrate_lot", "substrate"), ("seed_lot", "seed"),
    ("packing_lot", "packing"),
)  # fmt: skip

# A sort of twenty million rows would take longer than a look at each: ids are the order already.
EVENTS_BACK = """
SELECT id, was_ms - at_ms, boot < was_boot FROM (
    SELECT id, at_ms, boot, lag(at_ms) OVER (ORDER BY id) AS was_ms,
           lag(boot) OVER (ORDER BY id) AS was_boot FROM events)
WHERE at_ms < was_ms OR boot < was_boot
"""
EVENTS_STRAY = "SELECT id, boot FROM events WHERE boot NOT IN (SELECT id FROM boots) ORDER BY id"


def check_pages(connection: sqlite3.Connection, findings: Findings) -> None:
    """SQLite's own check of pages, rows and indexes."""
    try:
        rows = connection.execute(f"PRAGMA integrity_check({FINDINGS_KEPT})").fetchall()
    except sqlite3.DatabaseError as error:
        rows = [(str(error),)]
    for (text,) in rows:
        for line in str(text).splitlines():
            if line != "ok" and not line.startswith("***"):
                findings.add(PAGES, "pages", "file", line)


def read_places(connection: sqlite3.Connection) -> tuple[list[PlaceRow], dict[str, str]]:
    """Places, and what stations are by kind where the ledger says so (`seed`, `water`)."""
    rows = connection.execute("SELECT id, name, kind, lane, slots, strokes FROM places")
    places = [PlaceRow(*row) for row in rows]
    stations = {
        key.removeprefix("station."): value
        for key, value in connection.execute(
            "SELECT key, value FROM meta WHERE key LIKE 'station.%'"
        )
    }
    return places, stations


def read_boots(connection: sqlite3.Connection, findings: Findings) -> list[Boot]:
    """All boots in order, each held against the one before."""
    boots: list[Boot] = []
    for identity, started, ended, in_lanes in connection.execute(
        "SELECT id, started_ms, ended_ms, in_lanes FROM boots ORDER BY id"
    ):
        last = boots[-1] if boots else None
        if last is not None and identity != last.id + 1:
            findings.add(BOOTS, "boots", last.id + 1, f"boot {last.id + 1} is missing")
        if last is not None and started < max(last.started_ms, last.ended_ms or last.started_ms):
            findings.add(
                TIME, "boots", identity, f"boot {identity} began before boot {last.id} was over"
            )
        if ended is not None and ended < started:
            findings.add(TIME, "boots", identity, f"boot {identity} ended before it began")
        boots.append(Boot(identity, started, ended, in_lanes))
    return boots


def check_events(connection: sqlite3.Connection, findings: Findings) -> None:
    """Events in order of their ids: time and boots never go back."""
    for identity, back_ms, _ in connection.execute(EVENTS_BACK):
        text = f"is {back_ms} ms before" if back_ms > 0 else "is of an earlier boot than"
        findings.add(
            EVENTS, "events", identity, f"event {identity} {text} the one that is kept before it"
        )
    for identity, boot in connection.execute(EVENTS_STRAY):
        findings.add(BOOTS, "events", identity, f"event {identity} is of boot {boot}, missing here")


def check_strokes(places: Sequence[PlaceRow], machine: Machine, findings: Findings) -> None:
    """Each run's count, as tabled and as replayed."""
    for place in places:
        laned = place.kind in ("run", "transfer")
        if (place.lane is not None) is not laned or (place.slots != 1 and place.kind != "run"):
            findings.add(
                KIND, "places", place.id,
                f"{place.name} is of kind {place.kind}, with lane {place.lane} and"
                f" {place.slots} slots",
            )  # fmt: skip
        made = machine.strokes[place.id]
        if place.strokes != made:
            findings.add(
                STROKES, "places", place.id,
                f"{place.name} has {place.strokes} strokes in the table, its moves make {made}",
            )  # fmt: skip


def check_gutters(connection: sqlite3.Connection, machine: Machine, findings: Findings) -> int:
    """Each gutter's row against the replay; returns how many stand in the machine by the rows."""
    standing = 0
    named = 0
    unnamed = {key for key, gutter in machine.at.items() if gutter == UNKNOWN}
    for row in connection.execute(GUTTERS):
        gutter, place, seat = row[:3]
        key = (place << SHIFT) + seat
        inside = place in machine.places and not machine.outside(key)
        standing += inside
        if gutter <= 0:
            if inside and key not in unnamed:
                findings.add(
                    STANDS, "gutters", gutter,
                    f"an unnamed gutter ({gutter}) stands at {machine.say(key)} in the table, by"
                    " the moves none does",
                )  # fmt: skip
            unnamed.discard(key)
            continue
        named += gutter in machine.where
        _check_gutter(row, key, inside, machine, findings)
    for key in sorted(unnamed):
        findings.add(
            STANDS, "gutters", "none",
            f"an unnamed gutter stands at {machine.say(key)} by the moves, the table has none",
        )  # fmt: skip
    if named != len(machine.where):
        _name_missing(connection, machine, findings)
    return standing


def _check_gutter(
    row: tuple[int, ...], key: int, inside: bool, machine: Machine, findings: Findings
) -> None:
    gutter = row[0]
    stood = machine.where.get(gutter)
    if stood is None:
        if inside or gutter > machine.last_gutter:
            findings.add(
                STANDS, "gutters", gutter,
                f"gutter {gutter} stands at {machine.say(key)} in the table, no move brought it",
            )  # fmt: skip
        return
    # Outside the machine a place has no seats.
    if stood != key and not (not inside and machine.parts(stood)[0] == machine.parts(key)[0]):
        findings.add(
            STANDS, "gutters", gutter,
            f"gutter {gutter} stands at {machine.say(key)} in the table, its moves brought it to"
            f" {machine.say(stood)}",
        )  # fmt: skip
    start = machine.row_of.get(gutter)
    if start is not None:
        _check_stamps(row, start, machine, findings)


def _check_stamps(row: tuple[int, ...], start: int, machine: Machine, findings: Findings) -> None:
    gutter, crop, ripe, lane = row[0], row[3], row[4], row[11]
    told = machine.told
    origin = told[start + ORIGIN]
    if lane != (told[start + LANE] if told[start + LANE] != NEVER else None) and not (
        origin != NEVER and told[start + LANE] == NEVER
    ):
        findings.add(
            STAMPS, "gutters", gutter,
            f"gutter {gutter} has lane {lane} in the table, its moves say"
            f" {told[start + LANE] if told[start + LANE] != NEVER else 'none'}",
        )  # fmt: skip
    for value, (name, column) in zip(row[5:11], STAMPED, strict=True):
        moment = told[start + column]
        if value == moment or (value is None and moment == NEVER):
            continue
        if origin != NEVER and value is not None and value <= origin:
            continue  # before it was found standing
        if column in (SOWN, WET) and not machine.seed and not machine.water:
            continue  # no station is known to water or to seed
        if column == SOWN and value is None and crop == "":
            continue  # a gutter that passed the drum without a crop
        if value is None:
            text = f"lacks its {name}, its move was at {moment}"
        elif moment == NEVER:
            text = f"has {name} {value}, none of its moves says so"
        else:
            text = f"has {name} {value}, its move was at {moment}"
        findings.add(STAMPS, "gutters", gutter, f"gutter {gutter} {text}")
    if told[start + SOWN] != NEVER and row[7] is not None and row[12] is None:
        findings.add(STAMPS, "gutters", gutter, f"gutter {gutter} lacks its sowing lot")
    sown = row[7]
    if (ripe is None) is not (sown is None) or (ripe is not None and ripe < sown):
        findings.add(
            STAMPS, "gutters", gutter, f"gutter {gutter} was sown at {sown} and is ripe at {ripe}"
        )


def check_lots(connection: sqlite3.Connection, findings: Findings) -> None:
    """Each lot that a gutter is stamped with is listed, as a lot of that kind."""
    kinds = dict(connection.execute("SELECT id, kind FROM lots").fetchall())
    for column, kind in LOT_KINDS:
        used = f"SELECT {column}, min(id) FROM gutters WHERE {column} IS NOT NULL GROUP BY 1"
        for lot, gutter in connection.execute(used):
            if kinds.get(lot) != kind:
                found = f"a {kinds[lot]} lot" if lot in kinds else "missing"
                findings.add(
                    LOTS, "gutters", gutter,
                    f"gutter {gutter} is stamped with {kind} lot {lot}, which is {found}",
                )  # fmt: skip


def _name_missing(connection: sqlite3.Connection, machine: Machine, findings: Findings) -> None:
    known = {row[0] for row in connection.execute("SELECT id FROM gutters WHERE id > 0")}
    for gutter, key in machine.where.items():
        if gutter not in known:
            findings.add(
                STANDS, "gutters", gutter,
                f"gutter {gutter} is missing in the table, its moves brought it to"
                f" {machine.say(key)}",
            )  # fmt: skip


def check_counts(machine: Machine, standing: int, findings: Findings) -> None:
    """What stands in the machine, by the moves and by the rows."""
    left = len(machine.at) + len(machine.leaving)
    if left != standing:
        findings.add(
            COUNTS, "gutters", "all",
            f"{standing} gutters stand in the machine in the table, the moves leave"
            f" {left}",
        )  # fmt: skip


def check_checkpoints(
    connection: sqlite3.Connection, checkpoints: list[Checkpoint], findings: Findings
) -> None:
    """The gutters from before the last archive are all still there, and archives follow on."""
    bases = [point for point in checkpoints if point.why != START]
    for point in bases[-1:]:
        count = connection.execute(
            "SELECT count(*) FROM gutters WHERE id BETWEEN 1 AND ?", (point.last_gutter,)
        ).fetchone()[0]
        if count != point.gutters:
            findings.add(
                CHECKPOINT, "checkpoint", point.id,
                f"{point.gutters} gutters were known with ids up to {point.last_gutter} when move"
                f" {point.number} began, now {count} are",
            )  # fmt: skip
    for before, after in pairwise(bases):
        if after.number < before.number:
            findings.add(
                CHECKPOINT, "checkpoint", after.id,
                f"checkpoint {after.id} begins at move {after.number}, the one before it at"
                f" {before.number}",
            )  # fmt: skip

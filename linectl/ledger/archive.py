"""`ledger archive`: old moves and events go to a file of their own; what stands stays provable.

In this order, so that a kill anywhere loses nothing: the archive is written, proved and on disk;
one transaction writes the checkpoint, the state at the cut; then the rows go, some at a time,
between the controller's own transactions; then the file gives pages back. The next run ends what
was interrupted. Gutters, lots and weights stay here: traceability needs no archive.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from linectl.errors import LedgerBroken, LedgerUnreachable, UsageError
from linectl.ledger.archive_file import Cut, write_archive
from linectl.ledger.checkpoint import ARCHIVE, KEEP, Checkpoint, Standing, State, read_checkpoints
from linectl.ledger.keeping import check_mark, free_name
from linectl.ledger.looking import looking
from linectl.ledger.opening import BUSY_MS, explain
from linectl.ledger.restart import OPEN
from linectl.ledger.schema import SET_BY_PEOPLE, VERSION
from linectl.ledger.verify import Tell, silent
from linectl.ledger.verify_moves import Machine
from linectl.ledger.verify_replay import Replay
from linectl.ledger.verify_rules import Findings
from linectl.ledger.verify_tables import read_boots, read_places

ROWS_A_STEP = 2_000
"""Rows taken away in one transaction: some hundredths of a second on a card."""
PAGES_A_STEP = 256
REST = 3.0
"""After each step this many times its own duration is left to the controller."""
REST_MIN_S = 0.005

COUNTED = "'day_list', 'blend'"
"""Of what people set, what the line counts on gutter by gutter, as SQL: each says all of it, so
that the last before the cut is enough here. Never a kind that earlier archives left here whole,
as `order`: ending one of them would take away what it does not have."""

FIRST_STILL_NEEDED = """
SELECT min(m.number) FROM places AS p CROSS JOIN gutters AS g ON g.place = p.id
CROSS JOIN moves AS m ON m.gutter = g.id WHERE p.kind IN ('sowing', 'harvest') AND g.id > 0
"""
"""What a restart asks of a gutter in a station (its reservation, its tools) is in its moves."""


@dataclass(frozen=True)
class Archived:
    """What an archive did. `archive` None: there was nothing old enough (or only a rest of the last
    archive to take away). `shrinks`: this file can give its pages back to the disk."""

    ledger: str
    archive: str | None
    sha256: str
    first_move: int
    last_move: int
    events: int
    from_ms: int
    to_ms: int
    moves_taken: int
    bytes_before: int
    bytes_after: int
    shrinks: bool

    def as_json(self) -> dict[str, Any]:
        """Keys as `ledger archive --json` prints them."""
        return asdict(self)


def archive(path: str, older_than_ms: int, folder: str, tell: Tell = silent) -> Archived:
    """Move what is older than that into an archive file in `folder`; `path` keeps the rest.

    Old is counted back from the record's last time, not from the wall clock. May run beside the
    controller. Raises LedgerUnreachable, LedgerBroken (the old part breaks a rule, or the archive
    is not what it should be; nothing was taken away then), UsageError (no such folder).
    """
    place = Path(folder)
    if not place.is_dir():
        raise UsageError(f"{folder}: there is no such folder; name the one for archives")
    before = _bytes(path)
    _end_interrupted(path, place, tell)
    written = _write(path, older_than_ms, place, tell)
    if written is None:
        shrinks = _give_back(path, tell)
        return Archived(path, None, "", 0, 0, 0, 0, 0, 0, before, _bytes(path), shrinks)
    cut, file, digest, events = written
    taken = _take_away(path, cut.number, cut.state.under_way, cut.at_ms, tell)
    shrinks = _give_back(path, tell)
    return Archived(
        path, str(file), digest, cut.first, cut.number - 1, events, cut.from_ms, cut.at_ms, taken,
        before, _bytes(path), shrinks,
    )  # fmt: skip


def _bytes(path: str) -> int:
    return Path(path).stat().st_size if Path(path).exists() else 0


# writing ----------------------------------------------------------------------------------------


def _write(
    path: str, older_than_ms: int, folder: Path, tell: Tell
) -> tuple[Cut, Path, str, int] | None:
    """The archive's file, whole and on disk, and the checkpoint that says so."""
    with looking(path, VERSION) as ledger:
        bases = [point for point in read_checkpoints(ledger) if point.why == ARCHIVE]
        number = _first_kept(ledger, older_than_ms)
        if number is None:
            return None
        cut = _cut(path, ledger, number, tell)
        day = time.strftime("%Y-%m-%d", time.gmtime(cut.at_ms // 1000))
        file = free_name(folder, f"{Path(path).stem}-until-{day}", ".sqlite3")
        goes = _goes(ledger, cut.at_ms)
        digest, events = write_archive(path, ledger, cut, file, goes, tell)
    try:
        with closing(_writer(path)) as connection:
            connection.execute("BEGIN IMMEDIATE")
            now = [point for point in read_checkpoints(connection) if point.why == ARCHIVE]
            if len(now) != len(bases):
                connection.execute("ROLLBACK")
                raise LedgerUnreachable(
                    f"ledger {path}: another archive of it was made meanwhile; {file} is whole"
                    " and not needed. Nothing was taken away."
                )
            connection.execute(KEEP, _row(cut, file, digest))
            connection.execute("COMMIT")
    except sqlite3.Error as error:
        raise explain(path, error) from error
    return cut, file, digest, events


def _row(cut: Cut, file: Path, digest: str) -> dict[str, object]:
    return {
        "number": cut.number, "at_ms": cut.at_ms, "why": ARCHIVE, "last_gutter": cut.last_gutter,
        "archive": file.name, "digest": digest, "state": cut.state.as_text(),
    }  # fmt: skip


def _first_kept(ledger: sqlite3.Connection, older_than_ms: int) -> int | None:
    """The first move that stays; None if no older one is here."""
    run = ledger.execute
    row = run("SELECT number, intended_ms FROM moves ORDER BY number DESC LIMIT 1").fetchone()
    if row is None:
        return None
    last, last_ms = row
    (event_ms,) = run("SELECT max(at_ms) FROM (SELECT at_ms FROM events ORDER BY id DESC"
                      " LIMIT 1)").fetchone()  # fmt: skip
    (boot_ms,) = run("SELECT max(started_ms) FROM boots").fetchone()
    until_ms = max(last_ms, event_ms or 0, boot_ms or 0) - older_than_ms
    bases = [point.number for point in read_checkpoints(ledger)]
    low, high = max([1, *bases]), last
    first = low
    while low < high:  # numbers follow one another, and so do their times
        middle = (low + high) // 2
        found = run("SELECT number, intended_ms FROM moves WHERE number >= ? LIMIT 1",
                    (middle,)).fetchone()  # fmt: skip
        if found[1] < until_ms:
            low = max(found[0], middle) + 1
        else:
            high = middle
    (needed,) = run(FIRST_STILL_NEEDED).fetchone()
    number = min(low, last, last if needed is None else needed)  # the last stays: numbers go on
    return number if number > first else None


def _cut(path: str, ledger: sqlite3.Connection, number: int, tell: Tell) -> Cut:
    """The state before that move, by a replay of all before it that is here."""
    findings = Findings()
    places, stations = read_places(ledger)
    machine = Machine(places, stations)
    checkpoints = read_checkpoints(ledger)
    replay = Replay(machine, checkpoints, read_boots(ledger, findings), findings)
    at_ms = replay.until(ledger, number, lambda done, total: tell("moves", done, total))
    first = findings.first()
    if first is not None:
        raise LedgerBroken(
            f"ledger {path}: {first.text}; what breaks a rule is not archived:"
            f" linectl ledger verify {path}. Nothing was altered."
        )
    last_boot = ledger.execute("SELECT max(id) FROM boots").fetchone()[0]
    still_open = {row[0] for row in ledger.execute(OPEN, (last_boot + 1,)) if row[0] < number}
    under_way = frozenset({move[1] for move in replay.waiting} | still_open)
    standing = [Standing(gutter, *machine.parts(key)) for gutter, key in machine.standing()]
    strokes = {p.id: machine.strokes[p.id] for p in places if p.kind == "run"}
    unsure = any(s.gutter in machine.unsure for s in standing)
    reserved = None if unsure else tuple((g, run) for run, g in sorted(machine.reserved.items()))
    (from_ms,) = ledger.execute(
        "SELECT intended_ms FROM moves WHERE number >= ? ORDER BY number LIMIT 1",
        (replay.from_number,),
    ).fetchone()
    state = State(tuple(sorted(standing)), strokes, reserved, under_way)
    return Cut(
        replay.from_number, number, from_ms, at_ms, machine.last_gutter, state, machine, checkpoints
    )


# taking away ------------------------------------------------------------------------------------


def _end_interrupted(path: str, folder: Path, tell: Tell) -> None:
    """Take away what the last archive has and the ledger still holds."""
    with looking(path, VERSION) as ledger:
        point = _left_by(ledger)
    if point is None:
        return
    file = folder / point.archive
    if check_mark(file) != point.digest:
        raise LedgerBroken(
            f"{file}: it is not the archive that the ledger's moves before {point.number} went to;"
            " bring that one here. Nothing was taken away."
        )
    _take_away(path, point.number, point.state.under_way, point.at_ms, tell)


def _left_by(ledger: sqlite3.Connection) -> Checkpoint | None:
    points = [point for point in read_checkpoints(ledger) if point.why == ARCHIVE]
    if not points:
        return None
    last = points[-1]
    rows = ledger.execute("SELECT number FROM moves WHERE number < ?", (last.number,))
    if any(row[0] not in last.state.under_way for row in rows):
        return last
    events = ledger.execute(f"SELECT 1 FROM events WHERE at_ms < ? AND {_goes(ledger, last.at_ms)}"
                            " ORDER BY id LIMIT 1", (last.at_ms,))  # fmt: skip
    return last if events.fetchone() else None


def _goes(connection: sqlite3.Connection, at_ms: int) -> str:
    """SQL: which events from before `at_ms` go. What a person set stays: it holds until another
    says otherwise. Nothing told later, and nothing taken away meanwhile, alters the answer."""
    last = connection.execute(
        f"SELECT max(id) FROM events WHERE kind IN ({SET_BY_PEOPLE}) AND kind IN ({COUNTED})"
        " AND at_ms < ? GROUP BY kind, source",
        (at_ms,),
    )
    stay = ", ".join(str(number) for (number,) in last)
    counted = f"(kind IN ({COUNTED}) AND id NOT IN ({stay}))"
    return f"(kind NOT IN ({SET_BY_PEOPLE}) OR {counted})"


def _take_away(path: str, number: int, under_way: frozenset[int], at_ms: int, tell: Tell) -> int:
    """Delete what the archive has, in steps from the first on; returns how many moves."""
    kept = ", ".join(str(n) for n in sorted(under_way))
    moves = (
        "DELETE FROM moves WHERE number IN (SELECT number FROM moves WHERE number < ?"
        f" AND number NOT IN ({kept}) ORDER BY number LIMIT {ROWS_A_STEP})"
    )
    try:
        with closing(_writer(path)) as connection:
            (total,) = connection.execute(
                "SELECT count(*) FROM moves WHERE number < ?", (number,)
            ).fetchone()
            taken = 0
            while step := _step(lambda: connection.execute(moves, (number,)).rowcount):
                taken += step
                tell("moves taken away", taken, total)
            goes = _goes(connection, at_ms)
            bounds = _event_bounds(connection, at_ms, goes)
            events = (
                "DELETE FROM events WHERE id IN (SELECT id FROM events WHERE id >= ? AND id < ?"
                f" AND {goes} ORDER BY id LIMIT {ROWS_A_STEP})"
            )
            while bounds and _step(lambda: connection.execute(events, bounds).rowcount):
                pass
    except sqlite3.Error as error:
        raise explain(path, error) from error
    return taken


def _event_bounds(connection: sqlite3.Connection, at_ms: int, goes: str) -> tuple[int, int] | None:
    """Ids of the first event that goes and of the first that is too young, looked up beforehand:
    a step that searched for them would keep the controller waiting."""
    first = connection.execute(f"SELECT min(id) FROM events WHERE {goes}").fetchone()[0]
    young = connection.execute(
        "SELECT id FROM events WHERE id >= ? AND at_ms >= ? ORDER BY id LIMIT 1", (first, at_ms)
    ).fetchone()
    last = connection.execute("SELECT max(id) FROM events").fetchone()[0]
    return None if first is None else (first, last + 1 if young is None else young[0])


def _give_back(path: str, tell: Tell) -> bool:
    """Free pages go back to the disk, some at a time; False where the file cannot (version 1)."""
    try:
        with closing(_writer(path)) as connection:
            run = connection.execute
            if run("PRAGMA auto_vacuum").fetchone()[0] != 2:
                return False
            (total,) = run("PRAGMA freelist_count").fetchone()
            left = total
            while left:
                _step(lambda: len(run(f"PRAGMA incremental_vacuum({PAGES_A_STEP})").fetchall()))
                (now,) = run("PRAGMA freelist_count").fetchone()
                if now >= left:
                    break  # a reader holds the moment
                left = now
                tell("pages given back", total - left, total)
            run("PRAGMA wal_checkpoint(PASSIVE)")
    except sqlite3.Error as error:
        raise explain(path, error) from error
    return True


def _step(act: Callable[[], int]) -> int:
    """One transaction, then a rest in which the controller's commits go first."""
    began = time.monotonic()
    found = act()
    time.sleep(max(REST_MIN_S, REST * (time.monotonic() - began)))
    return found


def _writer(path: str) -> sqlite3.Connection:
    """A second writer beside the controller: each statement is a short transaction of its own."""
    connection = sqlite3.connect(
        f"{Path(path).absolute().as_uri()}?mode=rw", uri=True, timeout=5 * BUSY_MS / 1000,
        isolation_level=None,
    )  # fmt: skip
    connection.execute("PRAGMA journal_mode = WAL")  # one just restored is not yet
    connection.execute("PRAGMA synchronous = FULL")
    return connection

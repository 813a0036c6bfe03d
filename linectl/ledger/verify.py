"""`ledger verify`: the whole history replayed and held against every rule and table."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from linectl.ledger.checkpoint import Checkpoint, read_checkpoints
from linectl.ledger.looking import looking
from linectl.ledger.verify_moves import Machine
from linectl.ledger.verify_replay import Boot, Replay
from linectl.ledger.verify_rules import CHECKPOINT, PAGES, RULES, Finding, Findings
from linectl.ledger.verify_state import PlaceRow
from linectl.ledger.verify_tables import (
    check_checkpoints,
    check_counts,
    check_events,
    check_gutters,
    check_lots,
    check_pages,
    check_strokes,
    read_boots,
    read_places,
)

Tell = Callable[[str, int, int], None]
"""Told now and then: (what is being done, how much of it, of how much)."""


def silent(what: str, done: int, total: int) -> None:
    """For who wants no progress."""


@dataclass
class Verdict:
    """What `verify` found. `moves`: rows read; `from_number`: the first that was replayed."""

    path: str
    site: str = ""
    moves: int = 0
    done: int = 0
    gutters: int = 0
    standing: int = 0
    boots: int = 0
    events: int = 0
    from_number: int = 1
    left_over: int = 0
    """Moves that an interrupted archive has not yet taken away."""
    findings: Findings = field(default_factory=Findings)

    @property
    def ok(self) -> bool:
        """True if no row breaks a rule."""
        return not self.findings

    @property
    def first(self) -> Finding | None:
        """The first row that breaks one."""
        return self.findings.first()

    def as_json(self) -> dict[str, Any]:
        """Keys as `ledger verify --json` prints them."""
        first = self.first
        return {
            "ledger": self.path, "site": self.site, "ok": self.ok, "moves": self.moves,
            "done": self.done, "from_number": self.from_number, "left_over": self.left_over,
            "gutters": self.gutters, "standing": self.standing, "boots": self.boots,
            "events": self.events,
            "first": None if first is None else first.as_json(),
            "findings": [finding.as_json() for finding in self.findings.kept],
            "rules": [
                {"rule": rule.name, "holds": rule.holds,
                 "broken": self.findings.counts.get(rule.name, 0)}
                for rule in RULES
            ],
        }  # fmt: skip


def verify(path: str, tell: Tell = silent) -> Verdict:
    """Prove the ledger's invariants over all that it holds.

    Works while a controller writes: it sees the moment at which it began. Raises LedgerUnreachable
    where the file cannot be looked at at all.
    """
    with looking(path) as connection:
        return verify_open(path, connection, tell)


def verify_open(path: str, connection: sqlite3.Connection, tell: Tell = silent) -> Verdict:
    """The same for an open connection in a transaction."""
    verdict = Verdict(path)
    findings = verdict.findings
    tell("pages", 0, 1)
    check_pages(connection, findings)
    tell("pages", 1, 1)
    checkpoints: list[Checkpoint] = []
    try:
        verdict.site = _one(connection, "SELECT coalesce(max(value), '') FROM meta WHERE"
                            " key = 'site'")  # fmt: skip
        try:
            checkpoints = read_checkpoints(connection)
        except ValueError as error:
            findings.add(CHECKPOINT, "checkpoint", "all", f"the checkpoint: {error}")
        places, stations = read_places(connection)
        boots = read_boots(connection, findings)
        _replay(connection, verdict, checkpoints, (places, stations, boots), tell)
    except sqlite3.DatabaseError as error:
        if not any(f.rule is PAGES for f in findings.kept):
            findings.add(PAGES, "pages", "file", f"a table cannot be read: {error}")
    return verdict


def _replay(
    connection: sqlite3.Connection,
    verdict: Verdict,
    checkpoints: list[Checkpoint],
    tables: tuple[list[PlaceRow], dict[str, str], list[Boot]],
    tell: Tell,
) -> None:
    places, stations, boots = tables
    findings = verdict.findings
    machine = Machine(places, stations)
    replay = Replay(machine, checkpoints, boots, findings)
    verdict.boots, verdict.from_number = len(boots), replay.from_number
    total = _one(connection, "SELECT count(*) FROM moves")
    try:
        replay.run(connection, total, lambda done, total: tell("moves", done, total))
    except sqlite3.DatabaseError as error:
        last = replay.number
        findings.add(
            PAGES, "pages", "file", f"the move after number {last} cannot be read: {error}"
        )
        return
    finally:
        verdict.moves, verdict.done = replay.read, replay.done
        verdict.left_over = replay.left_over
    tell("tables", 0, 1)
    check_strokes(places, machine, findings)
    verdict.standing = check_gutters(connection, machine, findings)
    check_counts(machine, verdict.standing, findings)
    check_lots(connection, findings)
    check_checkpoints(connection, checkpoints, findings)
    check_events(connection, findings)
    verdict.gutters = _one(connection, "SELECT count(*) FROM gutters")
    verdict.events = _one(connection, "SELECT count(*) FROM events")
    tell("tables", 1, 1)


def _one(connection: sqlite3.Connection, sql: str) -> Any:
    return connection.execute(sql).fetchone()[0]

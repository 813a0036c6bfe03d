"""What the ledger says: where gutters stand, what happened to them, what people left set."""

from __future__ import annotations

import json
import sqlite3
from typing import Any

from linectl.image import Left, Loaded, Slot
from linectl.ledger import lots
from linectl.ledger.opening import explain
from linectl.ledger.places import UNKNOWN
from linectl.ledger.schema import KINDS, SET_BY_PEOPLE


class Reading:
    """Questions to an open ledger, seen from one boot. Raises LedgerUnreachable."""

    def __init__(
        self, path: str, connection: sqlite3.Connection, boot: int, started_ms: int
    ) -> None:
        self.path = path
        self.boot = boot
        self.started_ms = started_ms
        self._connection = connection

    def standing(self) -> list[Slot]:
        """What stands in the lanes, mouth to tail: runs' slots and the transfers between.

        Times are milliseconds on this boot's clock (negative: before it began). A gutter that
        was never sown counts as ripe since it was indexed. One that nobody has named is -1.
        """
        rows = self._all(
            "SELECT p.name, p.kind, p.strokes - g.seat, g.id, g.crop,"
            " coalesce(g.sown_ms, g.indexed_ms), coalesce(g.ripe_ms, g.indexed_ms)"
            " FROM places p CROSS JOIN gutters g ON g.place = p.id"
            " WHERE p.kind IN ('run', 'transfer') ORDER BY p.id, 3"
        )
        start = self.started_ms
        return [
            Slot(
                f"{name}.{slot}" if kind == "run" else name,
                max(gutter, UNKNOWN),
                crop,
                (start if sown is None else sown) - start,
                (start if ripe is None else ripe) - start,
            )
            for name, kind, slot, gutter, crop, sown, ripe in rows
        ]

    def places(self) -> dict[int, str]:
        """Place of every named gutter that is in the machine or the lanes."""
        rows = self._all(
            "SELECT g.id, p.name || iif(p.kind = 'run', '.' || (p.strokes - g.seat), '')"
            " FROM places p CROSS JOIN gutters g ON g.place = p.id"
            " WHERE p.kind != 'end' AND g.id > 0"
        )
        return dict(rows)

    def left_by_people(self) -> list[Left]:
        """Bypasses, forces and overrides that no record has as ended, and bypasses not yet tried.

        Times are milliseconds on this boot's clock, below zero.
        """
        rows = self._all(
            "SELECT e.kind, e.source, e.at_ms, e.data, coalesce(b.ended_ms,"
            "  (SELECT max(at_ms) FROM events l WHERE l.boot = e.boot))"
            " FROM events e JOIN boots b ON b.id = e.boot WHERE e.id IN (SELECT max(id)"
            f"  FROM events WHERE kind IN ({SET_BY_PEOPLE})"
            "  AND kind IN ('bypass', 'force', 'override') GROUP BY kind, source)"
            " ORDER BY e.id"
        )
        found = []
        for kind, name, at_ms, text, until_ms in rows:
            data = json.loads(text)
            if data["stage"] in ("tried", "ended"):
                continue
            in_force = data["stage"] == "begun"
            since_ms = at_ms - (0 if in_force else data["for_ms"])
            times = (since_ms - self.started_ms, until_ms - self.started_ms)
            found.append(Left(kind, name, data["by"], data["reason"], *times, in_force))
        return found

    def lots_in_use(self) -> list[Loaded]:
        """The lots that people have named as loaded; times on this boot's clock, below zero."""
        try:
            return lots.loaded(self._connection, self.started_ms)
        except sqlite3.Error as error:
            raise explain(self.path, error) from error

    def exposure(self) -> dict[str, list[int]]:
        """By cause: bypasses that have ended, ms in force, how often the cause came meanwhile."""
        sums: dict[str, list[int]] = {}
        kept = f"SELECT source, data FROM events WHERE kind IN ({SET_BY_PEOPLE})"
        for cause, text in self._all(kept + " AND kind = 'bypass'"):
            data = json.loads(text)
            if data["stage"] == "acts again":
                total = sums.setdefault(cause, [0, 0, 0])
                for place, more in enumerate((1, data["for_ms"], data["came"])):
                    total[place] += more
        return sums

    def next_gutter(self) -> int:
        """The first gutter id never used here."""
        return max(self._one("SELECT coalesce(max(id), 0) FROM gutters"), 0) + 1

    def next_move(self) -> int:
        """The first move number never used here."""
        return self._one("SELECT coalesce(max(number), 0) FROM moves") + 1

    def counts(self) -> dict[str, int]:
        """Gutters by what happened to them in this boot, and where they are now.

        in_lanes_at_start + indexed = ejected + in_lanes + removed_from_lanes.
        """
        boot = (self.boot,)
        done = dict(
            self._all(
                "SELECT kind, count(*) FROM moves WHERE boot = ? AND took_ms IS NOT NULL"
                " GROUP BY kind",
                boot,
            )
        )
        told = {name: done.get(code, 0) for name, code in KINDS.items()}
        in_sower = (
            "SELECT count(*) FROM places p CROSS JOIN gutters g ON g.place = p.id"
            " WHERE p.kind = 'sowing'"
        )
        removed = (
            "SELECT count(*) FROM moves m JOIN places s ON s.id = m.source"
            " JOIN places d ON d.id = m.dest WHERE m.boot = ? AND m.took_ms IS NOT NULL"
            f" AND m.kind = {KINDS['correct']} AND d.name = 'removed'"
        )
        return {
            "in_lanes_at_start": self._one("SELECT in_lanes FROM boots WHERE id = ?", boot),
            "fed": told["feed"],
            "seeded": self._one(
                "SELECT count(*) FROM gutters WHERE sown_ms >= ? AND id > 0", (self.started_ms,)
            ),
            "indexed": told["insert"],
            "ejected": told["eject"],
            "handed_over": told["handover"],
            "rejected": told["reject"],
            "removed": self._one(removed, boot),
            "removed_from_lanes": self._one(removed + " AND s.kind IN ('run', 'transfer')", boot),
            "in_sower": self._one(in_sower),
            "in_sower_seeded": self._one(in_sower + " AND g.sown_ms IS NOT NULL"),
            "in_lanes": self._in_lanes(),
        }

    def lanes(self) -> list[dict[str, int]]:
        """Per lane: its slots, and how many are filled."""
        rows = self._all(
            "SELECT lane, (SELECT sum(slots) FROM places q WHERE q.lane = p.lane AND kind = 'run'),"
            " (SELECT count(*) FROM gutters g JOIN places r ON r.id = g.place"
            "  WHERE r.lane = p.lane AND r.kind = 'run')"
            " FROM places p WHERE kind = 'run' GROUP BY lane ORDER BY lane"
        )
        return [dict(zip(("lane", "slots", "filled"), row, strict=True)) for row in rows]

    def _in_lanes(self) -> int:
        return self._one(
            "SELECT count(*) FROM places p CROSS JOIN gutters g ON g.place = p.id"
            " WHERE p.kind IN ('run', 'transfer')"
        )

    def _one(self, sql: str, values: tuple[object, ...] = ()) -> int:
        return int(self._all(sql, values)[0][0])

    def _all(self, sql: str, values: tuple[object, ...] = ()) -> list[tuple[Any, ...]]:
        try:
            return self._connection.execute(sql, values).fetchall()
        except sqlite3.Error as error:
            raise explain(self.path, error) from error

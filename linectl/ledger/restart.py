"""What a controller is told as it begins: where all stands, what was under way, what people set."""

from __future__ import annotations

import json
from collections.abc import Container
from typing import Any

from linectl.image import ChangeoverLeft, DayLeft, Inside, LaneSet, Move, Start
from linectl.ledger.reading import Reading
from linectl.ledger.schema import IN_LANES, KINDS, SET_BY_PEOPLE

MOTIONS = ("feed", "convey", "process", "pick", "put", "insert", "stroke", "transfer", "eject",
           "handover")  # fmt: skip
"""Kinds that take time, so that a power cut can find them under way."""


def _codes(*kinds: str) -> str:
    return ", ".join(str(KINDS[kind]) for kind in kinds)


_GONE = f"""
    SELECT 1 FROM moves AS l WHERE l.gutter = m.gutter AND m.gutter > 0 AND l.number > m.number
      AND l.kind NOT IN ({_codes("reserve", "release", "process")})
"""

_USED = f"""
    SELECT 1 FROM moves AS l WHERE l.number > m.number
      AND l.kind NOT IN ({_codes("reserve", "release", "stroke")})
      AND (l.kind = {KINDS["process"]}) = (m.kind = {KINDS["process"]})
      AND ((d.kind != 'end' AND l.dest = m.dest AND l.dest_slot = m.dest_slot)
           OR (s.kind != 'end' AND l.source = m.source AND l.source_slot = m.source_slot))
"""

_MOVED_ON = f"""
    SELECT 1 FROM moves AS l WHERE l.kind IN ({IN_LANES}) AND l.source = m.source
      AND l.number > m.number AND l.kind = m.kind AND l.source_slot = m.source_slot
"""

_CORRECTED = f"""
    SELECT 1 FROM moves AS l WHERE l.kind = {KINDS["correct"]} AND l.gutter = m.gutter
      AND l.number > m.number AND l.source = m.source AND l.source_slot = m.source_slot
"""

OPEN = f"""
SELECT t.number, t.kind, t.gutter, t.source, t.dest, coalesce(c.crop, ''), t.intended_ms
FROM moves AS m JOIN moves_told AS t ON t.number = m.number
JOIN places AS s ON s.id = m.source JOIN places AS d ON d.id = m.dest
LEFT JOIN gutters AS c ON c.id = m.gutter
WHERE m.took_ms IS NULL AND m.boot < ? AND m.kind IN ({_codes(*MOTIONS)})
  AND NOT EXISTS ({_GONE})
  AND CASE WHEN m.kind IN ({IN_LANES})
      THEN NOT EXISTS ({_MOVED_ON}) AND (m.source = m.dest OR NOT EXISTS ({_CORRECTED}))
      ELSE NOT EXISTS ({_USED}) END
ORDER BY m.number
"""
"""Moves never seen done that nothing told later contradicts. A gutter is under way by one move at
a time, and a place takes part in one: so a later move of the same gutter (a person's, too), or to
or from the same place, ends an open one. A tool works while its gutter is still on its way in, so
only a later work ends a work, or the gutter's leaving; only a later stroke of its run a stroke.

Stations and carriages are used by every gutter, so a later use is found soon; what a lane does has
an index, for it may rest while the others go on."""

RESERVED = f"""
SELECT p.lane, m.gutter FROM places AS q CROSS JOIN gutters AS g ON g.place = q.id
CROSS JOIN moves AS m ON m.number = (
    SELECT max(number) FROM moves
    WHERE gutter = g.id AND kind IN ({_codes("reserve", "release", "insert")})
      AND took_ms IS NOT NULL)
JOIN places AS p ON p.id = m.dest
WHERE q.kind = 'sowing' AND m.kind = {KINDS["reserve"]} ORDER BY m.number
"""

WORKED = f"""
SELECT p.name, count(m.took_ms) FROM moves AS m JOIN places AS p ON p.id = m.source
WHERE m.gutter = ? AND m.kind = {KINDS["process"]} GROUP BY p.id ORDER BY min(m.number)
"""

INSIDE = """
SELECT g.id, p.name, g.crop, coalesce(g.sown_ms, g.indexed_ms), coalesce(g.ripe_ms, g.indexed_ms),
       g.wet_ms
FROM places AS p CROSS JOIN gutters AS g ON g.place = p.id
WHERE p.kind IN ('sowing', 'harvest') ORDER BY p.id, g.id
"""

LAST_SET = f"""
SELECT source, data FROM events WHERE id IN (
    SELECT max(id) FROM events WHERE kind IN ({SET_BY_PEOPLE}) AND kind = ? GROUP BY source)
"""


class Restart(Reading):
    """The record of earlier boots as a line's start. Times are ms on this boot's clock."""

    def read_start(self, crops: Container[str]) -> Start:
        """All of it. `crops`: those that the site has; another is not put in the drum."""
        crop = self._last_set("crop_set", "crop", "")
        return Start(
            slots=self.standing(),
            inside=self.inside(),
            moves=self.open_moves(),
            reserved=dict(self._all(RESERVED)),
            lanes={
                int(lane.removeprefix("lane")): LaneSet(**json.loads(data))
                for lane, data in self._all(LAST_SET, ("lane_set",))
            },
            crop=crop if crop in crops else "",
            order_at=self._last_set("order", "at", 0),
            day=self._day_left(),
            changeover=self._changeover_left(),
            blend=self._last("blend"),
            next_gutter=self.next_gutter(),
            next_move=self.next_move(),
        )

    def open_moves(self) -> list[Move]:
        """Moves of earlier boots that were intended, never seen done, and not settled since."""
        return [
            Move(number, kind, gutter, source, dest, crop, False, intended - self.started_ms)
            for number, kind, gutter, source, dest, crop, intended in self._all(OPEN, (self.boot,))
        ]

    def inside(self) -> list[Inside]:
        """What stands at stations, carriages and turntables: work in progress at a power cut."""
        return [
            Inside(
                gutter,
                place,
                crop,
                self._own(sown),
                self._own(ripe),
                self._own(wet),
                *self._worked(gutter),
            )
            for gutter, place, crop, sown, ripe, wet in self._all(INSIDE)
        ]

    def _worked(self, gutter: int) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """Stations whose work on it is known done; those that began it and never ended."""
        told = self._all(WORKED, (gutter,))
        return tuple(name for name, done in told if done), tuple(n for n, done in told if not done)

    def _own(self, time_ms: int | None) -> int | None:
        return None if time_ms is None else time_ms - self.started_ms

    def _day_left(self) -> dict[int, DayLeft]:
        """Today's list by lane: each lane's last word holds, unless that ended the list."""
        told = {
            int(lane.removeprefix("lane")): json.loads(data)
            for lane, data in self._all(LAST_SET, ("day_list",))
        }
        return {
            lane: DayLeft(tuple((crop, gutters) for crop, gutters in data["sow"]), data["pull"])
            for lane, data in told.items()
            if data["stands"]
        }

    def _changeover_left(self) -> ChangeoverLeft | None:
        data = self._last("changeover")
        left = ChangeoverLeft(
            **{name: data[name] for name in ChangeoverLeft._fields if name in data}
        )
        return left if left.stage != "none" else None

    def _last(self, kind: str) -> dict[str, Any]:
        """The data of the last event of a kind that has one source; empty: there is none."""
        told = self._all(LAST_SET, (kind,))
        found: dict[str, Any] = json.loads(told[-1][1]) if told else {}
        return found

    def _last_set(self, kind: str, key: str, unset: Any) -> Any:
        return self._last(kind).get(key, unset)

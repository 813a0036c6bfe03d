"""The abstraction of a line's state: times only not running, running, or past; numbers from 1.

A due that runs keeps no length: it may end at any moment, when the explorer says so. What the line
compares with each other keeps its order and nothing else: since when mouths are open, which tail
ripened first. Ages that the line measures are right (a gutter is lit for its length). Gutters and
moves are numbered anew in the order of their places, in the line and in the plant alike. So there
are finitely many states, and a state is saved in the form in which it is compared.
"""

from __future__ import annotations

from dataclasses import fields
from typing import Any

from explorer.world import World
from linectl.image import Move
from linectl.line import Line
from linectl.line.alarms import Alarm
from linectl.line.conveyor import Conveyor
from linectl.line.gutters import Gutter
from linectl.line.inputs import NEVER
from linectl.line.snapshot import LINE_FIELDS, PRIVATE_FIELDS

NOW = 10_000_000
"""The time at which every state stands, in ms; a step's scan comes 1 ms later."""
RUNNING = NOW + 1_000_000
PAST = NOW
LONG_AGO = 0
_GUTTER = [field.name for field in fields(Gutter)]
_TOLD_ONLY = frozenset(("reason", "asked_reason", "since", "suspended_at"))
"""State that is only told to people."""
Saved = tuple[Any, ...]


def running(due: int) -> bool:
    """True for a due that may yet come."""
    return NOW + 1 < due < NEVER >> 1


def _due(due: int) -> int:
    if due >= NEVER >> 1:
        return NEVER
    return RUNNING if due > NOW + 1 else PAST


def _frozen(value: Any) -> Any:
    kind = type(value)
    if kind is list:
        return tuple(
            [_frozen(item) for item in value] if value and type(value[0]) is list else value
        )
    if kind is dict:
        return tuple(value.items())
    return frozenset(value) if kind is set else value


def _thawed(value: Any, kind: type) -> Any:
    if kind is list:
        nested = bool(value) and type(value[0]) is tuple
        return [list(item) for item in value] if nested else list(value)
    if kind is dict or kind is set:
        return kind(value)
    return value


class Keeper:
    """Saves, restores and normalises one line, field by field; a test holds it to the snapshot."""

    def __init__(self, line: Line) -> None:
        self.line = line
        self.things = [
            line.causes,
            line.ledger_word,
            line.waiting,
            line.order,
            *line.units,
            *line.parts,
        ]
        self._places = [(line.inputs, n) for n in type(line.inputs).FIELDS]
        self._places += [(line, n) for n in (*LINE_FIELDS, *PRIVATE_FIELDS) if n != "now"]
        self._told_only: list[bool] = [True] * len(self._places)
        for thing in self.things:
            for name in type(thing).FIELDS:
                self._places.append((thing, name))
                self._told_only.append(name in _TOLD_ONLY)
        keyed = ("asked", "counted", "crop_in_drum", "words", "durable", "first_due", "polled",
                 "ready", "released", "_bits", "_lanes_moving")  # fmt: skip
        for at, (thing, name) in enumerate(self._places):
            if thing in (line, line.inputs) and name in keyed:
                self._told_only[at] = False
        self._kinds = [type(getattr(thing, name)) for thing, name in self._places]
        self._keyed = [at for at, told in enumerate(self._told_only) if not told]
        self._belts = [part for part in line.parts if isinstance(part, Conveyor)]
        length = line.site.file.gutter.length_mm
        self._lit = {b.name: length * 1000 // b.facts.speed_mm_s for b in self._belts}
        self._wet_ms = line.site.file.limits.wet_limit_ms

    # keeping -----------------------------------------------------------------------------------

    def save(self) -> Saved:
        """The line's state, which is taken to be normal."""
        line = self.line
        return (
            tuple([_frozen(getattr(thing, name)) for thing, name in self._places]),
            tuple([tuple([getattr(g, n) for n in _GUTTER]) for g in line.gutters.values()]),
            tuple(line.open_moves.values()),
            tuple(line.alarms.standing.values()),
        )

    def load(self, saved: Saved) -> None:
        """The line is again as it was when saved."""
        line = self.line
        plain, gutters, moves, alarms = saved
        for (thing, name), kind, value in zip(self._places, self._kinds, plain, strict=True):
            if kind is list or kind is dict or kind is set:
                value = _thawed(value, kind)
            setattr(thing, name, value)
        line.gutters.clear()
        line.gutters.update({row[0]: Gutter(*row) for row in gutters})
        line.open_moves.clear()
        line.open_moves.update({move.number: move for move in moves})
        line.alarms.standing = {alarm.tag: alarm for alarm in alarms}
        line.now = NOW
        line.first_out.restore({"count": 0, "open": []})
        line.causes.add_up()
        line.settled()
        line._events.clear()
        line._moves.clear()

    def key(self, saved: Saved) -> Saved:
        """What of a saved state decides what comes next."""
        plain, gutters, moves, alarms = saved
        targets = tuple(c.goal_mm for c in self.line.ends.carriages)
        return (
            tuple([plain[at] for at in self._keyed]),
            tuple([(row[0], *row[2:]) for row in gutters]),
            tuple([move[:6] for move in moves]),
            frozenset([alarm.tag for alarm in alarms]),
            targets,
        )

    # the normal form ---------------------------------------------------------------------------

    def normalise(self, world: World) -> None:
        """Times to their classes, numbers to the order of places."""
        self._times()
        self._number(world)
        line = self.line
        order = line.site.file.sowing.harvest_order
        line.order.at %= max(1, len(order))
        line.gutters = dict(sorted(line.gutters.items()))
        line.alarms.standing = {
            tag: Alarm(a.tag, a.priority, a.text, a.do, NOW - 10, False)
            for tag, a in sorted(line.alarms.standing.items())
        }

    def _times(self) -> None:
        line = self.line
        line.now = NOW
        for part in line.parts:
            part.due, part.act_at = _due(part.due), _due(part.act_at)
        for belt in self._belts:
            if 0 <= belt.seen_at < NEVER:
                belt.seen_at = NOW + 1 - self._lit[belt.name]
        for unit in line.units:
            unit.due, unit.idle_due = _due(unit.due), _due(unit.idle_due)
            unit.since = NOW
            unit.suspended_at = NEVER if unit.suspended_at == NEVER else NOW
            unit.proven_since = NEVER if unit.proven_since == NEVER else NOW
        line.waiting.mutual_due, line.first_due = (
            _due(line.waiting.mutual_due),
            _due(line.first_due),
        )
        self._causes()
        lanes = line.lanes.lanes
        opened = sorted({lane.open_since for lane in lanes if lane.open_since != NEVER})
        for lane in lanes:
            if lane.open_since != NEVER:
                lane.open_since = NOW - 100 + opened.index(lane.open_since)
        ripe = sorted({g.ripe_at for g in line.gutters.values() if g.ripe_at <= NOW + 1})
        for gutter in line.gutters.values():
            if gutter.sown_at != NEVER:
                gutter.sown_at = NOW - 1
            if gutter.ripe_at <= NOW + 1:
                gutter.ripe_at = NOW - 1000 + ripe.index(gutter.ripe_at)
            elif gutter.ripe_at != NEVER:
                gutter.ripe_at = RUNNING
            if gutter.wet_at != NEVER:
                over = gutter.wet_at + self._wet_ms <= NOW + 1
                gutter.wet_at = NOW - self._wet_ms - 5 if over else NOW

    def _causes(self) -> None:
        causes = self.line.causes
        causes.due = {n: _due(due) for n, due in sorted(causes.due.items())}
        causes.off_due = {n: _due(due) for n, due in sorted(causes.off_due.items())}
        causes.came = dict.fromkeys(sorted(causes.came), LONG_AGO)
        causes.held = [NEVER if held == NEVER else NOW for held in causes.held]
        self.line.first_out.restore({"count": 0, "open": []})  # only told: a stop acts all the same

    def _number(self, world: World) -> None:
        line = self.line
        found: list[int] = [part.gutter for part in line.parts if part.gutter > 0]
        for lane in line.lanes.lanes:
            found += [g for run in lane.slots for g in run if g > 0]
            found += [lane.reserved] if lane.reserved else []
        found += [*world.bodies(), *line.gutters, *(m.gutter for m in line.open_moves.values())]
        number = {g: n for n, g in enumerate(dict.fromkeys(g for g in found if g > 0), 1)}
        number |= {0: 0, -1: -1}
        for gutter in line.gutters.values():
            gutter.id = number[gutter.id]
        line.gutters = {gutter.id: gutter for gutter in line.gutters.values()}
        moves = {old: n for n, old in enumerate(sorted(line.open_moves), 1)}
        for part in line.parts:
            part.gutter = number[part.gutter]
            part.number = moves.get(part.number, -1 if part.number else 0)
            if isinstance(part, Conveyor):
                part.process = moves.get(part.process, 0)
        for lane in line.lanes.lanes:
            lane.slots = [[number[g] for g in run] for run in lane.slots]
            lane.reserved = number[lane.reserved]
        waited = {part.word for part in line.parts if part.word > line.durable}
        words = {old: n for n, old in enumerate(sorted(waited), 1)}
        for part in line.parts:
            part.word = words.get(part.word, 0)
        line.durable, line.words = 0, len(words)
        line.ledger_word.waiting = [[len(words), RUNNING]] if words else []
        line.open_moves = {
            moves[old]: Move(moves[old], m.kind, number[m.gutter], *m[3:7], NOW)
            for old, m in sorted(line.open_moves.items())
        }
        line._next_gutter, line._next_move = len(number) - 1, len(moves) + 1
        world.renumber({g: n for g, n in number.items() if g > 0})

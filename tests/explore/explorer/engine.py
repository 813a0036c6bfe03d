"""One line on one plant without time: which steps are possible in a state, and what each leads to.

A step is one thing that happens: a motion of the machine, a reading told, a counter answered, an
intent durable, a timer's end, an act of a person, a fault. After it the line is scanned until it
changes nothing any more: the plant is taken to be slower than a few scans.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from explorer.canon import NOW, PAST, Keeper, running
from explorer.motion import Motion, Step
from explorer.world import BELTS, SEED, WATER, World
from linectl.image import Command, Event, Frame, Move, Slot, Start, Value
from linectl.line import Line
from linectl.line.inputs import NEVER
from linectl.site.model import Site

SCANS_MAX = 60
GOOD = {"fill.hopper_level": 150, "seed.seed_level": 40}
_UNLIT = ("horn_on", "beacon_on", "interlock_reset", "safety_reset", "doser_running",
          "brush_running", "drum_running", "entry_eye")  # fmt: skip
State = tuple[Any, ...]


class Engine:
    """The present state, and ways to another."""

    def __init__(self, site: Site, start: str = "") -> None:
        """`start`: all lanes full and ripe; `mutual`: as `waiting` makes it; `not_ready`: so too,
        and packing is not ready."""
        self.site = site
        self.io = site.tags
        at = NOW - 10_000
        slots = [
            Slot(f"{lane.prefix}.{lane.runs[0].name}.{n}", i * lane.slots + n + 1,
                 site.file.sowing.crop, -1, at)
            for i, lane in enumerate(site.file.lanes)
            for n in range(lane.slots)
        ]  # fmt: skip
        if start == "mutual":  # lane 1 has the hole, the drum what only lane 2 takes
            each = site.file.lanes[0].slots
            slots = [s._replace(crop="rocket") if s.gutter > each else s for s in slots[1:]]
        self.line = Line(site, Start(slots=slots, next_gutter=len(slots) + 2))
        self.parts: dict[str, Any] = {part.name: part for part in self.line.parts}
        self.world = World(site)
        for slot in slots:
            self.world.slots[slot.gutter - 1] = slot.gutter
        self.world.ready = start != "not_ready"
        self.keeper = Keeper(self.line)
        self.motion = Motion(self.world, self._on, self._target)
        self.tags = list(self.world.sense())
        self._safe = {p.tag: bool(p.safe) for p in site.points if p.direction == "out"}
        self._device = {p.tag: p.device for p in site.points}
        self._inputs = {
            name: [p for p in site.points if p.device == name and p.direction == "in"]
            for name in site.file.devices
        }
        self._rest: dict[str, Value] = {}
        self.told: dict[str, Value] = {}
        self.silent: frozenset[str] = frozenset()
        self.stuck: tuple[tuple[str, Value], ...] = ()
        self.moves: list[Move] = []
        self.events: list[Event] = []
        self.touched: frozenset[str] = frozenset()
        """Units that stood suspended while something happened; until a person starts them."""
        self.quiet: frozenset[str] = frozenset(("sowing", "harvest"))
        """Units whose machinery looks dead: standing, and no horn since."""
        self._begin()

    def _begin(self) -> None:
        truth = self.world.sense()
        frame = Frame()
        for point in (p for p in self.site.points if p.direction == "in"):
            tag = point.tag
            value = truth.get(tag)
            if value is None:
                lit = point.is_bool and not tag.endswith(_UNLIT)
                value = self._rest[tag] = GOOD.get(tag, lit if point.is_bool else 0)
            else:
                self.told[tag] = value
            frame.quality.append((point.index, True))
            frame.values.append((point.index, self._raw(tag, value)))
        self.line.first_due = NEVER
        self._scan(frame)
        self.keeper.normalise(self.world)

    def _raw(self, tag: str, value: Value) -> Value:
        point = self.site.points[self.io[tag]]
        return bool(value) is not point.invert if point.is_bool else value

    def _on(self, tag: str) -> bool:
        if self._device[tag] in self.silent:  # its own watchdog has made it safe
            return self._safe[tag]
        return bool(self.line.outputs[self.io[tag]])

    def _target(self, carriage: int) -> int:
        facts = self.line.ends.carriages[carriage]
        return int(self.line.outputs[facts.target])

    # states ------------------------------------------------------------------------------------

    def save(self) -> State:
        """The whole state; hashable, and restorable."""
        return (
            self.keeper.save(), self.world.save(), tuple(self.told.values()), self.silent,
            self.stuck, self.motion.dead, self.touched, self.quiet,
        )  # fmt: skip

    def load(self, state: State) -> None:
        """The state is as it was."""
        line, world, told, self.silent, self.stuck, *rest = state
        self.motion.dead, self.touched, self.quiet = rest
        self.keeper.load(line)
        self.world.load(world)
        self.told = dict(zip(self.told, told, strict=True))
        self.motion.broken.clear()

    def key(self, state: State) -> int:
        """64-bit hash of what decides the future."""
        return hash((self.keeper.key(state[0]), state[1:]))

    def touch(self, *units: str) -> None:
        """Something happened at the machine: who stands suspended may not start by itself."""
        suspended = {unit.name for unit in self.line.units if unit.state == "Suspended"}
        self.touched |= suspended.intersection(units) if units else suspended

    # what is possible --------------------------------------------------------------------------

    def machine(self) -> list[Step]:
        """What happens by itself: readings on their way, the ledger, motions, counters."""
        line = self.line
        found: list[Step] = []
        if self.differing():
            found.append(("field", "tell", 0))
        if line.durable < line.words:
            found.append(("ledger", "durable", 0))
        found += self.motion.steps()
        for z in (WATER, SEED):
            counter = self.parts[BELTS[z]].counter
            if counter in line.asks and self._device_of(counter) not in self.silent:
                found.append((BELTS[z], "count", z))
        return [step for step in found if not self._waits_for_clock(step)]

    def _device_of(self, index: int) -> str:
        return self.site.points[index].device

    def _waits_for_clock(self, step: Step) -> bool:
        """What is surely later than a timer: a tail under a tool comes after its start."""
        if step[1] == "head":  # beyond an exit eye that is blind, a belt soon stops
            before = self.parts[BELTS[step[2] - 1]]
            return before.state in ("settling", "seeking") and running(before.due)
        if step[1] not in ("tail_leaves", "tail_in"):
            return False
        part = self.parts[step[0]]
        return part.state == "leading" and running(part.act_at)

    def differing(self) -> list[str]:
        """Points whose reading differs from what the line was told."""
        truth = self.world.sense() | dict(self.stuck)
        told, silent, device = self.told, self.silent, self._device
        found = [tag for tag in self.tags if truth[tag] != told[tag]]
        return [tag for tag in found if device[tag] not in silent] if silent else found

    def would_alter(self, step: Step) -> list[str]:
        """Points that would read otherwise after a motion; nothing is done."""
        before = self.world.save()
        self.motion.do(step)
        self.motion.broken.clear()
        changed = self.differing()
        self.world.load(before)
        return changed

    # doing it ----------------------------------------------------------------------------------

    def do(self, step: Step) -> None:
        """The step happens, everything it alters is told at once, and the line comes to rest."""
        self.happen(step)
        self.tell(self.differing())

    def happen(self, step: Step) -> None:
        """The step happens in the machine; nothing is told of it yet."""
        if step[1] == "head":  # an age: it took its time
            part = self.parts[step[0]]
            if running(part.act_at):
                part.act_at = PAST
        if step[1] == "count":
            self._count(step[2])
        elif step[1] == "durable":
            self._scan(Frame(durable=self.line.words))
        elif step[1] != "tell":
            self.motion.do(step)

    def _count(self, z: int) -> None:
        w = self.world
        part: Any = self.parts[BELTS[z]]
        if part.state != "counting":
            w.counts[z] = 0
        value = w.counts[z] * part.wanted
        self._scan(Frame(values=[(part.counter, value)]))

    def tell(self, tags: Iterable[str]) -> None:
        """These readings reach the line in one frame."""
        truth = self.world.sense() | dict(self.stuck)
        frame = Frame()
        for tag in tags:
            self.told[tag] = truth[tag]
            frame.values.append((self.io[tag], self._raw(tag, truth[tag])))
        self._scan(frame)

    def command(self, unit: str, name: str, argument: str = "") -> str | None:
        """A person's command; None when taken, else why not."""
        self._scan(Frame(commands=[Command(unit, name, argument, "a person")]))
        said = [event for event in self.events if event.kind == "command"]
        return str(said[-1].data["why"]) if said and not said[-1].data["accepted"] else None

    def switch(self, tag: str, value: bool) -> None:
        """A guard, a stop, a selector: an input of the rest of the site."""
        if self._device[tag] not in self.silent:
            self._scan(Frame(values=[(self.io[tag], self._raw(tag, value))]))

    def quality(self, device: str, good: bool) -> None:
        """A device falls silent, or answers again and is read wholly."""
        self.silent = self.silent - {device} if good else self.silent | {device}
        frame = Frame(quality=[(p.index, good) for p in self._inputs[device]])
        if good:
            truth = self.world.sense() | dict(self.stuck)
            for point in self._inputs[device]:
                tag = point.tag
                if tag in truth:
                    self.told[tag] = truth[tag]
                    frame.values.append((point.index, self._raw(tag, truth[tag])))
                elif tag in self._rest:
                    value = self._rest[tag] if tag not in self.world.open_stops else False
                    frame.values.append((point.index, self._raw(tag, value)))
        self._scan(frame)

    def scan(self) -> None:
        """Nothing but time has passed."""
        self._scan(Frame())

    def _scan(self, frame: Frame) -> None:
        line = self.line
        self.moves, self.events = [], []
        for _ in range(SCANS_MAX):
            changed = line.scan(frame, NOW + 1)
            self.moves += line.take_moves()
            self.events += line.take_events()
            self.watch()
            if not changed:
                break
            frame = Frame()
        else:
            self.motion.violate("never_settles", f"{SCANS_MAX} scans, and still it changes")
        for move in self.moves:
            self._told_move(move)

    def watch(self) -> None:
        """After every scan; the rules hang here."""

    def _told_move(self, move: Move) -> None:
        w = self.world
        if move.kind == "feed" and not move.done:
            w.next_body = move.gutter
        elif move.kind == "reserve" and move.done:
            lane = int(move.dest.split(".")[0].removeprefix("lane"))
            if lane in w.reserved.values() and w.reserved.get(move.gutter) != lane:
                self.motion.violate("two_reservations", f"the hole of lane {lane} reserved twice")
            w.reserved[move.gutter] = lane
        elif move.done and move.kind in ("insert", "reject", "correct"):
            w.reserved.pop(move.gutter, None)

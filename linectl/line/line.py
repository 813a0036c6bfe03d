"""The whole controller: one scan from inputs to outputs, in a fixed order, knowing no clock.

`scan(frame, now)` takes what it is told, judges the causes, steps lanes and stations downstream
first, then the units, then passes every demanded output through the gate. Same state, same
frame, same `now`: same outputs and events, always.
"""

from __future__ import annotations

from typing import Any

from linectl.crop import setpoints
from linectl.image import Command, Event, Frame, Move, Start, Value
from linectl.line import alarm_view, build, commands, snapshot, status, why
from linectl.line.alarms import Alarms
from linectl.line.by_hand import ByHand
from linectl.line.causes import Causes
from linectl.line.changeover import Changeover
from linectl.line.day_list import DayList
from linectl.line.first_out import FirstOut
from linectl.line.gutters import Gutter
from linectl.line.harvest_order import HarvestOrder
from linectl.line.inputs import NEVER, Inputs
from linectl.line.interventions import Interventions
from linectl.line.lanebook import LaneBook
from linectl.line.ledger_word import LedgerWord
from linectl.line.lots import Lots
from linectl.line.part import Part
from linectl.line.recovery import Recovery, telling
from linectl.line.scale import Scale
from linectl.line.toolzone import ToolZone
from linectl.line.tuning import Tuning
from linectl.line.units import WARNED, Unit
from linectl.line.waiting import Waiting
from linectl.site import machine
from linectl.site.alarm_catalogue import catalogue
from linectl.site.model import Site

EMPTY = Start()
FIRST_MS = 3_000
"""Allowance, beside its own, for a device to answer for the first time."""


class Line:
    """A site's line. `outputs[i]` is what output point i is to be; inputs' entries mean nothing."""

    def __init__(self, site: Site, start: Start = EMPTY) -> None:
        self.site = site
        self.site_io = site.tags
        self.now = 0
        self.changed = True
        self.inputs = Inputs(site)
        self.alarms = Alarms(self, catalogue(site))
        self.numbers: dict[int, Value] = {}
        """Set-points by output point: speed, rate, target."""
        self.crops = site.crops.crops
        self.crop_in_drum: str = start.crop or site.file.sowing.crop
        self.gutters: dict[int, Gutter] = {}
        self.words = self.durable = 0
        """Words told to the record since the start, intents and dones; so many are on disk."""
        self.release = dict(start.release)
        """Modes that are not released, and why not yet."""
        self.ledger_ack_ms = site.file.limits.ledger_ack_ms
        self.ledger_word = LedgerWord(self)
        self.waiting = Waiting(self)
        self.released: set[int] = set()
        """Reset buttons seen released: one stuck since power-up never gets here."""
        self._buttons = {self.site_io[f"{zone}.interlock_reset"]: zone for zone in site.file.zones}
        self._next_gutter = start.next_gutter
        self._next_move = start.next_move
        self.open_moves: dict[int, Move] = {}
        """Intended and not yet done."""
        self._events, self._moves = list[Event](), list[Move]()
        machinery = build.build(self)
        self.units: tuple[Unit, ...] = (machinery.sowing, machinery.harvest)
        self.sowing, self.harvest = machinery.sowing, machinery.harvest
        self.lanes = LaneBook(self, machinery.lanes)
        self.parts: list[Part] = [*machinery.lanes, *machinery.stations]
        self.stations = {part.name: part for part in machinery.stations}
        self.ends = machinery.ends
        self.counters = frozenset(
            part.counter
            for part in machinery.stations
            if isinstance(part, ToolZone) and part.counter is not None
        )
        """Counter points: told only when asked for."""
        self.causes = Causes(
            machinery.causes, len(site.points), {unit.name: unit.mode for unit in self.units}
        )
        self.interventions = Interventions(self)
        self.seen = self.interventions.forces.seen  # what stations read: `inputs`, forces over it
        self.by_hand = ByHand(self)
        self.first_out = FirstOut(self)
        self.lots, self.day = Lots(self), DayList(self)
        self.order = HarvestOrder(self)
        self.scale = Scale(self, self.ends.turnout.hall, self.ends.turnout.packing.weighing)
        self.changeover, self.tuning = Changeover(self), Tuning(self)
        self._gates = machinery.gates
        self.first_due = max(d.silent_after_ms for d in site.file.devices.values()) + FIRST_MS
        """A device that has not answered by then since power-up is an alarm."""
        self.polled = False
        """Every device has been good at least once; until then nothing is judged to be amiss."""
        self.lanes_may_start = self._lanes_moving = False
        self.ready = 0
        self._begin_safe()
        self.recovery = Recovery(self, start)

    def _begin_safe(self) -> None:
        """Every output has its safe value until the gate says otherwise."""
        self._safe = sum(
            1 << p.index for p in self.site.points if p.direction == "out" and p.is_bool and p.safe
        )
        self._bits = self._safe
        self._sent: dict[int, Value] = {}
        self.outputs: list[Value] = [
            point.safe if not point.is_bool else bool(point.safe) for point in self.site.points
        ]
        self.written: list[int] = []

    @property
    def asks(self) -> list[int]:
        """Counter points whose value is wanted with the next sample of their bus."""
        return self.inputs.asked

    @property
    def outputs_on(self) -> int:
        """Bits of the outputs that are on and would not be, were they safe."""
        return self._bits & ~self._safe

    # the scan ----------------------------------------------------------------------------------

    def scan(self, frame: Frame, now: int) -> bool:
        """One scan. True if any state or output changed: then the next tick must run too."""
        self.now = now
        self.changed = False
        changed = self.inputs.take(frame, now)
        self.interventions.expire(changed, now)
        self.by_hand.enabling.take(changed, now)
        if frame.quality:
            self.ready = self._gates.ready(self.inputs)
            self.polled = self.polled or self._gates.all_good(self.inputs)
        if frame.durable is not None:
            self.durable = frame.durable
        if frame.release is not None and frame.release != self.release:
            self.release = dict(frame.release)
            self.changed = True
        self.alarms.remark(frame.remarks)
        if now >= self.first_due:
            self.first_due = NEVER
            for number in self.causes.never_heard(self.inputs):
                self._announce(number, True)
        if changed or self.causes.wants():
            told = self.causes.update(changed, self.inputs, now)
            self.first_out.take(told, changed, now)
            self._announce_all(told)
        self.interventions.bypasses.watch()
        for carriage in self.ends.carriages:
            if not self.may_grip(carriage.grip):
                carriage.untried = True  # it has closed: what it holds is to be seen anew
        self._press_buttons(changed)
        self.recovery.step(changed, now)
        for command in frame.commands:
            commands.obey(self, command)
        self._rights(now)
        self.order.step(now)
        self.scale.step(now)
        self._step_parts(now)
        self.waiting.step(now)
        self.ledger_word.step(now)
        self.changeover.step()
        for unit in self.units:
            unit.step(now)
        self.lots.step()
        self._lane_rights(now)
        self.by_hand.step(now)
        self._gate(now)
        self.first_out.settle(now)
        self.alarms.step(now)
        return self.changed

    def _step_parts(self, now: int) -> None:
        """Lanes, then stations downstream first. What may not move takes no sign for a proof."""
        if not self.recovery.judged:
            return
        for lane in self.lanes.lanes:
            if self._lanes_moving or lane.state == "available":
                lane.step(now)
        for station in self.stations.values():
            unit = station.unit
            if unit is None or unit.moving or unit.state == "Suspended":
                station.step(now)

    def _press_buttons(self, changed: list[int]) -> None:
        """Interlock reset buttons: a press counts only if the button was seen released before."""
        for index, zone in self._buttons.items():
            if index not in changed:
                continue
            if self.inputs.off[index]:
                self.released.add(index)
            elif index in self.released:  # pressed, or bad: then it must be seen released again
                self.released.discard(index)
                if self.inputs.on[index]:
                    commands.press_interlock_reset(self, zone)

    def _rights(self, now: int) -> None:
        for unit in self.units:
            unit.settle_rights(now)
        self._lane_rights(now)

    def _lane_rights(self, now: int) -> None:
        self.lanes_may_start = self.sowing.may_start or self.harvest.may_start
        moving = self.sowing.moving or self.harvest.moving
        if moving is not self._lanes_moving:
            self._lanes_moving = moving
            for lane in self.lanes.lanes:
                if moving:
                    lane.resume(now)
                else:
                    lane.pause(now)

    def _announce_all(self, said: list[tuple[int, bool]]) -> None:
        """What is suppressed from now on never rings; what was so, only if it outlasts that."""
        now = self.causes.suppressed()
        self.alarms.suppress(now | self.alarms.suppressed)
        for number, came in said:
            self._announce(number, came)
        self.alarms.sense()
        self.alarms.suppress(now)

    def _announce(self, number: int, came: bool) -> None:
        row = self.causes.rows[number]
        if came:
            self.alarms.raise_(row.name, row.priority or "low", row.text)
            if row.moment != "warn":
                for unit in self.units:
                    unit.touched = True
        else:
            self.alarms.clear(row.name)
        self.changed = True

    def demand(self) -> int:
        """Output bits that their owners demand now, with what people ask for by hand over it."""
        return self.by_hand.over(self.own_demand())

    def own_demand(self) -> int:
        """Output bits that their owners demand now."""
        demand = self._gates.always
        lanes_move = self._lanes_moving
        for part in self.parts:
            unit = part.unit
            if unit.moving if unit is not None else lanes_move:
                demand |= part.demand()
        for unit in self.units:
            if unit.state in WARNED and unit.quiet and not unit.warned:
                demand |= unit.horn
        for carriage in self.ends.carriages:
            demand |= carriage.holds()
        return demand | self.ends.turnout.holds()

    def allowed(self) -> int:
        """Bits of the outputs that no cause and no silent device takes away now."""
        return ~self.causes.blocked & self.ready & ~(self.causes.barred & ~self._bits)

    def _gate(self, now: int) -> None:
        """The one place that writes outputs: demanded, permitted by every cause, devices good.

        What is not permitted takes its safe value, which for a grip is closed.
        """
        self.by_hand.cut()
        demand, allowed = self.demand(), self.allowed()
        cut = demand & ~allowed & ~self._safe
        if cut:
            self.first_out.cut(cut & self._bits, now)
            for part in self.parts:
                if part.mask & cut and part.demand() & cut and not part.resting():
                    part.cut(now, self.cut_text(part.demand() & cut))
            demand = self.demand()
        permitted = (demand & allowed) | (self._safe & ~allowed)
        flips = permitted ^ self._bits
        written = self.written
        written.clear()
        if flips:
            self._bits = permitted
            self._write_bits(flips & ~permitted, False)
            self._write_numbers()
            self._write_bits(flips & permitted, True)
        else:
            self._write_numbers()
        if written:
            self.changed = True

    def _write_bits(self, bits: int, value: bool) -> None:
        while bits:
            low = bits & -bits
            index = low.bit_length() - 1
            self.outputs[index] = value
            self.written.append(index)
            bits ^= low

    def _write_numbers(self) -> None:
        """Set-points, those of people over the line's own; one of theirs that is over and that the
        line has none for goes back to its safe value."""
        over = self.by_hand.numbers()
        numbers = {**self.numbers, **over} if over else self.numbers
        if numbers == self._sent:
            return
        for index in sorted(self._sent.keys() - numbers.keys()):
            del self._sent[index]
            self.outputs[index] = self.site.points[index].safe
            self.written.append(index)
        for index, value in numbers.items():
            if self._sent.get(index) != value:
                self._sent[index] = value
                self.outputs[index] = value
                self.written.append(index)

    # time --------------------------------------------------------------------------------------

    def next_due(self) -> int | None:
        """The earliest time at which a scan would do something by itself; None if never."""
        due = min(
            self.inputs.next_due(),
            self.causes.next_due(),
            self.interventions.next_due(),
            self.by_hand.next_due(),
            self._part_due(),
            self._unit_due(),
            self.waiting.next_due(),
            self.order.next_due(),
            self.scale.next_due(),
            self.ledger_word.next_due(),
            self.first_due,
            self.alarms.next_due(),
            self.recovery.next_due(),
        )
        return None if due >= NEVER >> 1 else due

    def _part_due(self) -> int:
        due = NEVER
        for part in self.parts:
            if part.due < due:
                due = part.due
            if part.act_at < due:
                due = part.act_at
        return due

    def _unit_due(self) -> int:
        return min(min(unit.due, unit.idle_due) for unit in self.units)

    # what parts use ----------------------------------------------------------------------------

    def bit(self, index: int) -> int:
        """The output bit of a point."""
        return 1 << index

    def may_grip(self, bit: int) -> bool:
        """True if no cause and no silent device keeps a grip at its safe value, closed."""
        return bool(self.ready & ~self.causes.blocked & bit)

    def devices_good(self) -> bool:
        """True while every device is good."""
        return self._gates.all_good(self.inputs)

    def not_good(self) -> list[str]:
        """The devices that have not answered, or no longer do."""
        return self.silent_for(-1)

    def follow_numbers(self, gutter: int, move: int) -> None:
        """New gutters and moves get higher numbers than these."""
        self._next_gutter = max(self._next_gutter, gutter + 1)
        self._next_move = max(self._next_move, move + 1)

    def last_number(self) -> int:
        """The highest move number used so far."""
        return self._next_move - 1

    def new_gutter(self, place: str) -> int:
        """A new gutter's id; ids are never used again."""
        number = self._next_gutter
        self._next_gutter += 1
        self.gutters[number] = Gutter(number, place)
        return number

    def intend(self, kind: str, gutter: int, source: str, dest: str) -> int:
        """Announce a move before its motion; returns its number. `words` is then its intent's."""
        number = self._next_move
        self._next_move += 1
        record = self.gutters.get(gutter)
        move = Move(
            number, kind, gutter, source, dest, record.crop if record else "", False, self.now
        )
        self.open_moves[number] = move
        self._tell(move)
        return number

    def complete(self, number: int) -> None:
        """The move has been confirmed by two unlike signs."""
        move = self.open_moves.pop(number)
        record = self.gutters.get(move.gutter)
        if record is not None and move.kind not in ("reserve", "release", "process"):
            record.place = move.dest
        crop = record.crop if record else move.crop
        self.recovery.confirm(move.gutter)
        self._tell(move._replace(done=True, at=self.now, crop=crop))

    def _tell(self, move: Move) -> None:
        self.words += 1
        self._moves.append(move)
        self.changed = True

    def abandon(self, number: int) -> None:
        """The move will never be done (its gutter was taken away); nothing is told as done."""
        self.open_moves.pop(number, None)

    def emit(self, event: Event) -> None:
        """Hand an event to whoever records them."""
        self._events.append(event)
        self.changed = True

    def note(self, text: str, source: str) -> None:
        """Something worth a line in the record."""
        self.emit(Event(self.now, "note", source, text, {}))

    def note_state(self, part: Part) -> None:
        """A part changed its state."""
        self.emit(Event(self.now, "station", part.name, part.state, part.told()))

    def note_wait(self, unit: str, waiting: bool, text: str) -> None:
        """A unit's gate station begins or ends waiting for something outside the unit."""
        self.emit(Event(self.now, "wait_on" if waiting else "wait_off", unit, text, {}))

    def station_wait(self, name: str) -> tuple[bool, str] | None:
        """The wait of a station that a cause keeps from another gutter."""
        number = self.causes.stations.get(name)
        return None if number is None else (False, self.causes.rows[number].text)

    def barred(self, unit: str) -> str | None:
        """What keeps a unit from starting: a changeover, a permissive cell, the ledger; or None."""
        if unit == self.sowing.name and (text := self.changeover.bars()):
            return text
        number = self.causes.starts.get(unit)
        return self.ledger_word.against() if number is None else self.cause_text(number)

    def cause_text(self, number: int) -> str:
        """A cause in words; one that counts as present because nobody can read it says so."""
        row = self.causes.rows[number]
        for test in row.tests:
            if not self.inputs.good[test.index]:
                return f"device {self.site.points[test.index].device} is silent"
        return row.text

    def forbids(self, number: int) -> int:
        """Bits of the outputs that this cause keeps off now, stopped or kept from coming on."""
        return self.causes.stops(number) | (self.causes.bars(number) & ~self._bits)

    def silent_for(self, bits: int) -> list[str]:
        """The silent devices without which these outputs are off."""
        points = self.site.points
        return [points[index].device for index in self._gates.silent(self.inputs, bits)]

    def cut_text(self, bits: int) -> str:
        """Which cause took these outputs away."""
        for number in range(len(self.causes.rows)):
            if (self.causes.stops(number) | self.causes.bars(number)) & bits:
                return self.cause_text(number)
        return "its device is silent"

    def tool_ms(self, facts: machine.Fill | machine.Water | machine.Seed) -> int:
        """How long a tool works on one gutter at belt speed."""
        return setpoints.worked_ms(self.site, facts)

    def set_point(self, index: int, value: float) -> None:
        """A speed or rate that a drive is to have, in the unit that its point is written in."""
        self.numbers[index] = setpoints.in_point_unit(self.site, self.site.points[index], value)

    def outfeed_at_turnout(self) -> bool:
        """The outfeed carriage is laying a gutter on the turn-out."""
        return self.ends.outfeed.state in ("offering", "releasing", "withdrawing")

    def sower_could(self, now: int) -> bool:
        """True if a sowing station could begin a step, were the unit in Execute."""
        return self.ends.sower_could(now)

    def harvest_could(self, now: int) -> bool:
        """True if a harvest station could begin a step, were the unit in Execute."""
        return self.ends.harvest_could(now)

    # outside -----------------------------------------------------------------------------------

    def take_events(self) -> list[Event]:
        """Events since the last call."""
        events, self._events = self._events, []
        return events

    def take_moves(self) -> list[Move]:
        """Moves intended and done since the last call."""
        moves, self._moves = self._moves, []
        return moves

    def status(self, now: int) -> dict[str, Any]:
        """Units, alarms and lanes as plain data."""
        return status.status(self)

    def alarm_list(self) -> dict[str, Any]:
        """Every alarm that is not normal, with its help, and how many are in which state."""
        return alarm_view.view(self)

    def recovery_view(self) -> dict[str, Any]:
        """What was under way at the last power cut, what became of it, what is asked."""
        return telling.view(self.recovery)

    def why(self, name: str, now: int) -> list[dict[str, Any]]:
        """Why a station, lane, unit or output does not move; UsageError for an unknown name."""
        return why.why(self, name)

    def snapshot(self) -> dict[str, Any]:
        """The whole state as plain data."""
        return snapshot.snapshot(self)

    def restore(self, saved: dict[str, Any]) -> None:
        """Take over a state that `snapshot` gave for the same site."""
        snapshot.restore(self, saved)

    def digest(self) -> str:
        """A hash of state and outputs."""
        return snapshot.digest(self)

    def settled(self) -> None:
        """After restoring: what is derived is derived anew."""
        self.interventions.forces.show()
        self.tuning.settle()
        self.changed = True

    def obey(self, command: Command) -> str | None:
        """Obey a command at once (tests); None when taken, else why not."""
        return commands.obey(self, command)

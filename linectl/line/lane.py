"""One lane: what stands in its slots, and its strokes, one motion at a time.

A hole at a run's last slot may be brought to that run's first slot by a stroke. While filling
or steady a run strokes only when its first slot is taken, so that holes never multiply inside;
a lane running out, or a person's *advance empty*, lifts that rule.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from linectl.image import Event
from linectl.line.inputs import NEVER
from linectl.line.part import Part, fault_rows
from linectl.line.tables import table
from linectl.line.transfers import HOLE, UNKNOWN, Transfers
from linectl.site.machine import Lane as LaneFacts

if TYPE_CHECKING:
    from linectl.line.line import Line


_ACTIVE = (
    "asked_stroke|stroking|asked_home|returning|"
    "asked_transfer|fetching|loading|carrying|unloading|crossing"
)


class Lane(Transfers):
    """A first-in first-out row of gutters; shared by both units, taken only while used."""

    TABLE = table(
        "lane",
        "available",
        [
            ("take_sowing", "available", "taken_by_sowing"),
            ("take_harvest", "available", "taken_by_harvest"),
            ("give_back", "taken_by_sowing|taken_by_harvest", "available"),
            ("stroke", "available", "asked_stroke"),
            ("durable", "asked_stroke", "stroking"),
            ("forward", "stroking", "asked_home"),
            ("durable", "asked_home", "returning"),
            ("rehome", "available", "returning"),
            ("home", "returning", "available"),
            ("transfer", "available", "asked_transfer"),
            ("durable", "asked_transfer", "fetching"),
            ("level", "fetching", "crossing"),
            ("at_source", "fetching", "loading"),
            ("loaded", "loading", "carrying"),
            ("at_dest", "carrying", "unloading"),
            ("unloaded", "unloading|crossing", "available"),
            ("gone", "faulted", "available"),
            ("lock", "available|faulted", "out_of_service"),
            ("unlock", "out_of_service", "available"),
            *fault_rows(_ACTIVE),
        ],
    )
    RESTING = frozenset(
        ("available", "taken_by_sowing", "taken_by_harvest", "faulted", "out_of_service")
    )
    FIELDS = (
        *Part.FIELDS, "slots", "programme", "reserved", "open_since", "calling", "which",
        "eject_credit", "stroke_credit", "locked_by", "adrift",
    )  # fmt: skip

    def __init__(self, line: Line, facts: LaneFacts, io: dict[str, int]) -> None:
        super().__init__(line, facts.prefix, None)
        self.id = facts.id
        self.facts = facts
        self.programme: str = facts.programme
        self.runs = [f"{facts.prefix}.{run.name}" for run in facts.runs]
        self.joints = [f"{facts.prefix}.{transfer.name}" for transfer in facts.transfers]
        self.slots: list[list[int]] = [[HOLE] * run.slots for run in facts.runs]
        self.reserved = 0
        """Gutter that the mouth's hole is kept for."""
        self.open_since = NEVER
        """Since when the mouth's hole is proven, NEVER while there is none."""
        self.calling = False
        """`with_insert`: the infeed stands in front and wants the row moved."""
        self.which = 0
        """Run or transfer that the present motion is about."""
        self.eject_credit = 0
        self.stroke_credit = [0] * len(self.runs)
        self.locked_by = ""
        self.adrift: list[int] = []
        """Transfers whose lift stood between its levels at power-up."""
        self._io = io
        self.mouth_eye = io[f"{self.runs[0]}.first_eye"]
        self.tail_eye = io[f"{self.runs[-1]}.last_eye"]
        self._eyes = [
            (io[f"{run}.first_eye"], io[f"{run}.last_eye"], io[f"{run}.home"], io[f"{run}.forward"])
            for run in self.runs
        ]
        self._run_bits = [
            (line.bit(io[f"{run}.stroke"]), line.bit(io[f"{run}.back"])) for run in self.runs
        ]
        self._joint_bits = [
            {role: line.bit(io[f"{joint}.{role}"]) for role in ("belt", "up", "down", "brake")
             if f"{joint}.{role}" in io}
            for joint in self.joints
        ]  # fmt: skip
        for bits in (*self._run_bits, *(tuple(bits.values()) for bits in self._joint_bits)):
            for bit in bits:
                self.mask |= bit

    # what the lane knows ---------------------------------------------------------------------

    @property
    def mouth(self) -> str:
        """Place name of the first slot."""
        return f"{self.runs[0]}.0"

    @property
    def tail(self) -> str:
        """Place name of the last slot."""
        return f"{self.runs[-1]}.{len(self.slots[-1]) - 1}"

    @property
    def tail_gutter(self) -> int:
        """Id in the last slot, HOLE or UNKNOWN."""
        return self.slots[-1][-1]

    def next_out(self) -> int:
        """Id in the last slot, or of the gutter that the next stroke brings there; else HOLE."""
        last = self.slots[-1]
        return last[-1] if last[-1] != HOLE or len(last) < 2 else last[-2]

    def from_tail(self) -> Iterator[int]:
        """Gutters and unknowns, the next to come out first."""
        return (slot for run in reversed(self.slots) for slot in reversed(run) if slot != HOLE)

    def filled(self) -> int:
        """Gutters and unknowns standing in the lane."""
        return sum(len(run) - run.count(HOLE) for run in self.slots)

    def holes(self) -> int:
        """Empty slots, the reserved one included."""
        return sum(run.count(HOLE) for run in self.slots)

    def in_service(self) -> bool:
        """True while the lane can serve a unit, perhaps after what it is doing."""
        return self.state not in ("faulted", "out_of_service")

    def reservable(self, crop: str) -> bool:
        """True if a hole is proven where an insert needs it, and nobody has it reserved."""
        if self.reserved or self.programme not in ("filling", "steady") or not self.in_service():
            return False
        return crop in self.facts.crops and self.open_since != NEVER

    def may_eject(self) -> bool:
        """One in for one out: the tail may go while no hole of this lane waits for a gutter."""
        if not self.in_service() or self.programme in ("resting", "filling"):
            return False
        if self.programme == "running_out" or self.eject_credit:
            return True
        return self.holes() <= (1 if self.reserved else 0)

    # what others do to it ----------------------------------------------------------------------

    def inserted(self, gutter: int) -> None:
        """The mouth's hole has been filled."""
        self.slots[0][0] = gutter
        self.reserved = 0
        self.open_since = NEVER
        self.calling = False
        if self.programme == "filling" and not self.holes():
            self.set("steady", self.locked_by)
            self.line.note(f"{self.name} is full: steady from now on", self.name)
        self.give_back()

    def ejected(self) -> None:
        """The tail has been taken out."""
        self.slots[-1][-1] = HOLE
        if self.eject_credit:
            self.eject_credit -= 1
        self.give_back()

    def give_back(self) -> None:
        """What it was taken for is over. One that a person has locked since a power cut, or that
        stands faulted since, was not taken, and stays as it is."""
        if self.state in ("taken_by_sowing", "taken_by_harvest"):
            self.go("give_back")

    def advance_empty(self) -> None:
        """A person lets the lane advance once without an insert, and harvest take one more."""
        self.eject_credit += 1
        self.stroke_credit = [credit + 1 for credit in self.stroke_credit]

    def set(self, programme: str, locked_by: str) -> None:
        """What people have set of it, told to the record: it outlasts a power cut."""
        self.programme, self.locked_by = programme, locked_by
        data = {"programme": programme, "locked_by": locked_by}
        self.line.emit(
            Event(self.line.now, "lane_set", self.name, f"{self.name} {programme}", data)
        )

    def release(self) -> None:
        """The reservation ends without an insert."""
        self.reserved = 0
        self.calling = False

    # motion ------------------------------------------------------------------------------------

    def _available(self, now: int) -> None:
        self._prove_mouth(now)
        if not self.line.lanes_may_start or self.programme in ("resting", "out_of_service"):
            return
        inputs = self.line.seen
        for number, (_, _, home, _) in enumerate(self._eyes):
            if inputs.off[home]:
                self.which = number
                self.go("rehome", now + self.timeout("returning"))
                return
        for number in range(len(self.runs) - 1, -1, -1):
            if self._wants_stroke(number):
                self._begin(number, "stroke", self.runs[number], self.runs[number], 0, now)
                return
            if number and self._wants_transfer(number - 1):
                if number - 1 in self.adrift:
                    if self.between_levels(number - 1):
                        self.strand(number - 1)
                        return
                    self.adrift.remove(number - 1)
                gutter = self.slots[number - 1][-1]
                source = f"{self.runs[number - 1]}.{len(self.slots[number - 1]) - 1}"
                self._begin(number - 1, "transfer", source, f"{self.runs[number]}.0", gutter, now)
                return

    def _prove_mouth(self, now: int) -> None:
        first, last, home, _ = self._eyes[0]
        inputs = self.line.seen
        run = self.slots[0]
        if self.facts.advance == "with_insert" and run[0] != HOLE:
            proven = run[-1] == HOLE and inputs.off[last] and inputs.on[home]
        else:
            proven = run[0] == HOLE and inputs.off[first] and inputs.on[home]
            if run[0] == HOLE and inputs.on[first]:
                self.line.alarms.raise_(
                    f"{self.name}.mouth", "high",
                    f"{self.name}: the mouth's eye sees a gutter that the ledger does not have",
                )  # fmt: skip
        if proven and self.open_since == NEVER:
            self.open_since = now
            self.line.changed = True
        elif not proven and self.open_since != NEVER:
            self.open_since = NEVER
            self.line.changed = True

    def _wants_stroke(self, number: int) -> bool:
        run = self.slots[number]
        _, last, home, _ = self._eyes[number]
        inputs = self.line.seen
        if run[-1] != HOLE or not inputs.off[last] or not inputs.on[home]:
            return False
        if run[0] == HOLE:
            free = self.programme == "running_out" or self.stroke_credit[number]
            return bool(free) and any(run)
        if number == 0 and self.facts.advance == "with_insert":
            return self.calling
        return True

    def _wants_transfer(self, number: int) -> bool:
        inputs = self.line.seen
        return (
            self.slots[number][-1] > 0
            and self.slots[number + 1][0] == HOLE
            and inputs.on[self._eyes[number][1]]
            and inputs.off[self._eyes[number + 1][0]]
        )

    def _begin(self, which: int, kind: str, source: str, dest: str, gutter: int, now: int) -> None:
        self.which = which
        self.number = self.intend(kind, gutter, source, dest)
        self.go(kind, now + self.line.ledger_ack_ms)

    def _asked_stroke(self, now: int) -> None:
        self._asked(now)

    def _asked_transfer(self, now: int) -> None:
        self._asked(now)

    def _stroking(self, now: int) -> None:
        _, _, home, forward = self._eyes[self.which]
        inputs = self.line.seen
        moved = inputs.on[forward] and inputs.off[home]  # one that sticks proves no way
        if moved and self.followed(self.which):
            self.shift(self.which)
            self.line.complete(self.number)
            self.word = self.line.words
            self.go("forward", now + self.line.ledger_ack_ms)
            return
        if now >= self.due:
            proof = "stroke switch forward"
            if inputs.on[forward]:
                proof = "the row did not follow" if inputs.off[home] else "home did not let go"
            self.fail("stroke", f"{self.runs[self.which]}: {proof}")

    def _asked_home(self, now: int) -> None:
        """The stroke is on disk as done before the run goes home: after a power cut, a run that
        is home with its stroke open has not begun it."""
        self._asked(now)

    def _returning(self, now: int) -> None:
        _, _, home, forward = self._eyes[self.which]
        if self.line.seen.on[home] and self.line.seen.off[forward]:
            self.go("home")
            self._prove_mouth(now)
        elif now >= self.due:
            self.fail("home", f"{self.runs[self.which]}: stroke did not come home")

    # what a stroke alters, and what shows it ----------------------------------------------------

    def eyes(self, run: int) -> tuple[int, int, int, int]:
        """Points of a run: first eye, last eye, home, forward."""
        return self._eyes[run]

    def followed(self, number: int) -> bool:
        """A run's eyes show its row one slot further on than the record has it."""
        first, last, _, _ = self._eyes[number]
        inputs = self.line.seen
        expected = self.slots[number][-2]
        follows = expected == UNKNOWN or (inputs.on if expected else inputs.off)[last]
        return follows and inputs.off[first]

    def shift(self, number: int) -> None:
        """A run's row has moved on by one slot."""
        run = self.slots[number]
        run.insert(0, HOLE)
        run.pop()
        self.stroke_credit[number] = max(0, self.stroke_credit[number] - 1)
        if self.line.seen.on[self._eyes[number][1]]:
            self.line.recovery.confirm(run[-1])

    # outputs, faults ---------------------------------------------------------------------------

    def demand(self) -> int:
        """The run's stroke or back, or the lift's brake with its direction, or its belt."""
        state = self.state
        if state == "available" or state not in _DRIVEN:
            return 0
        if state == "stroking":
            return self._run_bits[self.which][0]
        if state == "returning":
            return self._run_bits[self.which][1]
        return self.transfer_demand()

    def told(self) -> Mapping[str, str]:
        """The run or transfer that moves: the lane has one state for all of them."""
        if self.state in ("stroking", "returning"):
            return {"of": self.facts.runs[self.which].name}
        return {"of": self.facts.transfers[self.which].name} if self.state in _DRIVEN else {}

    def timeout(self, state: str) -> int:
        """Time-outs from the site: the run's own, the transfer's own."""
        if state in ("stroking", "returning"):
            return self.facts.runs[self.which].timeout_ms
        if state.startswith("asked"):
            return self.line.ledger_ack_ms
        return self.facts.transfers[self.which].timeout_ms

    def resume(self, now: int) -> None:
        """A cut is taken up when a person has started a unit, not when one returns by itself.

        Any other fault of the lane waits for its own `lane-resume`.
        """
        started = any(unit.moving and unit.state != "Unsuspending" for unit in self.line.units)
        if self.state != "faulted" or (self.fault == "cut" and started):
            self.retry(now)

    def retry(self, now: int) -> None:
        """A person's lane-resume, or a unit's start: try the interrupted motion once more."""
        self.back = {"loading": "fetching", "unloading": "carrying"}.get(self.back, self.back)
        if self.state == "faulted" and not self.back:  # an empty lift, brought to a level by hand
            self.line.alarms.clear(f"{self.name}.{self.fault}")
            self.fault = ""
            self.go("gone")
        super().resume(now)
        if not self.resting():
            self.rearm(now)


_DRIVEN = frozenset(
    ("stroking", "returning", "loading", "unloading", "crossing", "fetching", "carrying")
)

"""Belt zones of the sower: a gutter is drawn in from the zone before, worked on, and given on.

The receiving zone runs both belts and decides; the giving zone follows it. A gutter has arrived
when the entry eye has gone on and off and the exit eye is on: two unlike signs. The time the
entry eye was lit, times the belt's speed, must be the gutter's length.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from linectl.line.gutters import Gutter
from linectl.line.inputs import NEVER
from linectl.line.part import Part, fault_rows
from linectl.line.tables import Row, table
from linectl.site.machine import Conveyor as ConveyorFacts

if TYPE_CHECKING:
    from linectl.line.line import Line
    from linectl.line.units import Unit

SLACK_MS = 1_500
"""Allowance on every time-out that is computed from geometry: polls, ramp, slip."""
SETTLE_SLACK_MS = 450
"""Allowance on the last stretch: short, so that an exit eye that is blind lets nothing run off."""
RESUMED = -1
"""`seen_at` of a gutter seen again after an interruption: no length can be told from it."""
STRAY_MS = 2_000
"""An eye lit over an empty zone for this long is a fault."""
EARLY_MM = 35
"""A gutter at the entry eye this much before its distance says is none. Standing heads differ by
less: starts and stops are seen late by much the same. Less than a tool's lead."""

PULLING = frozenset(("entering", "leading", "tooling"))

DRAW_IN: tuple[Row, ...] = (
    ("ask", "empty", "asked"),
    ("durable", "asked", "entering"),
    ("seen", "entering", "leading"),
    ("give", "done", "giving"),
    ("given", "giving", "empty"),
    ("found", "seeking", "done"),
)


class Conveyor(Part):
    """What all belt zones share: drawing in, proving, giving on."""

    TABLE = table(
        "conveyor",
        "empty",
        [*DRAW_IN, ("cleared", "leading", "settling"), ("arrived", "settling", "done"),
         ("gone", "done|faulted", "empty"),
         *fault_rows("empty|asked|entering|leading|settling|seeking|done")],
    )  # fmt: skip
    RESTING = frozenset(("empty", "done", "partial", "faulted"))
    SEEK = "seeking"
    """Where a gutter out of the exit eye's sight is looked for: the belt brings it there."""
    FIELDS = (*Part.FIELDS, "seen_at", "astray", "blind", "process")

    upstream: Conveyor | None
    downstream: Part | None

    def __init__(
        self, line: Line, name: str, unit: Unit, facts: ConveyorFacts, io: dict[str, int]
    ) -> None:
        super().__init__(line, name, unit)
        self.facts = facts
        self.upstream = None
        self.downstream = None
        self.seen_at = NEVER
        """When the entry eye came on; NEVER after an interruption: no length can be told."""
        self.astray = False
        """The gutter here was interrupted: where exactly its head stands is not known."""
        self.blind = False
        """The belt ran long enough, and the exit eye saw nothing: running on would lose it."""
        self.process = 0
        """The open move that a tool works on the gutter here; 0 for none."""
        self.entry = io[f"{name}.entry_eye"]
        self.exit = io[f"{name}.exit_eye"]
        self.running = io[f"{name}.running"]
        self.run = line.bit(io[f"{name}.run"])
        self.line.set_point(io[f"{name}.speed"], facts.speed_mm_s)
        self._demands = dict.fromkeys(
            ("entering", "leading", "tooling", "settling", "seeking"), self.run
        )
        self.mask = self.run

    # drawing in --------------------------------------------------------------------------------

    def would_take(self, now: int) -> bool:
        """True if a gutter stands before this zone and nothing here speaks against taking it."""
        up = self.upstream
        return (
            up is not None
            and up.state == "done"
            and self.state == "empty"
            and self.name not in self.line.causes.stations
        )

    def prepare(self, gutter: int, now: int) -> bool:
        """Last preparation before drawing in (set-points, reservation); False to wait."""
        return True

    def ready_for(self, gutter: Gutter) -> None:
        """Set-points for the gutter here, without anything else that `prepare` does."""

    def _empty(self, now: int) -> None:
        inputs = self.line.seen
        if not (inputs.off[self.entry] and inputs.off[self.exit]):
            self._stray(now)
            return
        self.act_at = NEVER
        up = self.upstream
        if up is None or self.unit is None or not self.unit.may_start or not self.would_take(now):
            return
        if not inputs.on[up.exit] or not self.prepare(up.gutter, now):
            return
        self.gutter = up.gutter
        self.number = self.intend("convey", self.gutter, up.name, self.name)
        self.go("ask", now + self.line.ledger_ack_ms)
        up.go("give")

    def _stray(self, now: int) -> None:
        inputs = self.line.seen
        if not (inputs.on[self.entry] or inputs.on[self.exit]):
            return
        if self.act_at == NEVER:
            self.act_at = now + STRAY_MS
        elif now >= self.act_at:
            eye = "entry_eye" if inputs.on[self.entry] else "exit_eye"
            self.fail(
                "stray",
                f"{self.name}: {eye} is lit over an empty zone",
            )

    def _asked(self, now: int) -> None:
        super()._asked(now)
        if self.state == "entering" and self.upstream is not None and not self.upstream.astray:
            self.act_at = now + self.earliest_ms()

    def _entering(self, now: int) -> None:
        if self.line.seen.on[self.entry]:
            if now < self.act_at < NEVER:
                self.fail(
                    "early",
                    f"{self.name}: entry eye lit before a gutter could be there",
                )
                return
            if not self._belts_run():  # it lies there since an interruption: nothing is reckoned
                if now >= self.due:
                    self._fail_missing("no_entry", "belts that run")
                return
            self.seen_at = now
            self.go("seen", now + self.timeout("leading"))
            self.act_at = now + self.tool_delay_ms()
            return
        if now >= self.act_at:
            self.act_at = NEVER  # from now on a lit eye is a gutter
        if now >= self.due or self.line.seen.on[self.exit]:
            self._fail_missing("no_entry", "a gutter at the entry eye")

    def _belts_run(self) -> bool:
        inputs, up = self.line.seen, self.upstream
        return not inputs.off[self.running] and (up is None or not inputs.off[up.running])

    def _leading(self, now: int) -> None:
        self._watch_tail(now)

    def _watch_tail(self, now: int) -> None:
        """The entry eye going dark: the whole gutter is in; its length is checked.

        An eye that has been dark since an interruption proves nothing: then the exit eye must
        see the gutter. An entry eye still lit when the gutter is at the exit eye is a fault.
        """
        inputs = self.line.seen
        if inputs.on[self.entry]:
            if self.seen_at == NEVER and self._belts_run():
                self.seen_at = RESUMED  # from a standstill: a ramp's way is only half its time
                self.act_at = now + self.tool_delay_ms() + self.facts.ramp_ms // 2
            if inputs.on[self.exit] or now >= self.due:
                self._fail_missing("no_clear", "the entry eye going dark")
        elif inputs.off[self.entry]:
            if self.seen_at == NEVER and not inputs.on[self.exit]:
                self.on_dark(now)
                self.due = min(self.due, now + self.timeout("settling"))
                if now >= self.due:
                    self._fail_exit()
            elif 0 <= self.seen_at < NEVER and not self._right_length(now - self.seen_at):
                self._fail_length(now - self.seen_at)
            else:
                self._cleared(now)
        elif now >= self.due:
            self._fail_missing("no_clear", "a good reading of the entry eye")

    def _wholly_in(self) -> None:
        """The zone before has given its gutter, unless it has done so before."""
        up = self.upstream
        if up is not None and up.state == "giving":  # not when the rest is done after a finish
            up.gutter = 0
            up.astray = False
            up.go("given")

    def _cleared(self, now: int) -> None:
        self._wholly_in()
        self.seen_at = NEVER
        self.go("cleared", now + self.timeout("settling"))

    def on_dark(self, now: int) -> None:
        """The entry eye is dark since an interruption: nothing tells where the tail is."""

    def _fail_length(self, lit_ms: int) -> None:
        self.fail(
            "length",
            f"{self.name}: the eye was lit for {lit_ms * self.facts.speed_mm_s / 1000:.0f} mm,"
            f" a gutter is {self.line.site.file.gutter.length_mm} mm",
        )

    def _right_length(self, lit_ms: int) -> bool:
        gutter = self.line.site.file.gutter
        seen = lit_ms * self.facts.speed_mm_s / 1000
        return abs(seen - gutter.length_mm) <= gutter.length_tolerance * gutter.length_mm

    def _settling(self, now: int) -> None:
        if self.line.seen.on[self.exit]:
            self._close_move()
            self.go("arrived")
            self.on_arrived(now)
        elif now >= self.due:
            self._fail_exit()

    def _fail_exit(self) -> None:
        self.blind = self.line.seen.on[self.running]
        self._fail_missing("no_exit", "the gutter at the exit eye")

    def _seeking(self, now: int) -> None:
        """The gutter is short of the exit eye: the belt brings it there."""
        if self.line.seen.on[self.exit]:
            self.go("found")
        elif now >= self.due:
            self._fail_exit()

    def _close_move(self) -> None:
        """Confirm the move that brought the gutter, unless that was done before."""
        if self.number:
            self.line.complete(self.number)
            self.number = 0

    def begin_process(self) -> None:
        """The tool is to work on the gutter: told to the record before it may touch it."""
        if not self.process:
            self.process = self.intend("process", self.gutter, self.name, self.name)

    def end_process(self) -> None:
        """The tool has worked on it to its end, or a person takes it as it is."""
        if self.process:
            self.line.complete(self.process)
            self.process = 0

    def on_arrived(self, now: int) -> None:
        """The gutter stands in this zone, and the ledger has been told."""

    def _done(self, now: int) -> None:
        """A gutter stands here; it must stay in sight until it is given on."""
        if self.line.seen.off[self.exit]:
            if self.act_at == NEVER:
                self.act_at = now + STRAY_MS
            elif now >= self.act_at:
                self.fail(
                    "lost",
                    f"{self.name}: gutter {self.gutter} is out of the exit eye's sight",
                )
                self.back = self.SEEK
        else:
            self.act_at = NEVER

    # giving on ---------------------------------------------------------------------------------

    def demand(self) -> int:
        """Giving, the belt runs as long as the zone beyond draws."""
        if self.state == "giving":
            beyond = self.downstream
            return self.giving_bits() if beyond is not None and beyond.state in PULLING else 0
        return self._demands.get(self.state, 0)

    def giving_bits(self) -> int:
        """Outputs while a gutter leaves."""
        return self.run

    # times -------------------------------------------------------------------------------------

    def earliest_ms(self) -> int:
        """From the start of the belts until the gutter's head can be at the entry eye."""
        up = self.upstream.facts if self.upstream is not None else self.facts
        way_mm = up.length_mm - up.exit_eye_mm + self.facts.entry_eye_mm
        return (way_mm - EARLY_MM) * 1000 // self.facts.speed_mm_s

    def tool_delay_ms(self) -> int:
        """From the entry eye to the tool, for a zone that has one."""
        return NEVER >> 1

    def travel_ms(self, distance_mm: int) -> int:
        """Time for that distance at belt speed, one ramp and the slack included."""
        facts = self.facts
        return distance_mm * 1000 // facts.speed_mm_s + facts.ramp_ms + SLACK_MS

    def timeout(self, state: str) -> int:
        """Time-outs from geometry, never longer than the site's own travel time-out."""
        facts = self.facts
        length = self.line.site.file.gutter.length_mm
        if state == "asked":
            return self.line.ledger_ack_ms
        if state == "entering":
            up = self.upstream.facts if self.upstream is not None else facts
            return self.travel_ms(up.length_mm - up.exit_eye_mm + facts.entry_eye_mm)
        if state in ("leading", "tooling"):
            return min(self.travel_ms(length), facts.travel_timeout_ms)
        if state in ("settling", "seeking"):
            rest_mm = max(0, facts.exit_eye_mm - facts.entry_eye_mm - length)
            return rest_mm * 1000 // facts.speed_mm_s + SETTLE_SLACK_MS
        return facts.travel_timeout_ms

    def rearm(self, now: int) -> None:
        """The short last stretch holds no ramp; from a standstill the belt needs one."""
        super().rearm(now)
        if self.state in ("settling", "seeking"):
            self.due += self.facts.ramp_ms

    def resume(self, now: int) -> None:
        """An entry eye that lit too early must be seen dark, a blind exit eye must see, before
        anything moves again; or a person takes the gutter out."""
        inputs = self.line.seen
        if self.fault == "early" and not inputs.off[self.entry]:
            return
        if self.fault == "no_exit" and self.blind and not inputs.on[self.exit]:
            return
        if self.gutter and (self.state == "faulted" or not self.resting()):
            self.astray = True
        super().resume(now)

    def pause(self, now: int) -> None:
        super().pause(now)
        self.seen_at = NEVER

    def fail(self, fault: str, text: str) -> None:
        super().fail(fault, text)
        self.seen_at = NEVER

    def resting(self) -> bool:
        """Giving rests when the zone beyond does."""
        if self.state == "giving":
            return self.downstream is None or self.downstream.resting()
        return self.state in self.RESTING

    def cut(self, now: int, text: str) -> None:
        """A giving belt that stops is the business of the zone that draws from it."""
        if self.state != "giving":
            super().cut(now, text)
        elif self.downstream is not None and not self.downstream.resting():
            self.downstream.cut(now, f"{self.name}: {text}")

    def removed(self) -> int:
        """A person has taken the gutter away; returns its id. The zone is empty."""
        gutter, self.gutter = self.gutter, 0
        self.astray = False
        self.line.abandon(self.process)
        self.process = 0
        up = self.upstream
        if up is not None and up.state == "giving":
            up.gutter = 0
            up.astray = False
            up.go("given")
        self.back = ""
        self.fault = ""
        self.go("gone")
        return gutter

    def _fail_missing(self, fault: str, proof: str) -> None:
        self.fail(
            fault,
            self.missing(proof),
        )

"""Belt zones of the sower: a gutter is drawn in from the zone before, worked on, and given on.

The receiving zone runs both belts and decides; the giving zone follows it. A gutter has arrived
when the entry eye has gone on and off and the exit eye is on: two unlike signs. The time the
entry eye was lit, times the belt's speed, must be the gutter's length.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from linectl.line.inputs import NEVER
from linectl.line.part import Part, fault_rows
from linectl.line.tables import Row, table
from linectl.site.machine import Conveyor as ConveyorFacts
from linectl.site.machine import Fill, Seed, Water

if TYPE_CHECKING:
    from linectl.line.line import Line
    from linectl.line.units import Unit

SLACK_MS = 1_500
"""Allowance on every time-out that is computed from geometry: polls, ramp, slip."""
SETTLE_SLACK_MS = 450
"""Allowance on the last stretch: short, so that an exit eye that is blind lets nothing run off."""
TOOL_SLACK_MS = 350
"""A tool stops this much after the gutter's tail should have been seen."""
RESUMED = -1
"""`seen_at` of a gutter seen again after an interruption: no length can be told from it."""
BELT_MS = 400
"""A belt that stands this long under a running tool is a fault."""
STRAY_MS = 2_000
"""An eye lit over an empty zone for this long is a fault."""
EARLY_MM = 35
"""A gutter at the entry eye this much before its distance says is none. Standing heads differ by
less: starts and stops are seen late by much the same. Less than a tool's lead."""

Tool = Fill | Water | Seed

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
    FIELDS = (*Part.FIELDS, "seen_at", "astray", "blind")

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
        self.entry = io[f"{name}.entry_eye"]
        self.exit = io[f"{name}.exit_eye"]
        self.running = io[f"{name}.running"]
        self.run = line.bit(io[f"{name}.run"])
        self.line.numbers[io[f"{name}.speed"]] = facts.speed_mm_s
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

    def _empty(self, now: int) -> None:
        inputs = self.line.inputs
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
        self.number = self.line.intend("convey", self.gutter, up.name, self.name)
        self.go("ask", now + self.line.ledger_ack_ms)
        up.go("give")

    def _stray(self, now: int) -> None:
        inputs = self.line.inputs
        if not (inputs.on[self.entry] or inputs.on[self.exit]):
            return
        if self.act_at == NEVER:
            self.act_at = now + STRAY_MS
        elif now >= self.act_at:
            eye = "entry_eye" if inputs.on[self.entry] else "exit_eye"
            self.fail(
                "stray",
                f"{self.name}: {eye} is lit over an empty zone",
                f"look for a gutter at {self.name} and clean the eye; correct the place; unhold",
            )

    def _asked(self, now: int) -> None:
        super()._asked(now)
        if self.state == "entering" and self.upstream is not None and not self.upstream.astray:
            self.act_at = now + self.earliest_ms()

    def _entering(self, now: int) -> None:
        if self.line.inputs.on[self.entry]:
            if now < self.act_at < NEVER:
                self.fail(
                    "early",
                    f"{self.name}: entry eye lit before a gutter could be there",
                    f"clean the eye of {self.name}, look where the gutter is; unhold",
                )
                return
            self.seen_at = now
            self.go("seen", now + self.timeout("leading"))
            self.act_at = now + self.tool_delay_ms()
            return
        if now >= self.act_at:
            self.act_at = NEVER  # from now on a lit eye is a gutter
        if now >= self.due or self.line.inputs.on[self.exit]:
            self._fail_missing("no_entry", "a gutter at the entry eye")

    def _leading(self, now: int) -> None:
        self._watch_tail(now)

    def _watch_tail(self, now: int) -> None:
        """The entry eye going dark: the whole gutter is in; its length is checked.

        An eye that has been dark since an interruption proves nothing: then the exit eye must
        see the gutter. An entry eye still lit when the gutter is at the exit eye is a fault.
        """
        inputs = self.line.inputs
        if inputs.on[self.entry]:
            if self.seen_at == NEVER:
                self.seen_at = RESUMED
                self.act_at = now + self.tool_delay_ms()
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

    def _cleared(self, now: int) -> None:
        up = self.upstream
        if up is not None and up.state == "giving":  # not when the rest is done after a finish
            up.gutter = 0
            up.astray = False
            up.go("given")
        self.seen_at = NEVER
        self.go("cleared", now + self.timeout("settling"))

    def on_dark(self, now: int) -> None:
        """The entry eye is dark since an interruption: nothing tells where the tail is."""

    def _fail_length(self, lit_ms: int) -> None:
        self.fail(
            "length",
            f"{self.name}: the eye was lit for {lit_ms * self.facts.speed_mm_s / 1000:.0f} mm,"
            f" a gutter is {self.line.site.file.gutter.length_mm} mm",
            "look for a skewed or second gutter, a flickering eye; unhold",
        )

    def _right_length(self, lit_ms: int) -> bool:
        gutter = self.line.site.file.gutter
        seen = lit_ms * self.facts.speed_mm_s / 1000
        return abs(seen - gutter.length_mm) <= gutter.length_tolerance * gutter.length_mm

    def _settling(self, now: int) -> None:
        if self.line.inputs.on[self.exit]:
            self._close_move()
            self.go("arrived")
            self.on_arrived(now)
        elif now >= self.due:
            self._fail_exit()

    def _fail_exit(self) -> None:
        self.blind = self.line.inputs.on[self.running]
        self._fail_missing("no_exit", "the gutter at the exit eye")

    def _seeking(self, now: int) -> None:
        """The gutter is short of the exit eye: the belt brings it there."""
        if self.line.inputs.on[self.exit]:
            self.go("found")
        elif now >= self.due:
            self._fail_exit()

    def _close_move(self) -> None:
        """Confirm the move that brought the gutter, unless that was done before."""
        if self.number:
            self.line.complete(self.number)
            self.number = 0

    def on_arrived(self, now: int) -> None:
        """The gutter stands in this zone, and the ledger has been told."""

    def _done(self, now: int) -> None:
        """A gutter stands here; it must stay in sight until it is given on."""
        if self.line.inputs.off[self.exit]:
            if self.act_at == NEVER:
                self.act_at = now + STRAY_MS
            elif now >= self.act_at:
                self.fail(
                    "lost",
                    f"{self.name}: gutter {self.gutter} is out of the exit eye's sight",
                    f"look: if it was taken out, removed {self.name}; else unhold",
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

    def resume(self, now: int) -> None:
        """An entry eye that lit too early must be seen dark, a blind exit eye must see, before
        anything moves again; or a person takes the gutter out."""
        inputs = self.line.inputs
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

    def fail(self, fault: str, text: str, do: str) -> None:
        super().fail(fault, text, do)
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
            f"look at {self.name}: gutter, eye, belt; then unhold",
        )


class ToolZone(Conveyor):
    """A zone whose tool works on the gutter while it passes."""

    TABLE = table(
        "tool zone",
        "empty",
        [
            *DRAW_IN,
            ("tool", "leading", "tooling"),
            ("cleared", "leading|tooling", "settling"),
            ("arrived", "settling", "counting"),
            ("counted", "counting", "done"),
            ("part", "tooling", "partial"),
            ("miss", "counting", "partial"),
            ("finish", "partial", "regaining"),
            ("accepted", "regaining", "done"),
            ("regained", "regaining", "tooling"),
            ("untool", "tooling|regaining", "leading"),
            ("gone", "done|faulted|partial", "empty"),
            *fault_rows("empty|asked|entering|regaining|leading|settling|seeking|counting|done"),
        ],
    )
    FIELDS = (*Conveyor.FIELDS, "baseline", "wanted", "worked")
    LEAD_MM = 50
    """How far the head is past the tool before the tool starts: eyes are seen late, never early."""
    COUNT_MS = 3_000

    def __init__(
        self, line: Line, name: str, unit: Unit, facts: ConveyorFacts, io: dict[str, int],
        tool: str, counter: str | None,
    ) -> None:  # fmt: skip
        super().__init__(line, name, unit, facts, io)
        self.tool = line.bit(io[f"{name}.{tool}"])
        self.counter = io[f"{name}.{counter}"] if counter else None
        self.baseline = -1.0
        """Counter before the gutter; −1 while not known."""
        self.worked = False
        """The tool has worked on this gutter until its tail was seen."""
        self.wanted = 0.0
        """Counts this gutter should take."""
        self._demands["tooling"] = self.run | self.tool
        self.mask = self.run | self.tool

    def demand(self) -> int:
        """The tool waits while a belt stands: it would pile up on one spot."""
        bits = super().demand()
        return bits if self.state != "tooling" or self._belts_run() else bits & ~self.tool

    def works(self) -> bool:
        """False in dry cycle: gutters move, the tool stays off."""
        return self.unit is not None and self.unit.mode == "production"

    def tool_delay_ms(self) -> int:
        """From the entry eye to a little past the tool."""
        tool_mm: int = self.facts.tool_mm  # type: ignore[attr-defined]
        return (tool_mm + self.LEAD_MM - self.facts.entry_eye_mm) * 1000 // self.facts.speed_mm_s

    def _entering(self, now: int) -> None:
        if self.counter is not None and self.counter in self.line.inputs.counted:
            self.baseline = self.line.inputs.counted.pop(self.counter)
        super()._entering(now)

    def _leading(self, now: int) -> None:
        due = now >= self.act_at and not self.worked
        if due and self.works() and self.line.inputs.on[self.entry]:
            if not self._belts_run():  # the tool's time was reckoned from a belt that moves
                self._fail_belt()
                return
            self.on_tool(now)
            self.go("tool", now + self.timeout("tooling"))
        else:
            self._watch_tail(now)

    def _tooling(self, now: int) -> None:
        """The tool works only over a belt that moves."""
        if self._belts_run():
            self.act_at = NEVER
            self._watch_tail(now)
        elif self.act_at == NEVER:
            self.act_at = now + BELT_MS
        elif now >= self.act_at:
            self._fail_belt()

    def _fail_belt(self) -> None:
        self.fail(
            "belt",
            f"{self.name}: the belt stands under its tool",
            f"look at the belts of {self.name} and before it; then unhold",
        )

    def _belts_run(self) -> bool:
        inputs, up = self.line.inputs, self.upstream
        return not inputs.off[self.running] and (up is None or not inputs.off[up.running])

    def _regaining(self, now: int) -> None:
        """A person wants the rest done: only if the entry eye still sees the gutter."""
        if self.line.inputs.on[self.exit]:
            if self.line.inputs.on[self.entry]:  # no gutter is that long
                self._fail_missing("no_clear", "the entry eye going dark")
            else:
                self.go("accepted")
        elif self.line.inputs.on[self.entry] and not self.worked:
            self.go("regained", now + self.timeout("tooling"))
        elif self.worked or self.line.inputs.off[self.entry]:
            self.go("untool", now + self.timeout("leading"))

    def _cleared(self, now: int) -> None:
        self.worked = self.worked or self.state == "tooling"
        super()._cleared(now)

    def on_dark(self, now: int) -> None:
        if self.state == "tooling":
            self.go("untool", now + self.timeout("leading"))

    def on_tool(self, now: int) -> None:
        """The tool begins on this gutter."""

    def prepare(self, gutter: int, now: int) -> bool:
        self.baseline = -1.0
        self.worked = False
        if self.counter is not None:
            self.line.inputs.ask(self.counter)
        return True

    def on_arrived(self, now: int) -> None:
        if self.counter is not None and self.works():
            self.line.inputs.ask(self.counter)
        self.due = now + self.COUNT_MS

    def _counting(self, now: int) -> None:
        if self.works() and not self.worked:
            self._part("miss", "passed its tool without being worked on to its end")
        elif self.counter is None or not self.works():
            self.go("counted")
        elif self.counter in self.line.inputs.counted:
            counted = self.line.inputs.counted.pop(self.counter)
            if self.baseline >= 0:
                self.judge(counted - self.baseline)
            self.go("counted")
        elif now >= self.due:
            self._fail_missing("no_count", "a fresh reading of the counter")

    def judge(self, counts: float) -> None:
        """Compare the counts of this gutter with what it should have had."""

    def fail(self, fault: str, text: str, do: str) -> None:
        if self.state != "tooling":
            super().fail(fault, text, do)
            return
        self._part("part", "is only partly done")
        self.worked = fault == "no_clear"  # the whole length has passed, whatever the eye says
        self.fault = fault
        self.line.alarms.raise_(f"{self.name}.{fault}", "high", text, do)
        if self.unit is not None:
            self.unit.hold(text)

    def pause(self, now: int) -> None:
        super().pause(now)
        if self.state == "tooling":
            self._part("part", "is only partly done")

    def cut(self, now: int, text: str) -> None:
        if self.state == "tooling":
            self.pause(now)
            if self.unit is not None:
                self.unit.hold(f"{self.name}: {text}")
        else:
            super().cut(now, text)

    def _part(self, event: str, text: str) -> None:
        self.line.gutters[self.gutter].partial = self.name
        self.go(event)
        self.line.alarms.raise_(
            f"{self.name}.partial",
            "medium",
            f"{self.name}: gutter {self.gutter} {text}",
            f"partial {self.name} finish; or take it off, two people: partial {self.name} reject",
        )

    def timeout(self, state: str) -> int:
        if state == "tooling":
            tool: Tool = self.facts  # type: ignore[assignment]
            return self.line.tool_ms(tool) + TOOL_SLACK_MS
        return self.COUNT_MS if state == "counting" else super().timeout(state)

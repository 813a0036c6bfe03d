"""Belt zones with a tool that works on the gutter while it passes.

The tool runs only over a belt that moves, starts when the head is surely past it and stops when
the tail is seen. What was not worked on to its end is *partial*, and a person decides.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from linectl.crop.setpoints import TOOL_LEAD_MM
from linectl.line.conveyor import DRAW_IN, Conveyor
from linectl.line.gutters import Gutter
from linectl.line.inputs import NEVER
from linectl.line.part import fault_rows
from linectl.line.tables import table
from linectl.site.machine import Fill, Seed, Water

if TYPE_CHECKING:
    from linectl.line.line import Line
    from linectl.line.units import Unit

TOOL_SLACK_MS = 350
"""A tool stops this much after the gutter's tail should have been seen."""
BELT_MS = 400
"""A belt that stands this long under a running tool is a fault."""

Tool = Fill | Water | Seed


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
    FIELDS = (*Conveyor.FIELDS, "baseline", "wanted", "worked", "accepted")
    COUNT_MS = 3_000
    facts: Tool

    def __init__(
        self, line: Line, name: str, unit: Unit, facts: Tool, io: dict[str, int],
        tool: str, counter: str | None,
    ) -> None:  # fmt: skip
        super().__init__(line, name, unit, facts, io)
        self.tool = line.bit(io[f"{name}.{tool}"])
        self.counter = io[f"{name}.{counter}"] if counter else None
        self.baseline = -1.0
        """Counter before the gutter; −1 while not known."""
        self.worked = False
        """The tool has worked on this gutter until its tail was seen."""
        self.accepted = False
        """A person has said finish: what the tool does not reach any more stays undone."""
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
        return (
            (self.facts.tool_mm + TOOL_LEAD_MM - self.facts.entry_eye_mm)
            * 1000
            // self.facts.speed_mm_s
        )

    def _entering(self, now: int) -> None:
        if self.counter is not None and self.counter in self.line.inputs.counted:
            self.baseline = self.line.inputs.counted.pop(self.counter)
        super()._entering(now)
        if self.state == "leading" and self.works():
            self.begin_process()

    def _leading(self, now: int) -> None:
        due = now >= self.act_at and not self.worked
        if due and not self.works():
            self.act_at = NEVER  # nothing is due here, and no scan need come for it
            self.line.changed = True
        elif due and self.line.seen.on[self.entry]:
            if not self._belts_run():  # the tool's time was reckoned from a belt that moves
                self._fail_belt()
                return
            if not self.process or self.line.durable < self.word:
                self.begin_process()  # not yet there: the mode was changed while it lay here
                self.fail("ledger", f"{self.name}: the ledger did not confirm move {self.process}")
                return
            self.on_tool(now)
            self.go("tool", now + self.timeout("tooling"))
            return
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
        )

    def ready_for(self, gutter: Gutter) -> None:
        if gutter.crop not in self.line.crops:  # the record knows it by its reservation at most
            gutter.crop = self.line.crop_in_drum

    def resume(self, now: int) -> None:
        """A gutter that lies before the tool since a power cut is told to the record first."""
        leading = "leading" in (self.state, self.back)
        if self.gutter and leading and self.works() and not self.worked:
            self.begin_process()
        super().resume(now)

    def _regaining(self, now: int) -> None:
        """A person wants the rest done: only if the entry eye still sees the gutter."""
        if self.line.seen.on[self.exit]:
            if self.line.seen.on[self.entry]:  # no gutter is that long
                self._fail_missing("no_clear", "the entry eye going dark")
            else:
                self._wholly_in()
                self._close_move()
                self.end_process()
                self.go("accepted")
        elif self.line.seen.on[self.entry] and not self.worked and not self.astray:
            self.go("regained", now + self.timeout("tooling"))
        elif self.worked or self.line.seen.off[self.entry] or self.astray:
            # astray it may lie short of the tool: drawn on first, as far as from eye to tool
            self.accepted = True
            self.go("untool", now + self.timeout("leading"))

    def _cleared(self, now: int) -> None:
        self.worked = self.worked or self.state == "tooling"
        if self.worked or self.accepted:
            self.end_process()
        super()._cleared(now)

    def on_dark(self, now: int) -> None:
        if self.state == "tooling":
            self.go("untool", now + self.timeout("leading"))

    def on_tool(self, now: int) -> None:
        """The tool begins on this gutter, or is known to have begun."""

    def end_process(self) -> None:
        if self.process:
            self.on_tool(self.line.now)
        super().end_process()

    def prepare(self, gutter: int, now: int) -> bool:
        self.baseline = -1.0
        self.worked = self.accepted = False
        self.line.abandon(self.process)  # of one that passed with the tool off
        self.process = 0
        if self.counter is not None:
            self.line.inputs.ask(self.counter)
        return True

    def on_arrived(self, now: int) -> None:
        if self.counter is not None and self.works():
            self.line.inputs.ask(self.counter)
        self.due = now + self.COUNT_MS

    def _counting(self, now: int) -> None:
        if self.works() and not self.worked and not self.accepted:
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

    def fail(self, fault: str, text: str) -> None:
        if self.state != "tooling":
            super().fail(fault, text)
            return
        self._part("part", "is only partly done")
        self.worked = fault == "no_clear"  # the whole length has passed, whatever the eye says
        self.fault = fault
        self.line.alarms.raise_(f"{self.name}.{fault}", "high", text)
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
        )

    def timeout(self, state: str) -> int:
        if state == "tooling":
            return self.line.tool_ms(self.facts) + TOOL_SLACK_MS
        return self.COUNT_MS if state == "counting" else super().timeout(state)

"""The sower's stations that handle the gutter: magazine, tamp, turn."""

from __future__ import annotations

from typing import TYPE_CHECKING

from linectl.line.conveyor import DRAW_IN, STRAY_MS, Conveyor
from linectl.line.inputs import NEVER
from linectl.line.part import fault_rows
from linectl.line.tables import table
from linectl.site import machine

if TYPE_CHECKING:
    from linectl.line.line import Line
    from linectl.line.units import Unit


class Magazine(Conveyor):
    """Drops one washed empty on its belt; two is a fault, none is a fault."""

    TABLE = table(
        "magazine",
        "empty",
        [("ask", "empty", "asked"), ("durable", "asked", "opening"),
         ("opened", "opening", "closing"), ("closed", "closing", "done"),
         ("give", "done", "giving"), ("given", "giving", "empty"),
         ("gone", "done|faulted", "empty"),
         *fault_rows("empty|asked|opening|closing|done")],
    )  # fmt: skip

    SEEK = "done"

    facts: machine.Magazine

    def __init__(
        self, line: Line, name: str, unit: Unit, facts: machine.Magazine, io: dict[str, int]
    ) -> None:
        super().__init__(line, name, unit, facts, io)
        self.gate_home = io[f"{name}.gate_home"]
        self.single = io[f"{name}.single"]
        self.not_empty = io[f"{name}.not_empty"]
        gate = line.bit(io[f"{name}.gate"])
        self._demands = {"opening": gate}
        self.mask |= gate

    def would_take(self, now: int) -> bool:
        unit = self.unit
        return (
            unit is not None
            and not unit.run_out
            and self.state == "empty"
            and self.line.seen.on[self.not_empty]
            and self.line.seen.on[self.gate_home]
            and self.name not in self.line.causes.stations
            and self.line.day.feeds()
            and self.line.changeover.feeds()
        )

    def _empty(self, now: int) -> None:
        inputs = self.line.seen
        if not (inputs.off[self.entry] and inputs.off[self.exit]):
            self._stray(now)
            return
        self.act_at = NEVER
        if self.unit is not None and self.unit.may_start and self.would_take(now):
            self.gutter = self.line.new_gutter("stock")
            self.number = self.intend("feed", self.gutter, "stock", self.name)
            self.go("ask", now + self.line.ledger_ack_ms)

    def _opening(self, now: int) -> None:
        if self.line.seen.off[self.gate_home]:
            self.go("opened", now + self.facts.gate_timeout_ms)
        elif now >= self.due:
            self._fail_missing("gate", "the gate leaving home")

    def _closing(self, now: int) -> None:
        inputs = self.line.seen
        if inputs.off[self.single]:
            self.fail("double", "magazine fed more than one gutter")  # fmt: skip
        elif inputs.on[self.gate_home] and inputs.on[self.exit] and inputs.on[self.single]:
            self._close_move()
            self.go("closed")
        elif now >= self.due:
            self._fail_missing("no_feed", "a gutter on the belt and the gate home")

    def resume(self, now: int) -> None:
        """A gutter that lies on the belt was dropped, whatever the gate's switch says: no other."""
        if not self.line.seen.off[self.exit]:
            if self.back == "opening":
                self.back = "closing"
            elif self.state == "opening":
                self.go("opened")
        super().resume(now)

    def timeout(self, state: str) -> int:
        return (
            self.facts.gate_timeout_ms
            if state in ("opening", "closing")
            else super().timeout(state)
        )

    def wait(self) -> tuple[bool, str] | None:
        if self.state == "empty" and self.line.seen.off[self.not_empty]:
            return True, "magazine empty"
        if self.state == "empty" and not self.line.day.feeds():
            return True, self.line.day.sowing_text(self.line.crop_in_drum) or "today's list"
        if self.state == "empty" and not self.line.changeover.feeds():
            return False, self.line.changeover.text()
        return None


class Tamp(Conveyor):
    """Clamps the standing gutter, presses, brushes the rim while it leaves."""

    TABLE = table(
        "tamp",
        "empty",
        [*DRAW_IN, ("cleared", "leading", "settling"), ("arrived", "settling", "still"),
         ("still", "still", "clamping"), ("clamped", "clamping", "pressing"),
         ("down", "pressing", "dwelling"), ("dwelt", "dwelling", "rising"),
         ("up", "rising", "opening"), ("open", "opening", "done"),
         ("part", "pressing|dwelling", "partial"),
         ("finish", "partial", "rising"), ("redo", "partial", "clamping"),
         ("gone", "done|faulted|partial", "empty"),
         *fault_rows("empty|asked|entering|leading|settling|seeking|still|clamping|pressing|dwelling|rising|opening|done")],
    )  # fmt: skip

    facts: machine.Tamp

    def __init__(
        self, line: Line, name: str, unit: Unit, facts: machine.Tamp, io: dict[str, int]
    ) -> None:
        super().__init__(line, name, unit, facts, io)
        self.press_up = io[f"{name}.press_up"]
        self.press_down = io[f"{name}.press_down"]
        self.clamped = io[f"{name}.clamped"]
        press, clamp = line.bit(io[f"{name}.press"]), line.bit(io[f"{name}.clamp"])
        self.brush = line.bit(io[f"{name}.brush"])
        self._demands |= {
            "clamping": clamp,
            "pressing": clamp | press,
            "dwelling": clamp | press,
            "rising": clamp,
        }
        self.mask |= press | clamp | self.brush

    def giving_bits(self) -> int:
        return self.run | self.brush

    def would_take(self, now: int) -> bool:
        return super().would_take(now) and self.line.seen.on[self.press_up]

    def _still(self, now: int) -> None:
        if self.line.seen.off[self.running] and self.line.durable >= self.word:
            self.go("still", now + self.timeout("clamping"))
        elif now >= self.due and self.line.seen.off[self.running]:
            self.fail("ledger", f"{self.name}: the ledger did not confirm move {self.process}")
        elif now >= self.due:
            self._fail_missing("runs_on", "the belt's standstill")

    def on_arrived(self, now: int) -> None:
        self.begin_process()
        self.due = now + self.timeout("still")

    def _clamping(self, now: int) -> None:
        if self.line.seen.on[self.clamped]:
            self.go("clamped", now + self.timeout("pressing"))
        elif now >= self.due:
            self._fail_missing("clamp", "the clamp closed on the gutter")

    def _pressing(self, now: int) -> None:
        if self.line.seen.off[self.clamped]:  # nothing is clamped any more: press on nothing
            self._fail_missing("clamp", "the clamp closed on the gutter")
            return
        if self.line.seen.on[self.press_down]:
            self.go("down")
            self.act_at = now + self.facts.press_ms // 5
        elif now >= self.due:
            self._fail_missing("press", "press down")

    def _dwelling(self, now: int) -> None:
        if self.act_at == NEVER:
            self.act_at = now + self.facts.press_ms // 5
        if now >= self.act_at:
            self.go("dwelt", now + self.timeout("rising"))

    def _rising(self, now: int) -> None:
        if self.line.seen.on[self.press_up]:
            self.end_process()
            self.go("up", now + self.timeout("opening"))
        elif now >= self.due:
            self._fail_missing("press", "press up")

    def _opening(self, now: int) -> None:
        if self.line.seen.off[self.clamped]:
            self.go("open")
        elif now >= self.due:
            self._fail_missing("clamp", "the clamp open")

    def pause(self, now: int) -> None:
        super().pause(now)
        if self.state in ("pressing", "dwelling"):
            self.line.gutters[self.gutter].partial = self.name
            self.go("part")
            self.line.alarms.raise_(
                f"{self.name}.partial", "medium",
                f"{self.name}: gutter {self.gutter} is only partly tamped",
            )  # fmt: skip

    def resume(self, now: int) -> None:
        """A press that failed has let go of its clamp: that comes first again."""
        if self.back == "pressing":
            self.back = "clamping"
        super().resume(now)

    def cut(self, now: int, text: str) -> None:
        if self.state in ("pressing", "dwelling"):
            self.pause(now)
            if self.unit is not None:
                self.unit.hold(f"{self.name}: {text}")
        else:
            super().cut(now, text)

    def timeout(self, state: str) -> int:
        if state in ("pressing", "dwelling", "rising"):
            return self.facts.press_timeout_ms
        if state in ("clamping", "opening", "still"):
            return self.facts.clamp_ms + self.facts.ramp_ms + 2_000
        return super().timeout(state)


class Turn(Conveyor):
    """Takes a gutter at 0°, offers it to the infeed carriage at 90°, turns back."""

    TABLE = table(
        "turn",
        "empty",
        [*DRAW_IN[:3], DRAW_IN[-1],
         ("cleared", "leading", "settling"), ("arrived", "settling", "done"),
         ("turn", "done", "turning"), ("offer", "turning", "offered"),
         ("taken", "offered", "turning_back"), ("back", "turning_back", "empty"),
         ("home", "empty", "turning_back"), ("gone", "done|offered|faulted", "empty"),
         *fault_rows("empty|asked|entering|leading|settling|seeking|done|turning|turning_back|offered")],
    )  # fmt: skip
    RESTING = Conveyor.RESTING | {"offered"}

    facts: machine.Turn

    def __init__(
        self, line: Line, name: str, unit: Unit, facts: machine.Turn, io: dict[str, int]
    ) -> None:
        super().__init__(line, name, unit, facts, io)
        self.at_0, self.at_90 = io[f"{name}.at_0"], io[f"{name}.at_90"]
        self.centred, self.clear = io[f"{name}.centred"], io[f"{name}.swept_clear"]
        to_0, to_90 = line.bit(io[f"{name}.to_0"]), line.bit(io[f"{name}.to_90"])
        self._demands |= {"turning": to_90, "turning_back": to_0}
        self.mask |= to_0 | to_90

    def would_take(self, now: int) -> bool:
        up = self.upstream
        if up is not None and up.gutter and self.line.changeover.keeps(up.gutter):
            return False
        return super().would_take(now) and self.line.seen.on[self.at_0]

    def _empty(self, now: int) -> None:
        inputs = self.line.seen
        if not inputs.on[self.at_0]:
            if self.unit is not None and self.unit.moving and inputs.on[self.clear]:
                self.go("home", now + self.facts.turn_timeout_ms)
            return
        super()._empty(now)

    def _done(self, now: int) -> None:
        super()._done(now)
        if self.state != "done" or self.unit is None or not self.unit.moving:
            return
        inputs = self.line.seen
        stands, centred = inputs.off[self.running], inputs.on[self.centred]
        if stands and centred:
            self.due = NEVER
            if inputs.on[self.clear]:
                self.go("turn", now + self.facts.turn_timeout_ms)
        elif self.due == NEVER:
            self.due = now + STRAY_MS
        elif now >= self.due:
            self.due = NEVER
            if not stands:
                self._fail_missing("runs_on", "the belt's standstill")
                return
            self._fail_centred()

    def _fail_centred(self) -> None:
        self.fail(
            "centred",
            f"{self.name}: the gutter does not lie centred on the turntable",
        )

    def _turning(self, now: int) -> None:
        if self.line.seen.off[self.centred]:
            self._fail_centred()  # it reaches over the table's edge: no further turn
        elif self.line.seen.on[self.at_90] and self.line.seen.off[self.at_0]:
            self.go("offer")
        elif now >= self.due:
            self._fail_missing("turn", "turntable at 90°")

    def _turning_back(self, now: int) -> None:
        if self.line.seen.on[self.at_0] and self.line.seen.off[self.at_90]:
            self.go("back")
        elif now >= self.due:
            self._fail_missing("turn", "turntable at 0°")

    def picked(self, now: int) -> None:
        """The carriage has the gutter and its gripper is home."""
        self.gutter = 0
        self.go("taken", now + self.facts.turn_timeout_ms)

    def timeout(self, state: str) -> int:
        if state in ("turning", "turning_back"):
            return self.facts.turn_timeout_ms
        return super().timeout(state)

    def wait(self) -> tuple[bool, str] | None:
        if self.state == "done" and self.line.seen.off[self.clear]:
            return False, f"{self.name}: swept area not clear"
        return None

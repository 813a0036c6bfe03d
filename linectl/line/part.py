"""What every controlled part has: a state by table, due times, outputs by state, faults."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, ClassVar

from linectl.line.inputs import NEVER
from linectl.line.tables import Table

if TYPE_CHECKING:
    from linectl.line.line import Line
    from linectl.line.units import Unit


class Part:
    """One station, carriage or lane.

    `step(now)` runs the handler of the present state once a scan. A state's outputs are a
    bit mask in `_demands`; nothing else demands an output.
    """

    TABLE: ClassVar[Table]
    RESTING: ClassVar[frozenset[str]]
    """States in which the part does nothing by itself and nothing is under a tool."""
    FIELDS: ClassVar[tuple[str, ...]] = (
        "state",
        "due",
        "act_at",
        "back",
        "fault",
        "number",
        "word",
        "gutter",
    )

    def __init__(self, line: Line, name: str, unit: Unit | None) -> None:
        self.line = line
        self.name = name
        self.unit = unit
        self.state = self.TABLE.initial
        self.due = NEVER
        """When the present wait has lasted too long."""
        self.act_at = NEVER
        """When the next planned act is due."""
        self.back = ""
        """The state a fault or cut interrupted."""
        self.fault = ""
        self.number = 0
        """The open move's number."""
        self.word = 0
        """The word of the record that the present state waits for."""
        self.gutter = 0
        """Id of the gutter here; 0 for none."""
        self._demands: dict[str, int] = {}
        self._handlers: dict[str, Callable[[int], None]] = {
            state: getattr(self, f"_{state}", self._stay) for state in self.TABLE.states
        }
        self.mask = 0
        """Every output bit of this part."""

    def step(self, now: int) -> None:
        """One scan of this part."""
        self._handlers[self.state](now)

    def demand(self) -> int:
        """The output bits that the present state demands."""
        return self._demands.get(self.state, 0)

    def go(self, event: str, due: int = NEVER) -> None:
        """Take the event; the new state's time-out is `due`."""
        self.state = self.TABLE.after(self.state, event)
        self.due = due
        self.act_at = NEVER
        self.line.note_state(self)

    def stand(self, state: str) -> None:
        """Be in that state without an event: what is found after a power cut."""
        self.state = state
        self.due = self.act_at = NEVER
        self.line.note_state(self)

    def intend(self, kind: str, gutter: int, source: str, dest: str) -> int:
        """Announce a move before its motion, and remember which word of the record to wait for."""
        number = self.line.intend(kind, gutter, source, dest)
        self.word = self.line.words
        return number

    def told(self) -> Mapping[str, str]:
        """What goes with the state when a change of it is told."""
        return {}

    def resting(self) -> bool:
        """True when nothing moves or is under a tool here."""
        return self.state in self.RESTING

    def fail(self, fault: str, text: str) -> None:
        """A named fault: remember where it was, alarm, hold the unit."""
        self.back = self.state
        self.fault = fault
        self.go("fail")
        self.line.alarms.raise_(f"{self.name}.{fault}", "high", text)
        if self.unit is not None:
            self.unit.hold(text)

    def resume(self, now: int) -> None:
        """The unit moves again after a person's command: try the interrupted state once more."""
        if self.state == "faulted":
            self.line.alarms.clear(f"{self.name}.{self.fault}")
            self.fault = ""
            self.go(f"back_to_{self.back}")
            self.back = ""
        if not self.resting():
            self.rearm(now)  # a pause took its dues away

    def pause(self, now: int) -> None:
        """The unit must not move any more, from this scan on."""
        self.due = NEVER
        self.act_at = NEVER

    def cut(self, now: int, text: str) -> None:
        """The gate took away an output that this part, or the one giving to it, demands."""
        self.pause(now)
        if self.state not in self.RESTING:
            self.fail("cut", f"{self.name}: {text}")

    def rearm(self, now: int) -> None:
        """Set the present state's time-out anew after a pause."""
        if not self.resting():
            self.due = now + self.timeout(self.state)

    def timeout(self, state: str) -> int:
        """The time-out of an active state, in ms."""
        raise NotImplementedError

    def wait(self) -> tuple[bool, str] | None:
        """Why this part waits: (cause is outside the unit, text for a person); None if not."""
        return None

    def still_there(self) -> str | None:
        """Why a person's word that the gutter is gone cannot be true; None if it can."""
        return None

    def missing(self, proof: str) -> str:
        """Text of a time-out."""
        return f"{self.name}: {proof} did not come within {self.timeout(self.state) / 1000:g} s"

    def _stay(self, now: int) -> None:
        """A state that only a command or another part ends."""

    def _asked(self, now: int) -> None:
        """Waits for the intent to be on disk; `durable` is the event."""
        if self.line.durable >= self.word:
            self.go("durable")
            self.rearm(now)
        elif now >= self.due:
            self.fail("ledger", f"{self.name}: the ledger did not confirm move {self.number}")


def fault_rows(active: str) -> list[tuple[str, str, str]]:
    """Rows that let every active state (joined by `|`) fail and be taken up again."""
    return [
        ("fail", active, "faulted"),
        *((f"back_to_{state}", "faulted", state) for state in active.split("|")),
    ]

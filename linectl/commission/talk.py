"""A person's own questions to a bus: each answered, refused or silent, timed and counted.

Commissioning asks what the running line never would: addresses that may not exist, units that may
not be there. So a failure is an answer here, not an exception; only a dead link ends it. After a
silence on a line whose answers carry no number the line is kept quiet, as long as `late_ms` says:
the answer to one question must never be taken for the answer to the next.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import NamedTuple, Protocol

from linectl.errors import DeviceRefused, ForeignAnswer, LinkDown, Silent, Unreachable
from linectl.field.asks import ANSWER_MAY_FOLLOW, Ask
from linectl.field.device import error_kind
from linectl.field.modbus import Wire
from linectl.field.wiring import Reach
from linectl.registers.frames import READ_FUNCTIONS
from linectl.runtime.control import running_controller
from linectl.site.hardware import Bus
from linectl.site.notation import Table

NO_PATH = ("refused_10", "refused_11")
"""A gateway's own words: it found nobody behind it."""
SAME_UNIT_QUIET = 2.0
"""Before one unit is asked again, the line is kept quiet this many times its lateness: nothing
else would tell a late answer from the next."""
REPEATS = 2
"""A damaged, late or missing answer says nothing of what was asked: it is asked again so often."""
DAMAGED = ("crc", "short", "foreign", "stale", "stray", "echo")


class Line(Protocol):
    """A bus as commissioning sees it; `linectl.field.modbus.Wire` is one."""

    latency_ms: float
    """From the last question's end to its answer's beginning."""
    echoes: bool | None
    """True if the line brings our own bytes back; None while that is not known."""

    def open(self) -> None: ...

    def close(self) -> None: ...

    def read(self, ask: Ask) -> Sequence[int]: ...

    def write(self, ask: Ask) -> None: ...

    def identify(self, unit: int, device: str = "") -> Mapping[int, bytes]: ...

    def settle(self, ask: Ask, late_ms: float, outstanding: bool) -> bool: ...

    def rest(self, pause_ms: int) -> None: ...


class Heard(NamedTuple):
    """What one question brought."""

    kind: str
    """Empty if it was answered; else as errors are counted: silent, refused_2, crc … A whole
    answer after the time-out is `late`."""
    cells: tuple[int, ...]
    ms: float
    """From the question's end to the answer's beginning; 0 without one."""
    text: str = ""
    """The error's own words."""

    @property
    def good(self) -> bool:
        return not self.kind

    @property
    def settled(self) -> bool:
        """True if the device has said what there is to say: it would say so again. Not so for
        silence, damage, lateness, or a device that is busy or behind a gateway that waits."""
        refused = self.kind.startswith("refused_")
        return self.good or (refused and int(self.kind[8:]) not in ANSWER_MAY_FOLLOW)

    @property
    def there(self) -> bool:
        """True if some device answered, be it late or to refuse."""
        refused = self.kind.startswith("refused_") and self.kind not in NO_PATH
        return self.good or refused or self.kind == "late"


class Talk:
    """Asks one line, one question at a time. `late_ms`: how late an answer may still come."""

    def __init__(self, line: Line, late_ms: float = 0.0) -> None:
        self.line = line
        self.late_ms = late_ms
        self.requests = 0
        self.kinds: Counter[str] = Counter()
        """Failures by kind."""

    def read(
        self, name: str, unit: int, table: Table, address: int, quantity: int = 1, pause_ms: int = 0
    ) -> Heard:
        """One read. Raises LinkDown; every other failure is what it heard."""
        return self._do(Ask(name, unit, READ_FUNCTIONS[table], address, quantity), pause_ms)

    def write(self, ask: Ask, pause_ms: int = 0) -> Heard:
        """One write. Raises LinkDown; every other failure is what it heard."""
        return self._do(ask, pause_ms)

    def identify(self, name: str, unit: int) -> dict[int, bytes] | None:
        """The identification objects; None if the device cannot tell them. Raises LinkDown."""
        for _ in range(1 + REPEATS):
            self.requests += 1
            try:
                return dict(self.line.identify(unit, name))
            except LinkDown:
                raise
            except Unreachable as error:
                # Many know no such function, and some say so by silence: no failure of theirs.
                self._settle(Ask(name, unit, READ_FUNCTIONS["holding"], 0, 1), error)
                if not isinstance(error, ForeignAnswer):
                    break
        return None

    def _do(self, ask: Ask, pause_ms: int) -> Heard:
        self.requests += 1
        cells: Sequence[int] = ()
        try:
            if ask.cells:
                self.line.write(ask)
            else:
                cells = self.line.read(ask)
        except LinkDown:
            raise
        except Unreachable as error:
            kind = "late" if self._settle(ask, error) else error_kind(error)
            self.kinds[kind] += 1
            refused_ms = self.line.latency_ms if isinstance(error, DeviceRefused) else 0.0
            self.line.rest(pause_ms)
            return Heard(kind, (), refused_ms, str(error))
        self.line.rest(pause_ms)
        return Heard("", tuple(int(cell) for cell in cells), self.line.latency_ms)

    def _settle(self, ask: Ask, error: Unreachable) -> bool:
        """The quiet after a failure; True if the whole answer came during it."""
        if isinstance(error, DeviceRefused) and error.code not in ANSWER_MAY_FOLLOW:
            return False
        outstanding = not isinstance(error, ForeignAnswer)
        came = self.line.settle(ask, self.late_ms, outstanding)
        return came and isinstance(error, Silent)


def late_ms(bus: Bus, declared_ms: int | None) -> float:
    """How long to keep the line quiet before one unit is asked again."""
    return SAME_UNIT_QUIET * (bus.timeout_ms if declared_ms is None else declared_ms)


def wire_to(name: str, bus: Bus, reach: Reach, folder: str | Path = "") -> Wire:
    """The wire to a bus, not yet open. folder: the site's, where certificates lie."""
    return Wire(name, bus, reach.host, reach.port, Path(folder))


def refuse_if_held(site_folder: str | Path) -> None:
    """Raises Unreachable if a controller of this site runs: the bus is its own."""
    holder = running_controller(site_folder)
    if holder is None:
        return
    raise Unreachable(
        f"a controller of {site_folder} runs (process {holder}) and the bus is its own: "
        "a second master would mix up the answers. Stop it first, when the line may stand; what it "
        f"sees of its devices now: linectl status {site_folder}"
    )

"""A person's own questions to a bus: each answered, refused or silent, timed and counted.

Commissioning asks what the running line never would: addresses that may not exist, units that may
not be there. So a failure is an answer here, not an exception; only a dead link ends it.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import NamedTuple, Protocol, runtime_checkable

from linectl.errors import LinkDown, Unreachable
from linectl.field.device import error_kind
from linectl.field.modbus import Ask, Frame, Wire
from linectl.field.wiring import Reach
from linectl.registers.frames import READ_FUNCTIONS
from linectl.runtime.control import running_controller
from linectl.site.hardware import Bus
from linectl.site.notation import Table

NO_PATH = ("refused_10", "refused_11")
"""A gateway's own words: it found nobody behind it."""


class Line(Protocol):
    """A bus as commissioning sees it; `linectl.field.modbus.Wire` is one."""

    def open(self) -> None: ...

    def close(self) -> None: ...

    def read(self, ask: Ask) -> Sequence[int]: ...

    def write(self, ask: Ask) -> None: ...


@runtime_checkable
class Identifies(Protocol):
    """A line that can ask for identification (function 0x2B/0x0E): objects by number."""

    def identify(self, unit: int) -> Mapping[int, bytes]: ...


@runtime_checkable
class Settles(Protocol):
    """A line that must be quietened by its owner after a failure."""

    def settle(self) -> None: ...


class Heard(NamedTuple):
    """What one question brought."""

    kind: str
    """Empty if it was answered; else as errors are counted: silent, refused_2, crc …"""
    cells: tuple[int, ...]
    ms: float
    """From the question to its answer, our own time included."""
    text: str = ""
    """The error's own words."""

    @property
    def good(self) -> bool:
        return not self.kind

    @property
    def there(self) -> bool:
        """True if some device answered, be it to refuse."""
        return self.good or (self.kind.startswith("refused_") and self.kind not in NO_PATH)


class Talk:
    """Asks one line, one question at a time."""

    def __init__(self, line: Line, clock: Callable[[], float] = time.perf_counter) -> None:
        self.line = line
        self.requests = 0
        self._clock = clock

    def read(
        self, name: str, unit: int, table: Table, address: int, quantity: int = 1, pause_ms: int = 0
    ) -> Heard:
        """One read. Raises LinkDown; every other failure is what it heard."""
        return self._do(Ask(name, unit, READ_FUNCTIONS[table], address, quantity), pause_ms)

    def write(self, ask: Ask, pause_ms: int = 0) -> Heard:
        """One write. Raises LinkDown; every other failure is what it heard."""
        return self._do(ask, pause_ms)

    def _do(self, ask: Ask, pause_ms: int) -> Heard:
        self.requests += 1
        began_s = self._clock()
        cells: Sequence[int] = ()
        try:
            if ask.cells:
                self.line.write(ask)
            else:
                cells = self.line.read(ask)
        except LinkDown:
            raise
        except Unreachable as error:
            took_ms = (self._clock() - began_s) * 1000
            kind = error_kind(error)
            if isinstance(self.line, Settles) and not kind.startswith("refused_"):
                self.line.settle()
            return Heard(kind, (), took_ms, str(error))
        heard = Heard("", tuple(int(cell) for cell in cells), (self._clock() - began_s) * 1000)
        if pause_ms:
            time.sleep(pause_ms / 1000)
        return heard

    def identify(self, unit: int) -> dict[int, bytes] | None:
        """The identification objects; None if the device, or this line, cannot tell them."""
        if not isinstance(self.line, Identifies):
            return None
        self.requests += 1
        try:
            return dict(self.line.identify(unit))
        except LinkDown:
            raise
        except Unreachable:
            if isinstance(self.line, Settles):
                self.line.settle()
            return None


def wire_to(name: str, bus: Bus, reach: Reach) -> Wire:
    """The wire to a bus, not yet open."""
    return Wire(name, bus, reach.host, reach.port)


def echoed(frames: Iterable[Frame]) -> bool | None:
    """True if every request that was answered came back before its answer; None without any.

    For reads only: a write's answer is its request again (functions 5, 6, 15, 16 repeat it).
    """
    seen = []
    sent = b""
    came = b""
    for frame in [*frames, Frame(0.0, True, b"")]:
        if frame.sent:
            if sent and came:
                seen.append(came.startswith(sent))
            sent, came = frame.data, b""
        else:
            came = frame.data if frame.data.startswith(came) else came + frame.data
    return all(seen) if seen else None


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

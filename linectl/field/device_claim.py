"""Four registers in a device that say which controller writes to it: seen from other computers too.

Who (two registers), process, beat. A controller reads them before its first write. Nobody's are
taken at once; another's only when its beat has stood still for WATCH_MS. What was taken counts
after it has been read back a beat later, so that of two that begin together one sees the other.
From then on each beat is read, compared and written anew.

If others stand there though ours were never lost, two controllers write to one device. Both end:
this one leaves a mark that is nobody's, which stops the other too, and writes no more until it is
started again. The device's outputs then fall by its own watchdog.

A convention among controllers that keep to it, and no lock: reading and writing are two requests.
`DeviceClaim` is pure: told what was read, it says what to write.
"""

from __future__ import annotations

import os
import socket
import time
import zlib
from typing import NamedTuple

from linectl.field.asks import Ask
from linectl.registers.frames import READ_HOLDING, WRITE_REGISTERS
from linectl.site.hardware import CLAIM_BEAT_MS, CLAIM_REGISTERS, Device
from linectl.site.notation import protocol_address

WATCH_MS = 6 * CLAIM_BEAT_MS
"""So long another's beat must have stood still. A controller whose beats are held up for longer
(its connection broken, the device given up) looks first when it comes back."""

Cells = tuple[int, ...]
NOBODY: Cells = (0,) * CLAIM_REGISTERS
"""A device that has lost its memory, or was left in order."""
CONTESTED: Cells = (0xFFFF, 0xFFFF, 0xFFFF, 0)
_NAMELESS = 0xF
"""First four bits of a mark that is no IPv4 address: 240.0.0.0/4 is reserved (RFC 1112, 4)."""


class Mark(NamedTuple):
    """Who claims: an IPv4 address, or a hash of the computer's name; the process's low 16 bits."""

    who: int
    process: int

    def cells(self, beat: int) -> Cells:
        return (self.who >> 16, self.who & 0xFFFF, self.process, beat)


def own_mark(towards: str) -> Mark:
    """This process's. towards: a host; the address is the one that this computer would reach it
    from (asked of the routing table: nothing is sent)."""
    process = os.getpid() & 0xFFFF
    try:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as link:
            link.connect((towards or "192.0.2.1", 9))
            address = socket.inet_aton(link.getsockname()[0])
    except (OSError, UnicodeError):
        name = zlib.crc32(socket.gethostname().encode())
        return Mark(_NAMELESS << 28 | name & 0x0FFF_FFFF, process)
    return Mark(int.from_bytes(address, "big"), process)


def told(cells: Cells) -> str:
    """Whose claim it is, for people."""
    if cells[:3] == CONTESTED[:3]:
        return "the mark that two controllers met here"
    who = cells[0] << 16 | cells[1]
    if who >> 28 == _NAMELESS:
        return f"the claim of a controller of mark {who:08X} (process {cells[2]})"
    address = ".".join(str(byte) for byte in who.to_bytes(4, "big"))
    return f"the claim of a controller at {address} (process {cells[2]})"


def claim_of(name: str, device: Device, host: str) -> DeviceClaim | None:
    """This process's claim of a device that has registers for one; `host`: of its bus."""
    if device.claim is None:
        return None
    address = protocol_address("holding", device.claim, device.notation)
    return DeviceClaim(name, device, address, own_mark(host), time.monotonic_ns() >> 20)


class DeviceClaim:
    """One device's claim. For its bus's thread; `ours`, `theirs`, `trouble` may be read by any.

    state: unsure (what stands there is not known), watching (another's, which has not moved yet),
    taken (written, to be read back), ours, theirs (another's beat moves), contested (for good).
    """

    def __init__(self, name: str, device: Device, address: int, mark: Mark, beat: int) -> None:
        self.read = Ask(name, device.unit, READ_HOLDING, address, CLAIM_REGISTERS)
        self.due_ms = 0
        self.state = "unsure"
        self.trouble = ""
        """Why nothing is written, for people; empty while all is well."""
        self.was_ours = False
        """True from its being ours until another's was seen: a last word is for the device."""
        self._name = name
        self._mark = mark
        self._beat = beat & 0xFFFF
        self._mine: tuple[Cells, ...] = ()
        self._seen: Cells = NOBODY
        self._seen_ms = 0

    @property
    def ours(self) -> bool:
        return self.state == "ours"

    @property
    def theirs(self) -> bool:
        return self.state == "theirs"

    def lost(self) -> None:
        """The device was lost: others may have taken it meanwhile."""
        if self.state in ("ours", "taken"):
            self.state = "unsure"
            self.due_ms = 0

    def asked(self, now_ms: int) -> None:
        """When it is due again, whatever comes of this time."""
        self.due_ms = now_ms + CLAIM_BEAT_MS

    def found(self, cells: Cells, now_ms: int) -> Cells | None:
        """What was read: what to write now, if anything."""
        if self.state == "contested":
            return None
        if cells in self._mine:
            self.state, self.was_ours, self.trouble = "ours", True, ""
            return self._next(cells)
        if cells == NOBODY:
            return self._take()
        if self.ours:
            return self._contest(cells)
        return self._look_on(cells, now_ms)

    def release(self) -> Ask:
        """The last write of an end in order: the next controller need not wait."""
        return self.writing(NOBODY)

    def writing(self, cells: Cells) -> Ask:
        return self.read._replace(function=WRITE_REGISTERS, cells=cells)

    def _next(self, *before: Cells) -> Cells:
        """The next beat. What stood there `before` stays ours as well: a write may not arrive."""
        self._beat = (self._beat + 1) & 0xFFFF
        cells = self._mark.cells(self._beat)
        self._mine = (*before, cells)
        return cells

    def _take(self) -> Cells:
        if not self.ours:  # a device that has just lost its memory stays ours
            self.state = "taken"
        self.trouble = ""
        return self._next()

    def _contest(self, cells: Cells) -> Cells | None:
        self.state, self.was_ours = "contested", False
        self.trouble = (
            f"another controller writes to {self._name}: what was our claim is now {told(cells)}."
            " This one writes there no more until it is started again, nor does the other"
        )
        return None if cells[:3] == CONTESTED[:3] else CONTESTED

    def _look_on(self, cells: Cells, now_ms: int) -> Cells | None:
        self.was_ours = False
        if self.state not in ("watching", "theirs"):
            self.state = "watching"
            self._seen, self._seen_ms = cells, now_ms
            self.trouble = f"{self._name} carries {told(cells)}: does its beat move?"
        elif cells != self._seen:
            self.state = "theirs"
            self._seen, self._seen_ms = cells, now_ms
            self.trouble = f"{self._name} carries {told(cells)}, and its beat moves"
        elif now_ms - self._seen_ms >= WATCH_MS:
            return self._take()
        return None

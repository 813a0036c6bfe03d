"""A serial line behind a pseudo-terminal: bytes arrive at the baud rate, and faults befall them.

The thread sleeps to absolute deadlines and spins the last moments (`SPIN_S`), so that no byte
comes before its time and the last one of a frame shortly after it; `lateness_s` keeps by how much.
"""

from __future__ import annotations

import contextlib
import os
import queue
import select
import socket
import termios
import threading
import time
import tty
from abc import ABC, abstractmethod
from collections import Counter, deque
from collections.abc import Callable, Sequence
from pathlib import Path

from linectl.site.hardware import SerialLine
from linectl_sim.line_devices import LineDevice
from linectl_sim.line_engine import CHUNK_MS, Answer, LineEngine
from linectl_sim.line_faults import LineFaults

READ_BYTES = 4096
SPIN_S = 0.00012
"""A sleeping thread wakes up to 0.1 ms late: so long before its time it stays awake."""
LATENESS_KEPT = 10_000
IDLE_S = 0.5


class LineThread(ABC):
    """An engine in a thread of its own; subclasses are its outer end."""

    def __init__(
        self,
        line: SerialLine,
        answer: Answer | Sequence[LineDevice],
        faults: LineFaults,
        seed: int,
        pace: bool,
        chunk_ms: float = CHUNK_MS,
    ) -> None:
        self.engine = LineEngine(line, answer, self._out, faults, seed, pace, chunk_ms)
        self.lateness_s: deque[float] = deque(maxlen=LATENESS_KEPT)
        """By how much ends of frames and acts of devices came late, in s; the last ones."""
        self._pace = pace
        self._orders: queue.SimpleQueue[Callable[[], None]] = queue.SimpleQueue()
        self._bell, self._ear = socket.socketpair()
        self._ear.setblocking(False)
        self._stopped = False
        self._thread = threading.Thread(target=self._run, name="line", daemon=True)

    @property
    def played(self) -> Counter[str]:
        """How often each fault was played, by its name in LineFaults."""
        return self.engine.mischief.played

    @property
    def faults(self) -> LineFaults:
        """What befalls the line; may be set while it runs."""
        return self.engine.mischief.faults

    @faults.setter
    def faults(self, faults: LineFaults) -> None:
        self.engine.mischief.faults = faults

    @property
    def breaches(self) -> Counter[str]:
        """What the master did against the specification, counted."""
        return self.engine.breaches

    def close(self) -> None:
        """End the thread and close every descriptor."""
        if self._stopped:
            return
        self._stopped = True
        self._bell.send(b"!")
        self._thread.join()
        self._shut()
        self._bell.close()
        self._ear.close()

    def _order(self, act: Callable[[], None]) -> None:
        """Have something done in the thread; it is done on return."""
        done = threading.Event()

        def acts() -> None:
            act()
            done.set()

        self._orders.put(acts)
        self._bell.send(b"!")
        done.wait()

    def _run(self) -> None:
        while not self._stopped:
            due_s = self.engine.due_s
            sharp = self._pace and self.engine.sharp
            wait_s = IDLE_S if due_s is None else due_s - time.monotonic()
            wait_s -= SPIN_S if sharp else 0.0
            ends = [self._ear.fileno(), *self._ends()]
            ready, _, _ = select.select(ends, [], [], max(0.0, min(wait_s, IDLE_S)))
            now_s = time.monotonic()
            for end in ready:
                if end == self._ear.fileno():
                    self._obey()
                else:
                    self._hear(end, now_s)
            if due_s is None or ready or wait_s > IDLE_S:
                continue
            while (now_s := time.monotonic()) < due_s:
                pass
            if sharp:
                self.lateness_s.append(now_s - due_s)
            self.engine.step(now_s)
            self._after(now_s)

    def _obey(self) -> None:
        self._ear.recv(64)
        with contextlib.suppress(queue.Empty):
            while True:
                self._orders.get_nowait()()

    @abstractmethod
    def _after(self, now_s: float) -> None:
        """Something that was due has been done."""

    @abstractmethod
    def _ends(self) -> list[int]:
        """Descriptors to be read."""

    @abstractmethod
    def _hear(self, end: int, now_s: float) -> None:
        """A descriptor can be read."""

    @abstractmethod
    def _out(self, data: bytes, whose: object) -> None:
        """Bytes go to the master."""

    @abstractmethod
    def _shut(self) -> None:
        """Close every descriptor."""


class PacedLine(LineThread):
    """A pseudo-terminal: the master opens `path`, the line holds the other end.

    answer   devices, or a function from a request frame to answers with their delays in ms
    link     a symbolic link that is made to point at the pseudo-terminal, as udev does
    pace     False: bytes pass at once, without silences and turnarounds; lateness stays. A frame
             ends then where its function says, or after linectl_sim.line_engine.LOOSE_END_S
    chunk_ms how often an answer's bytes are handed over; the last one is always in time
    """

    def __init__(
        self,
        line: SerialLine,
        answer: Answer | Sequence[LineDevice],
        faults: LineFaults = LineFaults(),  # noqa: B008  # frozen
        seed: int = 0,
        link: Path | None = None,
        pace: bool = True,
        chunk_ms: float = CHUNK_MS,
    ) -> None:
        super().__init__(line, answer, faults, seed, pace, chunk_ms)
        self.device = ""
        """The pseudo-terminal's own name, another one after each return."""
        self._link = link
        self._ours: int | None = None
        self._theirs: int | None = None
        self._next = os.openpty()
        self._appear()
        self._thread.start()

    @property
    def path(self) -> str:
        """What the master opens."""
        return str(self._link) if self._link is not None else self.device

    def vanish(self) -> None:
        """The adapter is pulled out: whoever has it open gets a hang-up, the link is gone."""
        self._order(self._vanish)

    def come_back(self) -> None:
        """It is plugged in again, under another name."""
        self._order(self._appear)

    def _vanish(self) -> None:
        if self._ours is None or self._theirs is None:
            return
        self.played["vanished"] += 1
        self._next = os.openpty()  # before the old one is closed: another name
        self.engine.forget()
        if self._link is not None:
            self._link.unlink(missing_ok=True)
        os.close(self._theirs)
        os.close(self._ours)
        self._ours = self._theirs = None

    def _appear(self) -> None:
        if self._ours is not None:
            return
        self._ours, self._theirs = self._next
        tty.setraw(self._theirs)
        os.set_blocking(self._ours, False)
        self.device = os.ttyname(self._theirs)
        if self._link is not None:
            self._link.unlink(missing_ok=True)
            self._link.symlink_to(self.device)

    def _after(self, now_s: float) -> None:
        pass

    def _ends(self) -> list[int]:
        return [] if self._ours is None else [self._ours]

    def _hear(self, end: int, now_s: float) -> None:
        if end != self._ours:
            return
        with contextlib.suppress(OSError):
            if data := os.read(end, READ_BYTES):
                self.engine.hear(data, now_s)
                if not self._pace:
                    self.engine.step(now_s)

    def _out(self, data: bytes, whose: object) -> None:
        if self._ours is None:
            return
        try:
            os.write(self._ours, data)
        except BlockingIOError:
            self.played["nobody reads"] += 1
        except OSError:
            self.played["nobody there"] += 1

    def _shut(self) -> None:
        if self._theirs is not None:
            with contextlib.suppress(OSError, termios.error):
                termios.tcflush(self._theirs, termios.TCIOFLUSH)
        ends = (self._ours, self._theirs) if self._ours is not None else self._next
        for end in ends:
            if end is not None:
                os.close(end)
        if self._link is not None:
            self._link.unlink(missing_ok=True)

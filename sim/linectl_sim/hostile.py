"""Peers that do everything wrong: a TCP server and a pseudo-terminal to hold a master against.

What must be survived: nothing here may make a master wait longer than its time-out, grow in
memory, or take anything for an answer. Each behaviour has a name; `BEHAVIOURS` lists them.

    silence   accepts and says nothing         random    random bytes without end
    giant     promises 65 535 bytes            drip      one byte every few ms, for ever
    foreign   other transaction ids            twice     answers everything twice
    early     answers before it is asked       reset     breaks off in mid-frame (RST)
    short     closes in mid-frame              deaf      never reads, writes junk
    protocol  a protocol number that is not 0  flood     the answer a thousand times over
"""

from __future__ import annotations

import contextlib
import os
import random
import select
import socket
import struct
import termios
import threading
import time
import tty
from collections import Counter
from collections.abc import Callable

from linectl_sim.line_faults import framed

BEHAVIOURS = (
    "silence", "random", "giant", "drip", "foreign", "twice", "early", "reset", "short", "deaf",
    "protocol", "flood",
)  # fmt: skip
SERIAL_BEHAVIOURS = ("silence", "random", "drip", "twice", "early", "short", "deaf", "flood")
DRIP_S = 0.005
FLOOD = 1000
_RESETS = struct.pack("ii", 1, 0)
_READ_BYTES = 4096


class _Peer:
    """One thread that plays a behaviour on one descriptor at a time."""

    def __init__(self, behaviour: str, seed: int, registers: int, drip_s: float) -> None:
        self.behaviour = behaviour
        self.played: Counter[str] = Counter()
        self._random = random.Random(f"hostile {behaviour} {seed}")
        self._registers = registers
        self._drip_s = drip_s
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="hostile", daemon=True)

    def _run(self) -> None:
        raise NotImplementedError

    def _end(self) -> None:
        self._stop.set()
        self._thread.join()

    def _junk(self, count: int) -> bytes:
        return self._random.randbytes(count)

    def _pdu(self, function: int) -> bytes:
        """An answer as long as the master may expect, with noise for data."""
        return bytes((function, 2 * self._registers)) + self._junk(2 * self._registers)


class HostileServer(_Peer):
    """A TCP server on this machine; `framing` says whether true answers are TCP's or RTU's.

    registers   how many registers its answers carry
    """

    def __init__(
        self,
        behaviour: str,
        seed: int = 0,
        framing: str = "tcp",
        registers: int = 1,
        drip_s: float = DRIP_S,
    ) -> None:
        super().__init__(behaviour, seed, registers, drip_s)
        self._framing = framing
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.host, self.port = self._listener.getsockname()
        self._links: list[socket.socket] = []
        self._thread.start()

    def close(self) -> None:
        """End it and every connection."""
        self._end()
        for link in self._links:
            link.close()
        self._listener.close()

    def _run(self) -> None:
        while not self._stop.is_set():
            links = [] if self.behaviour == "deaf" else self._links
            ends = [self._listener, *links]
            idle_s = self._drip_s if self.behaviour in ("drip", "random", "deaf") else 0.05
            ready, _, _ = select.select(ends, [], [], idle_s)
            if self._listener in ready:
                self._accept()
            for link in list(self._links):
                with contextlib.suppress(BlockingIOError):
                    try:
                        self._turn(link, link in ready)
                    except BlockingIOError:
                        raise
                    except OSError:
                        self._gone(link)

    def _accept(self) -> None:
        link, _ = self._listener.accept()
        link.setblocking(False)
        self._links.append(link)
        if self.behaviour == "early":
            self.played["early"] += 1
            with contextlib.suppress(OSError):  # it may have left already
                link.send(self._framed(1, 1, self._pdu(3)))

    def _gone(self, link: socket.socket) -> None:
        self._links.remove(link)
        link.close()

    def _turn(self, link: socket.socket, ready: bool) -> None:
        if self.behaviour == "deaf":
            self.played["deaf"] += 1
            link.send(self._junk(_READ_BYTES))
            return
        if self.behaviour in ("drip", "random"):
            self.played[self.behaviour] += 1
            link.send(self._junk(1) if self.behaviour == "drip" else self._junk(700))
        if not ready:
            return
        asked = link.recv(_READ_BYTES)
        if not asked:
            self._gone(link)
        elif self.behaviour not in ("silence", "drip", "random"):
            self.played[self.behaviour] += 1
            self._answer(link, asked)

    def _framed(self, transaction: int, unit: int, pdu: bytes) -> bytes:
        if self._framing == "rtu":
            return framed(bytes((unit,)) + pdu)
        return struct.pack(">HHHB", transaction & 0xFFFF, 0, len(pdu) + 1, unit) + pdu

    def _answer(self, link: socket.socket, asked: bytes) -> None:
        rtu = self._framing == "rtu"
        if len(asked) < (8 if rtu else 12):
            return
        transaction = 0 if rtu else struct.unpack_from(">H", asked)[0]
        unit, function = (asked[0], asked[1]) if rtu else (asked[6], asked[7])
        pdu = self._pdu(function)
        true = self._framed(transaction, unit, pdu)
        head = struct.pack(">H", transaction)
        said: dict[str, Callable[[], bytes]] = {
            "giant": lambda: head + b"\0\0\xff\xff" + bytes((unit,)) + self._junk(2000),
            "foreign": lambda: self._framed(transaction + self._random.randint(1, 99), unit, pdu),
            "twice": lambda: true + true,
            "early": lambda: true + self._framed(transaction + 1, unit, self._pdu(function)),
            "protocol": lambda: head + b"\xbe\xef" + true[4:],
            "flood": lambda: true * FLOOD,
        }
        if self.behaviour in ("reset", "short"):
            link.send(true[: len(true) // 2])
            if self.behaviour == "reset":
                link.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESETS)
            self._gone(link)
            return
        link.send(said[self.behaviour]())


class HostilePort(_Peer):
    """A pseudo-terminal with a hostile far end. Never read (`deaf`), its buffer fills up."""

    def __init__(
        self, behaviour: str, seed: int = 0, registers: int = 1, drip_s: float = DRIP_S
    ) -> None:
        super().__init__(behaviour, seed, registers, drip_s)
        self._ours, self._theirs = os.openpty()
        tty.setraw(self._theirs)
        os.set_blocking(self._ours, False)
        self.path = os.ttyname(self._theirs)
        self._thread.start()

    def close(self) -> None:
        """End it."""
        self._end()
        with contextlib.suppress(OSError, termios.error):
            termios.tcflush(self._theirs, termios.TCIOFLUSH)
        os.close(self._ours)
        os.close(self._theirs)

    def _run(self) -> None:
        next_s = time.monotonic()
        while not self._stop.is_set():
            reads = [] if self.behaviour == "deaf" else [self._ours]
            ready, _, _ = select.select(reads, [], [], self._drip_s)
            asked = os.read(self._ours, _READ_BYTES) if ready else b""
            with contextlib.suppress(BlockingIOError):
                if self.behaviour in ("drip", "random", "deaf", "early"):
                    if time.monotonic() >= next_s:
                        next_s = time.monotonic() + self._drip_s
                        self._speak()
                elif len(asked) >= 4 and self.behaviour != "silence":
                    self._answer(asked)

    def _speak(self) -> None:
        self.played[self.behaviour] += 1
        said = {
            "drip": lambda: self._junk(1),
            "random": lambda: self._junk(200),
            "deaf": lambda: self._junk(64),
            "early": lambda: framed(b"\x01" + self._pdu(3)),
        }
        os.write(self._ours, said[self.behaviour]())

    def _answer(self, asked: bytes) -> None:
        self.played[self.behaviour] += 1
        true = framed(asked[:1] + self._pdu(asked[1]))
        said = {"twice": true + true, "short": true[: len(true) // 2], "flood": true * FLOOD}
        os.write(self._ours, said[self.behaviour])

"""Bytes to and from one bus: a serial port, a TCP connection. Blocking.

For the bus's own thread. A broken link raises LinkDown at once; nothing reconnects by itself.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import ssl
import termios
import time
from typing import Protocol

import serial
import serial.rs485

from linectl.errors import LinkDown
from linectl.field.serial_port import remarks, why_not
from linectl.site.hardware import RtuBus

READ_BYTES = 4096
_NOT_NOW = (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError)
CONNECT_S = 1.0
"""A connection, a TLS handshake too, comes about within this time or not at all."""
UNSENT_MS = 1000
"""Data that the other side's machine does not acknowledge for so long breaks the connection."""


class Link(Protocol):
    """What a wire needs of a link. `where` names it for a person."""

    where: str

    @property
    def is_open(self) -> bool: ...

    def open(self) -> None:
        """Connect. Raises LinkDown."""

    def close(self) -> None:
        """Let go at once; never raises."""

    def remarks(self) -> list[str]:
        """What is worth a word about a link that is open, and what to do about it."""

    def send(self, data: bytes, limit_s: float) -> None:
        """Send everything within the limit. Raises LinkDown."""

    def receive(self, until_s: float) -> bytes:
        """What came; empty if nothing did until then (monotonic s; 0: now). Raises LinkDown."""


class SerialLink:
    """A serial port, opened for us alone."""

    def __init__(self, bus: RtuBus, path: str) -> None:
        self.where = path
        self._bus = bus
        self._port: serial.Serial | None = None

    @property
    def is_open(self) -> bool:
        return self._port is not None

    def open(self) -> None:
        bus = self._bus
        try:
            port = serial.Serial(
                self.where,
                baudrate=bus.baud,
                bytesize=serial.EIGHTBITS,
                parity=_parity(bus, self.where),
                stopbits=bus.stop_bits,
                timeout=0,
                write_timeout=0,
                exclusive=True,
            )
        except (serial.SerialException, OSError, ValueError, termios.error) as error:
            # termios.error is no OSError; pyserial lets it out of a port that is being unplugged.
            raise LinkDown(f"{self.where}: {why_not(self.where)}") from error
        self._port = port
        if bus.direction == "kernel":
            self._turn_by_kernel(port)

    def _turn_by_kernel(self, port: serial.Serial) -> None:
        """Ask the driver to turn the line round, and see that it says so."""
        try:
            port.rs485_mode = serial.rs485.RS485Settings()
            _check_rs485(port.fileno())
        except (OSError, ValueError, termios.error) as error:
            self.close()
            raise LinkDown(
                f"{self.where}: its driver does not turn the RS-485 line round ({error}); "
                "use an adapter that does it by itself, and direction: adapter"
            ) from error

    def close(self) -> None:
        port, self._port = self._port, None
        if port is not None:
            with contextlib.suppress(OSError, serial.SerialException, termios.error):
                port.close()

    def remarks(self) -> list[str]:
        return remarks(self.where)

    def send(self, data: bytes, limit_s: float) -> None:
        handle = self._handle()
        end_s = time.monotonic() + limit_s
        try:
            while data:
                left_s = end_s - time.monotonic()
                if left_s <= 0 or not select.select([], [handle], [], left_s)[1]:
                    raise OSError(f"it takes no bytes for {limit_s * 1000:.0f} ms")
                data = data[os.write(handle, data) :]
        except OSError as error:
            raise self._broken(error) from error

    def receive(self, until_s: float) -> bytes:
        handle = self._handle()
        left_s = max(until_s - time.monotonic(), 0.0)
        try:
            if not select.select([handle], [], [], left_s)[0]:
                return b""
            data = os.read(handle, READ_BYTES)
        except OSError as error:
            raise self._broken(error) from error
        if not data:
            raise self._broken(OSError("the port is gone"))
        return data

    def _handle(self) -> int:
        if self._port is None:
            raise LinkDown(f"{self.where} is not open")
        handle: int = self._port.fileno()
        return handle

    def _broken(self, error: OSError) -> LinkDown:
        self.close()
        return LinkDown(f"{self.where}: {error}; unplugged, or its adapter has lost power?")


def _parity(bus: RtuBus, path: str) -> str:
    """The line's parity; a Linux pseudo-terminal refuses any (it has no wire to protect)."""
    if os.path.realpath(path).startswith("/dev/pts/"):
        return str(serial.PARITY_NONE)
    return {"even": "E", "odd": "O", "none": "N"}[bus.parity]


def _check_rs485(handle: int) -> None:
    """Read the driver's mode back. Raises OSError when it is not on."""
    import array
    import fcntl

    tiocgrs485, enabled = 0x542E, 1
    held = array.array("I", [0] * 8)
    fcntl.ioctl(handle, tiocgrs485, held, True)
    if not held[0] & enabled:
        raise OSError("it was asked, and says that the mode is off")


class TcpLink:
    """A TCP connection."""

    def __init__(self, host: str, port: int) -> None:
        self.where = f"{host}:{port}"
        self._host, self._port = host, port
        self._socket: socket.socket | None = None
        self._arrivals = select.poll()

    @property
    def is_open(self) -> bool:
        return self._socket is not None

    def open(self) -> None:
        try:
            link = socket.create_connection((self._host, self._port), CONNECT_S)
        except (OSError, UnicodeError) as error:  # UnicodeError: no name of a host
            raise LinkDown(
                f"nothing accepts a connection at {self.where} ({error}); "
                "check power, cable, address and port"
            ) from error
        try:
            link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            if hasattr(socket, "TCP_USER_TIMEOUT"):
                link.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, UNSENT_MS)
        except OSError as error:
            link.close()
            raise LinkDown(f"{self.where}: {error}") from error
        secured = self._secured(link)
        secured.setblocking(False)  # waiting is ours: one call each for waiting, taking, sending
        self._arrivals = select.poll()
        self._arrivals.register(secured, select.POLLIN)
        self._socket = secured

    def _secured(self, link: socket.socket) -> socket.socket:
        return link

    def close(self) -> None:
        link, self._socket = self._socket, None
        if link is not None:
            with contextlib.suppress(OSError):
                link.close()

    def remarks(self) -> list[str]:
        return []

    def send(self, data: bytes, limit_s: float) -> None:
        link = self._open_socket()
        try:
            try:
                sent = link.send(data)
            except _NOT_NOW:
                sent = 0
            if sent < len(data):  # the other side takes nothing now, or not all
                link.settimeout(limit_s)
                link.sendall(data[sent:])
                link.setblocking(False)
        except OSError as error:
            raise self._broken(error) from error

    def receive(self, until_s: float) -> bytes:
        link = self._open_socket()
        wait_ms = max(until_s - time.monotonic(), 0.0) * 1000 if until_s else 0
        if not self._buffered() and not self._arrivals.poll(wait_ms):
            return b""
        try:
            data = link.recv(READ_BYTES)
        except _NOT_NOW:
            return b""
        except OSError as error:
            raise self._broken(error) from error
        if not data:
            raise self._broken(OSError("the other side closed the connection"))
        return data

    def _buffered(self) -> bool:
        """True if there is something that the system knows nothing of any more."""
        return False

    def _open_socket(self) -> socket.socket:
        if self._socket is None:
            raise LinkDown(f"{self.where} is not open")
        return self._socket

    def _broken(self, error: OSError) -> LinkDown:
        self.close()
        return LinkDown(f"{self.where}: {error}")

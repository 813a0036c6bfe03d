"""Buses, devices and points: what hangs on which wire, and how it is read."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import Field

from linectl.site.fields import Duration, Facts, Name, Timer
from linectl.site.notation import Notation, Table, address_range

WordType = Literal["bool", "u16", "i16", "u32", "i32", "f32"]
Order = Literal["big", "little"]
OnLoss = Literal["stops", "stays", "extends", "retracts", "falls", "brakes"]

UNIT_DIRECT = 255
"""Unit number of a device that is reached by its network address alone (MODBUS Messaging on
TCP/IP Implementation Guide V1.0b, 4.4.2)."""


class SerialLine(Facts):
    """Characters on a serial line."""

    baud: Annotated[int, Field(ge=300, le=1_000_000)] = 19_200
    parity: Literal["even", "odd", "none"] = "even"
    stop_bits: Literal[1, 2] = 1


class _Polled(Facts):
    """What every bus has."""

    poll_ms: Timer = Field(alias="poll")
    timeout_ms: Timer = Field(alias="timeout")
    polls: dict[Name, Timer] = Field(default_factory=dict)
    """Slower polling classes by name: their points are read this often, not at every poll."""


class TcpBus(_Polled):
    """A Modbus TCP connection: one socket, one request at a time."""

    kind: Literal["tcp"]
    host: str
    port: Annotated[int, Field(ge=1, le=65535)] = 502
    framing: Literal["tcp", "rtu"] = "tcp"
    """rtu: a converter that passes serial frames on as they are, with CRC, without a number."""
    line: SerialLine | None = None
    """The serial line behind a gateway or converter, whose time every request takes too."""

    @property
    def numbered(self) -> bool:
        """True if answers carry the number of their request, so that none can be mistaken."""
        return self.framing == "tcp"


class TlsBus(_Polled):
    """A Modbus/TCP Security connection: both sides show a certificate. Files lie in the site's
    folder unless their paths are absolute."""

    kind: Literal["tls"]
    host: str
    port: Annotated[int, Field(ge=1, le=65535)] = 802
    authority: str
    """Certificate (PEM) of the authority that has signed the device's certificate."""
    certificate: str
    """Our own certificate (PEM), shown to the device; it carries our role."""
    key: str
    """The private key (PEM) to `certificate`."""
    server_name: str | None = None
    """The name in the device's certificate if it is not `host`."""

    @property
    def numbered(self) -> bool:
        """Answers carry the number of their request."""
        return True


class RtuBus(_Polled, SerialLine):
    """A Modbus RTU serial line."""

    kind: Literal["rtu"]
    port: str
    direction: Literal["adapter", "kernel"] = "adapter"
    """Who turns an RS-485 line round: the adapter by itself, or the kernel's driver by RTS."""

    @property
    def numbered(self) -> bool:
        """An answer is told from another by its form alone."""
        return False


Bus = Annotated[TcpBus | TlsBus | RtuBus, Field(discriminator="kind")]


CLAIM_REGISTERS = 4
"""Who (2), process, beat: see field/device_claim.py."""
CLAIM_BEAT_MS = 500
"""How often a claim is looked at and written anew."""


class Heartbeat(Facts):
    """A holding register that must change for the device's own communication watchdog."""

    address: str
    """In the device's notation."""
    every_ms: Timer = Field(alias="every")


class Parameter(Facts):
    """A setting of a device that can be read back: what a new one must be set to."""

    address: str
    """In the device's notation."""
    table: Table = "holding"
    type: WordType = "u16"
    word_order: Order | None = None
    """Of 32 bits; None: the device's."""
    value: float | None = None
    """What it must read, as the register holds it; None: each device's own, such as a serial
    number: it is noted and may differ."""
    text: str = ""
    """What it is, and where the manual says so."""


class Device(Facts):
    """A Modbus device: its unit number and its limits, as its manual gives them."""

    profile: str | None = None
    """A file, as seen from this one, whose keys stand under this device's own as defaults."""
    bus: Name
    unit: Annotated[int, Field(ge=1, le=UNIT_DIRECT)]
    word_order: Order | None = None
    byte_order: Order = "big"
    notation: Notation = "protocol"
    """How this device's addresses are written in the site's files, as its manual prints them."""
    turnaround_ms: Duration = Field(default=2, alias="turnaround")
    pause_ms: Duration = Field(default=0, alias="pause")
    """Rest that it needs after its answer before anyone speaks on its line again."""
    late_ms: Timer | None = Field(default=None, alias="late")
    """By how much its answer may come after the time-out at worst; none: the time-out again."""
    silent_after_ms: Timer = Field(alias="silent_after")
    watchdog_ms: Timer | None = Field(default=None, alias="watchdog")
    heartbeat: Heartbeat | None = None
    claim: str | None = None
    """First of four holding registers, nobody else's, that say which controller writes to it; in
    the device's notation."""
    refresh_ms: Timer = Field(default=500, alias="refresh")
    max_read_bits: Annotated[int, Field(ge=1, le=2000)] = 2000
    max_read_registers: Annotated[int, Field(ge=1, le=125)] = 125
    max_write_bits: Annotated[int, Field(ge=1, le=1968)] = 1968
    max_write_registers: Annotated[int, Field(ge=1, le=123)] = 123
    gaps: bool = False
    """True if addresses between two points may be read though no point names them."""
    readable: dict[Table, tuple[str, ...]] = Field(default_factory=dict)
    """Ranges (`0-63`, in the device's notation) outside which a table must not be read."""
    holes: dict[Table, tuple[str, ...]] = Field(default_factory=dict)
    """Ranges that must never be read, not even as a gap."""
    write: Literal["single", "multiple", "both"] = "both"
    read_back: bool = False
    """True if its outputs can be read back, and are then compared after every refresh."""
    parameters: dict[Name, Parameter] = Field(default_factory=dict)
    """What it is set to, and can be read back."""

    def ranges(self, which: Mapping[Table, tuple[str, ...]], table: Table) -> list[range]:
        """`readable` or `holes` of a table as protocol addresses. Raises ValueError."""
        return [address_range(table, text, self.notation) for text in which.get(table, ())]


class Point(Facts):
    """One row of the IO list. `index` is its place in the process image."""

    index: int
    line: int
    tag: str
    direction: Literal["in", "out"]
    device: Name
    table: Table
    address: Annotated[int, Field(ge=0, le=65535)]
    bit: Annotated[int, Field(ge=0, le=15)] | None = None
    type: WordType
    word_order: Order | None = None
    byte_order: Order = "big"
    scale: float = 1.0
    offset: float = 0.0
    unit: str = ""
    invert: bool = False
    on_delay_ms: Duration = 0
    off_delay_ms: Duration = 0
    poll: str = ""
    """Polling class of its bus (`polls`); empty: read at every poll."""
    group: str = ""
    """Points of one group come from one request, so that they belong together."""
    zone: str = ""
    supply: str = ""
    """Inputs of one group lose their 24 V together, as those of one I/O card do."""
    on_loss: OnLoss | None = None
    holds_load: bool = False
    device_watchdog_ms: Timer | None = None
    cut_by: str = ""
    safe: float = 0.0
    note: str = ""

    @property
    def words(self) -> int:
        """Registers that the value takes: 2 for the 32-bit types, else 1."""
        return 2 if self.type in ("u32", "i32", "f32") else 1

    @property
    def is_bool(self) -> bool:
        return self.type == "bool"

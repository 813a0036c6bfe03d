"""Buses, devices and points: what hangs on which wire, and how it is read."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from linectl.site.fields import Duration, Facts, Name, Timer

Table = Literal["coil", "discrete", "input", "holding"]
"""The four Modbus tables; coil and holding can be written."""

WordType = Literal["bool", "u16", "i16", "u32", "i32", "f32"]
Order = Literal["big", "little"]
OnLoss = Literal["stops", "stays", "extends", "retracts", "falls", "brakes"]


class TcpBus(Facts):
    """A Modbus TCP connection: one socket, one request at a time."""

    kind: Literal["tcp"]
    host: str
    port: Annotated[int, Field(ge=1, le=65535)] = 502
    poll_ms: Timer = Field(alias="poll")
    timeout_ms: Timer = Field(alias="timeout")


class RtuBus(Facts):
    """A Modbus RTU serial line."""

    kind: Literal["rtu"]
    port: str
    baud: Annotated[int, Field(ge=300, le=1_000_000)] = 19_200
    parity: Literal["even", "odd", "none"] = "even"
    stop_bits: Literal[1, 2] = 1
    poll_ms: Timer = Field(alias="poll")
    timeout_ms: Timer = Field(alias="timeout")


Bus = Annotated[TcpBus | RtuBus, Field(discriminator="kind")]


class Device(Facts):
    """A Modbus device: its unit number and its limits, as its manual gives them."""

    bus: Name
    unit: Annotated[int, Field(ge=1, le=247)]
    word_order: Order | None = None
    byte_order: Order = "big"
    turnaround_ms: Duration = Field(default=2, alias="turnaround")
    silent_after_ms: Timer = Field(alias="silent_after")
    watchdog_ms: Timer | None = Field(default=None, alias="watchdog")
    refresh_ms: Timer = Field(default=500, alias="refresh")
    max_read_bits: Annotated[int, Field(ge=1, le=2000)] = 2000
    max_read_registers: Annotated[int, Field(ge=1, le=125)] = 125
    max_write_bits: Annotated[int, Field(ge=1, le=1968)] = 1968
    max_write_registers: Annotated[int, Field(ge=1, le=123)] = 123
    gaps: bool = False
    """True if addresses between two points may be read though no point names them."""
    write: Literal["single", "multiple", "both"] = "both"


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
    zone: str = ""
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

"""What to check next, for each kind of trouble on a bus, in a technician's words. Pure text.

The kinds are those that errors are counted under: link_down, silent, crc, short, foreign, stale,
stray, refused_1 … refused_11, echo, noise, late, not_taken, claimed. What helps depends on what
lies between:

    serial      an RS-485 line on this machine's own adapter
    converter   a box that passes serial frames over TCP unchanged
    gateway     a box that speaks Modbus TCP here and a serial line behind
    network     a device with a network socket of its own
    secure      the same over TLS

Exceptions: MODBUS Application Protocol V1.1b3 (2012), 7. The line's termination and bias: MODBUS
over Serial Line V1.02 (2006), 3.4; the figures in ohms are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from linectl.field.asks import EXCEPTION_TEXT
from linectl.registers.frames import (
    WRITE_COIL,
    WRITE_COILS,
    WRITE_REGISTER,
    WRITE_REGISTERS,
)
from linectl.site.hardware import Bus, RtuBus, TcpBus

Place = Literal["serial", "converter", "gateway", "network", "secure"]

MEANING: Mapping[str, str] = {
    "link_down": "no connection to the bus",
    "silent": "no answer in time",
    "crc": "an answer came damaged (its CRC is wrong)",
    "short": "an answer broke off before its end",
    "foreign": "an answer to something else came",
    "stale": "an answer to an earlier question came",
    "stray": "bytes came before anything was asked",
    **{f"refused_{code}": text for code, text in EXCEPTION_TEXT.items()},
    "echo": "our own request comes back on the line",
    "noise": "bytes come that belong to no answer",
    "late": "answers come later than the time-out",
    "not_taken": "a write was accepted and had no effect",
    "claimed": "another controller writes to the device, or may",
}
"""What happened, by kind."""

KINDS = tuple(MEANING)

_POWER = "power: does the device's own lamp or display live?"
_UNIT = "unit number: set in the device as in site.yaml, and in no other device of this bus"
_UNIT_ROUTED = (
    "unit number: many network devices answer to any, some only to 1 or 255; a gateway only to "
    "units that it knows"
)
_BAUD = "baud, parity and stop bits: set in the device as in site.yaml"
_BAUD_BOX = "baud, parity and stop bits: alike in the box, in the device and in site.yaml"
_AB = (
    "A and B at the device's terminals: makers name the two either way round, so try them the "
    "other way at this device alone"
)
_CABLE = "cable: open core, loose clamp; do the devices beyond it still answer?"
_TERMINATION = (
    "termination: one resistor at each end of the line, nowhere else (120 Ω is usual: across A "
    "and B, power off, about 60 Ω)"
)
_BIAS = "bias: one pull-up and one pull-down for the whole line, so that it rests at a level"
_GROUND = "the common wire: connected at every device; the shield at one end only"
_MOTOR = "cable route: apart from motor and drive cables; does it come when a drive starts?"
_SECOND_MASTER = (
    "a second master on the line: another controller, a panel, a laptop left plugged in"
)
_SAME_UNIT = "two devices with one unit number: unplug this one; does something still answer?"
_SLOWER = "the device's answering time in its manual: a longer `timeout`, `turnaround` or `late`"
_MAP = "the address: `linectl peek` shows it both ways with its two neighbours"
_OFF_BY_ONE = (
    "map off by one: manuals count registers from 1 (40001), the wire from 0; `notation` of the "
    "device says which is meant here, and `linectl peek` shows both"
)
_EXTENT = "the device's own range: `readable` and `holes` from its manual, or from `linectl find`"

_SERIAL_SILENT = (_POWER, _UNIT, _AB, _BAUD, _CABLE, _TERMINATION, _SLOWER)
_SERIAL_DAMAGED = (_TERMINATION, _BAUD, _BIAS, _GROUND, _MOTOR)
_SOCKET = "its address and port in site.yaml; does `ping` reach it, does its link lamp burn?"
_FIREWALL = "a firewall or another network between; connections it still holds (many take only one)"

_SILENT: Mapping[Place, tuple[str, ...]] = {
    "serial": _SERIAL_SILENT,
    "converter": (
        _POWER,
        _UNIT,
        "the box: does it pass frames on unchanged (`framing: rtu`), or translate (`tcp`)?",
        _BAUD_BOX,
        _AB,
        _CABLE,
        _SLOWER,
    ),
    "gateway": (
        _POWER,
        _UNIT_ROUTED,
        _BAUD_BOX,
        _AB,
        "the gateway's own time-out: shorter than the bus's `timeout`, else its word comes late",
        "the gateway's framing: `tcp`, or frames passed on unchanged (`rtu`)?",
    ),
    "network": (
        _UNIT_ROUTED,
        _POWER,
        "the port: is it Modbus that listens there?",
        _SLOWER,
        "load: other clients that ask the same device",
    ),
    "secure": (
        _UNIT_ROUTED,
        _POWER,
        "our role in the certificate: a device may keep silent to one that may not read",
        _SLOWER,
    ),
}

_LINK: Mapping[Place, tuple[str, ...]] = {
    "serial": (
        "the adapter: plugged in, and under this name? `ls -l /dev/serial/by-id` lists them",
        "another program that holds the port: `fuser -v PORT` names it",
        "this user's right to the port: group `dialout` on most systems",
        "the adapter takes this baud and parity",
    ),
    "converter": (_SOCKET, "power at the box", _FIREWALL),
    "gateway": (_SOCKET, "power at the gateway", _FIREWALL),
    "network": (_SOCKET, _POWER, _FIREWALL),
    "secure": (
        _SOCKET,
        "certificates: both valid today (is this machine's clock right?), each signed by the "
        "authority that the other side trusts",
        "`server_name`: the name in the device's certificate",
        _FIREWALL,
    ),
}

_PLACED: Mapping[str, Mapping[Place, tuple[str, ...]]] = {"silent": _SILENT, "link_down": _LINK}
"""Kinds whose advice is another at each place."""

_ON_A_LINE: Mapping[str, tuple[str, ...]] = {
    "crc": _SERIAL_DAMAGED,
    "short": (_BAUD, _TERMINATION, _CABLE, _MOTOR, "the direction switch: it may cut the end off"),
    "noise": (_BIAS, _TERMINATION, _GROUND, _MOTOR, _BAUD, _SECOND_MASTER),
    "foreign": (_SAME_UNIT, _SECOND_MASTER, _SLOWER, "echo: does the adapter hear itself?"),
    "stray": (_SLOWER, _SECOND_MASTER, _BIAS, "echo: does the adapter hear itself?"),
    "stale": (_SLOWER, "`late` of this device: by how much its answer may come after the time-out"),
    "late": (
        _SLOWER,
        "the adapter's latency timer: 16 ms by default on many, 1 ms is wanted",
        "the device's load: other ports, a panel that asks it too",
        "rising from day to day: the converter or its power supply is wearing out",
    ),
    "echo": (
        "the adapter's receiver stays on while it sends: harmless, since echo is told apart and "
        "taken off; a jumper or setting of the adapter ends it",
        "two-wire and four-wire: is the adapter set for two wires?",
        _TERMINATION,
    ),
}

_ON_A_NETWORK: Mapping[str, tuple[str, ...]] = {
    "crc": ("`framing`: does this box pass serial frames on unchanged, as site.yaml says?",),
    "short": (
        "the device's own fault, or a box between: try it without the box",
        "`framing`: `tcp` or `rtu` as the box is set",
    ),
    "noise": ("the port: is it Modbus that listens there?", "`framing`: `tcp` or `rtu`"),
    "foreign": (
        "a box between that mixes up the answers of two clients: let it serve one only",
        "the device's firmware: its answers must repeat our transaction number",
    ),
    "stray": (_SLOWER, "a box that sends what it has for another client to us too"),
    "stale": (_SLOWER, "a gateway whose own time-out is longer than the bus's `timeout`"),
    "late": (
        _SLOWER,
        "load: other clients that ask the same device",
        "the network: a switch, a radio link, a cable that works only at times",
    ),
    "echo": ("a box that sends our own bytes back: is its far side open or set to loop?",),
}

_REFUSED: Mapping[str, tuple[str, ...]] = {
    "refused_1": (
        "the table: the value may lie in another one (input registers instead of holding)",
        "the device's manual: which functions it has",
    ),
    "refused_2": (_OFF_BY_ONE, _EXTENT, _MAP),
    "refused_3": (
        "how much it gives in one request: `max_read_registers` or `max_read_bits`; `linectl find` "
        "measures it",
        "a 32-bit value may only be read whole",
        "for a write: the value may be outside what the device accepts",
    ),
    "refused_4": (
        "the device's own fault list or display",
        "a hole that it answers so: `linectl peek` the addresses one by one, then `holes`",
        "power it off and on, if the line may stand",
    ),
    "refused_5": (
        "nothing, if it is over within a second: it is at work",
        "a longer `turnaround`, if it comes at every write",
    ),
    "refused_6": (
        "a longer `poll` or `pause`: it is asked faster than it can answer",
        "a second client that asks the same device",
    ),
    "refused_8": ("the device itself: it has found its own memory damaged; replace it",),
    "refused_10": (
        "the gateway's table of units: is this one routed to its serial port?",
        "unit number in site.yaml",
    ),
    "refused_11": (_POWER, _UNIT, _BAUD_BOX, _AB, _CABLE, _TERMINATION),
}

_NOT_TAKEN = (
    "local or remote: a switch or parameter that keeps the device from being commanded by the bus",
    "enable: a drive takes a set-point only when it is ready and released",
    "a limit inside the device that cut the value: read it back with `linectl peek`",
    _OFF_BY_ONE,
    "a second master that writes the same address",
    "the write function: some accept 5 and 6 and act on 15 and 16 only, or the other way round",
)
_CLAIMED = (
    "the other controller: stop it, or this one, then start the one that is to stay again",
    "`claim` in site.yaml: are these four registers free for it, in the device's own map?",
)
_ELSE = (_POWER, _CABLE, _UNIT, "`linectl find` on this bus shows what answers")

_OTHER_FUNCTION: Mapping[int, tuple[str, str]] = {
    WRITE_COIL: ("15", "multiple"),
    WRITE_COILS: ("5", "single"),
    WRITE_REGISTER: ("16", "multiple"),
    WRITE_REGISTERS: ("6", "single"),
}


def place(bus: Bus) -> Place:
    """What lies between this machine and the devices of `bus`."""
    if isinstance(bus, RtuBus):
        return "serial"
    if not isinstance(bus, TcpBus):
        return "secure"
    if bus.framing == "rtu":
        return "converter"
    return "gateway" if bus.line is not None else "network"


def advice(kind: str, bus: Bus, function: int = 0, end_of_range: bool = False) -> tuple[str, ...]:
    """What to check next, the likeliest first; never empty, and for any kind.

    function: the Modbus function asked, where known: it tells a refused write from a read.
    end_of_range: the neighbours before the refused address answer, as in a map off by one.
    """
    at = place(bus)
    if kind in _PLACED:
        return _PLACED[kind][at]
    if kind == "not_taken":
        return _NOT_TAKEN
    if kind == "claimed":
        return _CLAIMED
    if kind == "refused_1" and function in _OTHER_FUNCTION:
        number, word = _OTHER_FUNCTION[function]
        first = f"the write function: this device may know {number} instead: `write: {word}`"
        return (first, "the table: is it one that can be written?", *_REFUSED[kind][1:])
    if kind == "refused_2" and end_of_range:
        return (
            "the addresses below it answer and this one does not: every address of this device "
            "may be one too high. Compare a value that you can see at the device",
            *_REFUSED[kind],
        )
    if kind in _REFUSED:
        return _REFUSED[kind]
    wired = at in ("serial", "converter", "gateway")
    return (_ON_A_LINE if wired else _ON_A_NETWORK).get(kind, _ELSE)


def meaning(kind: str) -> str:
    """What happened, in a few words; for any kind."""
    if kind.startswith("refused_") and kind not in MEANING:
        return f"the device refuses with exception {kind.removeprefix('refused_')}"
    return MEANING.get(kind, "the device could not be reached")


def sentence(kind: str, bus: Bus, function: int = 0, most: int = 3) -> str:
    """`check power: …; unit number: …`: the first few pieces of advice on one line."""
    return "check " + "; ".join(advice(kind, bus, function)[:most])

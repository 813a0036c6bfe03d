"""Which port a served bus gets: a socket, TLS, a modelled line behind one or behind a pty."""

from __future__ import annotations

import json
import selectors
import ssl
from collections.abc import Sequence
from pathlib import Path

from linectl.errors import UsageError
from linectl.site.hardware import Bus, RtuBus, SerialLine, TlsBus
from linectl.site.model import Site
from linectl_sim.converter_port import ConverterPort
from linectl_sim.gateway_port import GatewayPort
from linectl_sim.line_devices import LineDevice
from linectl_sim.line_faults import LineFaults
from linectl_sim.paced_line import PacedLine
from linectl_sim.serve_links import Hears, TcpPort
from linectl_sim.serve_tls import HOW_TO

GATEWAY_SHARE = 0.5
"""A gateway gives a unit up after this share of the controller's time-out for the bus."""

HANDFUL_MS = 4.0
"""How often a served line hands bytes over: an adapter's way, and easy on a busy computer."""

Port = TcpPort | PacedLine | ConverterPort | GatewayPort


def open_port(
    name: str,
    bus: Bus,
    hears: Hears,
    selector: selectors.BaseSelector,
    devices: Sequence[LineDevice],
    *,
    wanted: int = 0,
    link: Path | None = None,
    context: ssl.SSLContext | None = None,
    faults: LineFaults = LineFaults(),  # noqa: B008  # frozen
    seed: int = 0,
) -> Port:
    """Open the port of a bus. Raises UsageError for a TLS bus without certificates."""
    if isinstance(bus, RtuBus):
        return PacedLine(bus, devices, faults, seed, link, chunk_ms=HANDFUL_MS)
    if isinstance(bus, TlsBus):
        if context is None:
            raise UsageError(f"bus {name} is TLS: say --tls with the folder that holds {HOW_TO}")
        return TcpPort(name, hears, selector, wanted, context)
    if bus.framing == "rtu":
        paced = bus.line is not None
        line = bus.line or SerialLine()
        return ConverterPort(line, devices, faults, seed, paced, wanted=wanted)
    if bus.line is not None:
        timeout_ms = GATEWAY_SHARE * bus.timeout_ms
        return GatewayPort(bus.line, devices, faults, seed, timeout_ms=timeout_ms, wanted=wanted)
    return TcpPort(name, hears, selector, wanted)


def ports_before(file: Path | None, site: Site) -> dict[str, int]:
    """TCP ports by bus that an earlier plant of this site wrote into the file."""
    try:
        before = json.loads(file.read_text(encoding="utf-8")) if file else {}
        if before.get("site") != site.name:
            return {}
        return {row["bus"]: int(row["port"]) for row in before["endpoints"] if row["port"]}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}

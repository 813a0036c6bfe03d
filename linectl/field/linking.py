"""Which link a bus needs: a serial port, a TCP connection, a secured one."""

from __future__ import annotations

from pathlib import Path

from linectl.field.links import Link, SerialLink, TcpLink
from linectl.field.tls_link import TlsLink
from linectl.site.hardware import Bus, RtuBus, TlsBus


def link_of(bus: Bus, host: str, port: int | str, folder: Path) -> Link:
    """The bus's link, not opened yet. `port`: number of a TCP port, or path of a serial port;
    `folder`: where the certificates of a TLS bus lie."""
    if isinstance(bus, RtuBus):
        return SerialLink(bus, str(port))
    if isinstance(bus, TlsBus):
        return TlsLink(bus, host, int(port), folder)
    return TcpLink(host, int(port))

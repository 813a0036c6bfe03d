"""Modbus/TCP Security on the plant's side: TLS with certificates of both sides, roles read.

Source: MODBUS/TCP Security Protocol Specification v36 (2021): TLS 1.2 or later, both sides show
an X.509 certificate, the client's role is the UTF8String in its extension ROLE_OID.
"""

from __future__ import annotations

import ssl
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

from linectl.errors import UsageError

ROLE_OID = bytes.fromhex("2B 06 01 04 01 83 89 0C 86 22 01")
"""1.3.6.1.4.1.50316.802.1 as it stands in a certificate."""
FILES = ("server.pem", "server.key", "authority.pem")
_SEQUENCE, _OID, _OCTETS, _UTF8, _EXTENSIONS = 0x30, 0x06, 0x04, 0x0C, 0xA3
HOW_TO = (
    "server.pem and server.key (the devices' certificate and its key) and authority.pem (who must "
    "have signed the controller's certificate); `linectl plant --help` shows how to make a set"
)


class Peer(NamedTuple):
    """Who connected: its certificate's common name and its role, "" for none."""

    name: str
    role: str


def server_context(folder: Path) -> ssl.SSLContext:
    """What a device of the site serves TLS with. Raises UsageError naming the file."""
    missing = [name for name in FILES if not (folder / name).is_file()]
    if missing:
        raise UsageError(f"{folder} has no {', '.join(missing)}: it must hold {HOW_TO}")
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.verify_mode = ssl.CERT_REQUIRED
    try:
        context.load_cert_chain(folder / FILES[0], folder / FILES[1])
    except (ssl.SSLError, OSError) as error:
        raise UsageError(f"{folder}: {FILES[0]} and {FILES[1]} do not go together ({error})") from (
            error
        )
    try:
        context.load_verify_locations(folder / FILES[2])
    except (ssl.SSLError, OSError) as error:
        raise UsageError(f"{folder / FILES[2]} is no certificate in PEM form ({error})") from error
    return context


def peer_of(link: ssl.SSLSocket) -> Peer:
    """Who is at the other end of a connection whose handshake is done."""
    facts: dict[str, Any] = link.getpeercert() or {}
    subject = [pair for part in facts.get("subject", ()) for pair in part]
    names = [value for key, value in subject if key == "commonName"]
    return Peer(names[0] if names else "", role_of(link.getpeercert(True) or b""))


def role_of(certificate: bytes) -> str:
    """The role in a DER certificate; "" if it has none or it cannot be read."""
    try:
        whole = next(_parts(certificate))[1]
        signed = next(_parts(whole))[1]
        for tag, content in _parts(signed):
            if tag == _EXTENSIONS:
                return _role_among(next(_parts(content))[1])
    except (StopIteration, IndexError, UnicodeDecodeError):
        pass
    return ""


def _role_among(extensions: bytes) -> str:
    for _, extension in _parts(extensions):
        parts = list(_parts(extension))
        if parts[0] == (_OID, ROLE_OID):
            tag, text = next(_parts(parts[-1][1]))
            return text.decode() if tag == _UTF8 else ""
    return ""


def _parts(data: bytes) -> Iterator[tuple[int, bytes]]:
    """Tag and content of each DER element. Raises IndexError where they break off."""
    at = 0
    while at < len(data):
        tag, length = data[at], data[at + 1]
        at += 2
        if length & 0x80:
            count = length & 0x7F
            length = int.from_bytes(data[at : at + count], "big")
            at += count
        if at + length > len(data):
            raise IndexError
        yield tag, data[at : at + length]
        at += length

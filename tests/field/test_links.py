"""A link that cannot be had is a link down, in words, whatever stands behind it."""

from __future__ import annotations

import os
import socket
import termios
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec

from linectl.errors import LinkDown
from linectl.field.links import SerialLink, TcpLink
from linectl.field.tls_link import TlsLink
from linectl.site.hardware import RtuBus, TlsBus

TIMES = {"poll": "20ms", "timeout": "50ms"}


@pytest.fixture(autouse=True)
def no_descriptor_left() -> Iterator[None]:
    before = len(os.listdir("/proc/self/fd"))
    yield
    assert len(os.listdir("/proc/self/fd")) == before


@pytest.mark.parametrize("host", ["io..lan", "a" * 70, ".lan"])
def test_a_host_that_no_name_can_be_is_a_link_down(host: str) -> None:
    with pytest.raises(LinkDown, match="nothing accepts a connection"):
        TcpLink(host, 502).open()


@pytest.mark.parametrize("call", ["tcsetattr", "tcflush"])
def test_a_port_unplugged_while_it_is_opened_is_a_link_down(
    call: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The system's call fails as it does for a device that has just gone; no port of a test can."""

    def gone(*args: object) -> None:
        raise termios.error(5, "Input/output error")

    master, slave = os.openpty()
    try:
        monkeypatch.setattr(termios, call, gone)
        bus = RtuBus.model_validate({"kind": "rtu", "port": "/dev/null"} | TIMES)
        with pytest.raises(LinkDown):
            SerialLink(bus, os.ttyname(slave)).open()
    finally:
        monkeypatch.undo()
        os.close(master)
        os.close(slave)


def _locked_key(folder: Path) -> None:
    """own.pem, a certificate for an hour, and own.key, locked with a pass phrase."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "own")])
    now = datetime.now(UTC)
    made = x509.CertificateBuilder(name, name, key.public_key(), x509.random_serial_number())
    made = made.not_valid_before(now).not_valid_after(now + timedelta(hours=1))
    pem = made.sign(key, hashes.SHA256()).public_bytes(serialization.Encoding.PEM)
    (folder / "own.pem").write_bytes(pem)
    locked = serialization.BestAvailableEncryption(b"secret")
    form = serialization.PrivateFormat.PKCS8
    (folder / "own.key").write_bytes(key.private_bytes(serialization.Encoding.PEM, form, locked))


def test_a_key_locked_by_a_pass_phrase_is_told_and_nobody_is_asked_for_it(tmp_path: Path) -> None:
    _locked_key(tmp_path)
    facts = {"kind": "tls", "host": "127.0.0.1", "authority": "own.pem", "certificate": "own.pem"}
    bus = TlsBus.model_validate(facts | {"key": "own.key"} | TIMES)
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        with pytest.raises(LinkDown, match="locked with a pass phrase"):
            TlsLink(bus, "127.0.0.1", port, tmp_path).open()

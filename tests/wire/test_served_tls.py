"""The served plant over TLS: who may come in. Certificates made here, bytes written by hand.

Source: MODBUS/TCP Security Protocol Specification v36 (2021): TLS 1.2 or later, mutual X.509,
the role in the extension 1.3.6.1.4.1.50316.802.1.
"""

from __future__ import annotations

import socket
import ssl
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from linectl.cli import main
from linectl.errors import UsageError
from linectl.site.hardware import Device, Point, TlsBus
from linectl.site.model import Site, SiteFile
from linectl_sim.serve_tls import Peer, role_of

pytestmark = pytest.mark.wire

ASK = bytes.fromhex("00 07 00 00 00 06 01 03 00 00 00 01")
ANSWER = bytes.fromhex("00 07 00 00 00 05 01 03 02 00 00")


def secure_site() -> Site:
    """One device with one register behind TLS."""
    bus = {"kind": "tls", "host": "127.0.0.1", "poll": "20ms", "timeout": "100ms"}
    files = {"authority": "authority.pem", "certificate": "plain.pem", "key": "plain.key"}
    device = {"bus": "safe", "unit": 1, "silent_after": "500ms", "turnaround": "1ms"}
    point = {"index": 0, "line": 2, "tag": "p.value", "type": "u16", "direction": "out"}
    where = {"device": "drive", "table": "holding", "address": 0}
    return Site.model_construct(
        file=SiteFile.model_construct(
            name="secure",
            buses={"safe": TlsBus.model_validate(bus | files)},
            devices={"drive": Device.model_validate(device)},
        ),
        points=(Point.model_validate(point | where),),
    )


@pytest.fixture
def served(serve: Callable[..., Any], certificates: Path) -> Any:
    return serve(secure_site(), tls=certificates)


@pytest.fixture
def knock(served: Any, certificates: Path) -> Iterator[Callable[..., bytes]]:
    """Connects with a certificate (or none), asks once; the answer."""

    def ask(name: str | None, newest: ssl.TLSVersion = ssl.TLSVersion.TLSv1_3) -> bytes:
        context = ssl.create_default_context(cafile=certificates / "authority.pem")
        context.minimum_version = ssl.TLSVersion.MINIMUM_SUPPORTED
        context.maximum_version = newest
        if name is not None:
            context.load_cert_chain(certificates / f"{name}.pem", certificates / f"{name}.key")
        with (
            socket.create_connection(("127.0.0.1", served.port("safe")), timeout=2.0) as link,
            context.wrap_socket(link, server_hostname="127.0.0.1") as safe,
        ):
            safe.sendall(ASK)
            return safe.recv(64)

    yield ask


@pytest.mark.parametrize("newest", [ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3])
def test_the_right_certificate_is_let_in_and_its_role_is_read(
    served: Any, knock: Callable[..., bytes], newest: ssl.TLSVersion
) -> None:
    assert knock("controller", newest) == ANSWER
    assert list(served.server.ports["safe"].peers) == [Peer("controller", "operator")]


def test_a_certificate_need_not_bear_a_role(served: Any, knock: Callable[..., bytes]) -> None:
    assert knock("plain") == ANSWER
    assert list(served.server.ports["safe"].peers) == [Peer("plain", "")]


@pytest.mark.parametrize("name", [None, "stranger"])
def test_without_a_certificate_of_our_authority_nobody_comes_in(
    served: Any, knock: Callable[..., bytes], name: str | None, eventually: Callable[..., float]
) -> None:
    with pytest.raises((ssl.SSLError, ConnectionError)):
        knock(name)
    port = served.server.ports["safe"]
    eventually(lambda: sum(port.ends.values()) == 1)
    assert list(port.ends) == ["refused: SSLError"] or list(port.ends) == [
        "refused: SSLCertVerificationError"
    ]
    assert list(port.peers) == []


@pytest.mark.filterwarnings("ignore:ssl.TLSVersion.TLSv1_1:DeprecationWarning")
def test_an_old_protocol_is_refused(knock: Callable[..., bytes]) -> None:
    with pytest.raises((ssl.SSLError, ConnectionError)):
        knock("controller", ssl.TLSVersion.TLSv1_1)


def test_plain_modbus_is_not_answered(served: Any) -> None:
    with socket.create_connection(("127.0.0.1", served.port("safe")), timeout=2.0) as link:
        link.sendall(ASK)
        try:
            heard = link.recv(64)
        except ConnectionError:
            heard = b""
    assert ANSWER not in heard


def test_a_site_with_tls_needs_certificates(serve: Callable[..., Any], tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="bus safe is TLS: say --tls"):
        serve(secure_site())
    with pytest.raises(UsageError, match=r"has no server\.pem, server\.key, authority\.pem"):
        serve(secure_site(), tls=tmp_path)
    for name in ("server.pem", "server.key", "authority.pem"):
        (tmp_path / name).write_text("not a certificate")
    with pytest.raises(UsageError, match=r"server\.pem and server\.key do not go together"):
        serve(secure_site(), tls=tmp_path)


def test_endpoints_name_the_kind(served: Any) -> None:
    (row,) = served.endpoints["endpoints"]
    assert (row["kind"], row["host"], row["path"], row["baud"]) == ("tls", "127.0.0.1", None, None)


def test_what_is_no_certificate_has_no_role(certificates: Path) -> None:
    whole = ssl.PEM_cert_to_DER_cert((certificates / "controller.pem").read_text())
    assert role_of(whole) == "operator"
    for length in range(len(whole)):
        assert role_of(whole[:length]) == ""
    assert role_of(b"") == ""


def test_the_command_says_what_a_tls_bus_needs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for file in (Path(__file__).parents[2] / "config/small").iterdir():
        (tmp_path / file.name).write_bytes(file.read_bytes())
    site = tmp_path / "site.yaml"
    secure = "{kind: tls, authority: a.pem, certificate: c.pem, key: c.key, host: 192.0.2.10, "
    site.write_text(site.read_text().replace("{kind: tcp, host: 192.0.2.10, port: 502, ", secure))
    monkeypatch.setattr(sys, "argv", ["linectl", "plant", str(tmp_path)])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 2
    said = capsys.readouterr().err
    assert "bus io is TLS: say --tls" in said
    assert "authority.pem" in said

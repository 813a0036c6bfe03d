"""Modbus/TCP Security from the controller's side, and several units behind one address.

Source: MODBUS/TCP Security Protocol Specification v36 (2021): TLS 1.2 or later, mutual X.509,
the role in the extension 1.3.6.1.4.1.50316.802.1. Exceptions 0A and 0B: MODBUS Application Protocol
V1.1b3 (2012), 7.
"""

from __future__ import annotations

import shutil
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path
from typing import Any

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec

from linectl.errors import LinkDown
from linectl.field.asks import Ask
from linectl.field.modbus import Wire
from linectl.field.wiring import Field, Reach, reach_in
from linectl.site.hardware import TlsBus
from linectl.site.model import Site
from linectl_sim.serve_tls import Peer

pytestmark = pytest.mark.wire

Eventually = Callable[..., float]
TIMES = {"poll": "20ms", "timeout": "100ms"}
TLS = {"kind": "tls", "host": "127.0.0.1"} | TIMES
DEVICE = {"turnaround": "1ms", "silent_after": "300ms", "watchdog": "1s", "unit": 1}
ASK = Ask("island", 1, 3, 0, 2)


def all_good(field: Field) -> bool:
    return all(snapshot.good for snapshot in field.snapshots())


def issue(folder: Path, name: str, by: x509.Certificate, key: Any, host: str, days: int) -> None:
    """NAME.pem and NAME.key for one host name or address, valid until so many days from now."""
    own, now = ec.generate_private_key(ec.SECP256R1()), datetime.now(UTC)
    try:
        where: x509.GeneralName = x509.IPAddress(ip_address(host))
    except ValueError:
        where = x509.DNSName(host)
    signed = (
        x509.CertificateBuilder()
        .subject_name(x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, name)]))
        .issuer_name(by.subject)
        .public_key(own.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=30))
        .not_valid_after(now + timedelta(days=days))
        .add_extension(x509.SubjectAlternativeName([where]), critical=False)
        .sign(key, hashes.SHA256())
    )
    (folder / f"{name}.pem").write_bytes(signed.public_bytes(serialization.Encoding.PEM))
    for file, lock in (
        (f"{name}.key", serialization.NoEncryption()),
        (f"{name}.locked.key", serialization.BestAvailableEncryption(b"secret")),
    ):
        form = serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, lock
        (folder / file).write_bytes(own.private_bytes(*form))


@pytest.fixture(scope="module")
def papers(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """authority.pem and what it has signed: `ok`, `expired`, `elsewhere` (another name)."""
    folder = tmp_path_factory.mktemp("papers")
    key, now = ec.generate_private_key(ec.SECP256R1()), datetime.now(UTC)
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "trial")])
    own = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(1)
        .not_valid_before(now - timedelta(days=31))
        .not_valid_after(now + timedelta(days=1))
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(key, hashes.SHA256())
    )
    (folder / "authority.pem").write_bytes(own.public_bytes(serialization.Encoding.PEM))
    issue(folder, "ok", own, key, "127.0.0.1", 1)
    issue(folder, "expired", own, key, "127.0.0.1", -1)
    issue(folder, "elsewhere", own, key, "pump.example", 1)
    (folder / "nonsense.pem").write_text("this is no certificate\n")
    return folder


def tls_bus(**facts: str) -> TlsBus:
    files = {"authority": "authority.pem", "certificate": "ok.pem", "key": "ok.key"}
    return TlsBus.model_validate(TLS | files | facts)


class TlsPeer:
    """A TLS server that shakes hands and says nothing, in a thread of its own."""

    def __init__(self, context: ssl.SSLContext) -> None:
        self._context = context
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._listener.settimeout(0.05)
        self.port = self._listener.getsockname()[1]
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="tls peer")
        self._thread.start()

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                link, _ = self._listener.accept()
                link.settimeout(1.0)
                with self._context.wrap_socket(link, server_side=True) as safe:
                    safe.recv(64)
            except OSError:
                continue

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        self._listener.close()


@pytest.fixture
def tls_peer(papers: Path) -> Iterator[Callable[..., TlsPeer]]:
    begun: list[TlsPeer] = []

    def begin(name: str, newest: ssl.TLSVersion = ssl.TLSVersion.TLSv1_3) -> TlsPeer:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.set_ciphers("ALL:@SECLEVEL=0")  # the old protocols need it
        context.minimum_version = ssl.TLSVersion.MINIMUM_SUPPORTED
        context.maximum_version = newest
        context.load_cert_chain(papers / f"{name}.pem", papers / f"{name}.key")
        begun.append(TlsPeer(context))
        return begun[-1]

    yield begin
    for one in begun:
        one.close()


def refusal(bus: TlsBus, port: int, folder: Path, host: str = "127.0.0.1") -> str:
    """What a technician reads when the wire cannot be used."""
    wire = Wire("safe", bus, host, port, folder)
    with pytest.raises(LinkDown) as told:
        wire.open()
        wire.read(ASK)
    assert not wire.is_open
    assert str(told.value).startswith(f"bus safe: {host}:{port}")
    return str(told.value)


@pytest.fixture
def secure(
    site_of: Any, serve: Any, certificates: Path, field_at: Any, scan_on: Any
) -> Callable[..., tuple[Any, Site, Field, Any]]:
    def begin(certificate: str) -> tuple[Any, Site, Field, Any]:
        files = {
            "authority": "authority.pem",
            "certificate": f"{certificate}.pem",
            "key": str(certificates / f"{certificate}.key"),  # absolute, as on a machine
        }
        devices = {"island": DEVICE | {"bus": "safe"}}
        site = site_of({"safe": TLS | files}, devices, folder=str(certificates))
        served = serve(site, tls=certificates)
        field = field_at(site, reach_in(served.endpoints, site))
        return served, site, field, scan_on(site, field)

    return begin


def test_values_and_outputs_pass_over_tls(secure: Any, eventually: Eventually) -> None:
    served, site, field, scan = secure("controller")
    served.plant.values[site.index("island.v2")] = 4711
    eventually(lambda: all_good(field))
    assert field.snapshots()[0].values[2] == 4711
    scan.put(island__run=True)
    eventually(lambda: served.plant.values[site.index("island.run")] is True)
    assert list(served.server.ports["safe"].peers) == [Peer("controller", "operator")]
    assert field.health()[0].remarks == ()


def test_a_secured_connection_gone_without_a_word_is_given_up_and_found_again(
    secure: Any, eventually: Eventually
) -> None:
    """While it is away, new connections are taken by its system and shake no hands."""
    served, _, field, _ = secure("controller")
    eventually(lambda: all_good(field))
    served.server.pull("safe")
    assert eventually(lambda: not field.health()[0].up, 3) <= 1.0 + 0.15
    eventually(lambda: "handshake" in field.health()[0].devices[0].last, 3)
    served.server.plug("safe")
    assert eventually(lambda: all_good(field), 6) <= 5.0


def test_a_certificate_of_ours_without_a_role_is_remarked(
    secure: Any, eventually: Eventually
) -> None:
    _, _, field, _ = secure("plain")
    eventually(lambda: all_good(field))
    (remark,) = field.health()[0].remarks
    assert "plain.pem" in remark
    assert "1.3.6.1.4.1.50316.802.1" in remark


def test_a_stranger_is_kept_out_and_told_what_to_check(secure: Any, eventually: Eventually) -> None:
    """TLS 1.3 refuses our certificate after our handshake is done: the first read brings it."""
    served, _, field, _ = secure("stranger")
    eventually(lambda: field.health()[0].errors.get("link_down", 0) >= 2)
    health = field.health()[0].devices[0]
    assert (health.good, health.quality) == (False, "link_down")
    assert "does not accept our certificate" in health.last
    assert "authority that the device knows" in health.last
    assert not served.server.ports["safe"].peers
    assert field.failure() is None


def test_a_stranger_is_told_the_same_by_tls_1_2(certificates: Path) -> None:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.maximum_version = ssl.TLSVersion.TLSv1_2
    context.verify_mode = ssl.CERT_REQUIRED
    context.load_cert_chain(certificates / "server.pem", certificates / "server.key")
    context.load_verify_locations(certificates / "authority.pem")
    server = TlsPeer(context)
    try:
        bus = tls_bus(certificate="stranger.pem", key="stranger.key")
        assert "does not accept our certificate" in refusal(bus, server.port, certificates)
    finally:
        server.close()


@pytest.mark.parametrize(
    ("name", "facts", "words"),
    [
        ("expired", {}, ["has expired", "clock"]),
        ("elsewhere", {}, ["127.0.0.1", "server_name"]),
        ("ok", {"server_name": "pump.example"}, ["pump.example", "server_name"]),
    ],
)
def test_a_certificate_of_the_devices_that_does_not_do_is_told_with_what_to_check(
    name: str, facts: dict[str, str], words: list[str], tls_peer: Any, papers: Path
) -> None:
    said = refusal(tls_bus(**facts), tls_peer(name).port, papers)
    assert "the device's certificate is not accepted" in said
    for word in words:
        assert word in said


def test_a_device_of_another_name_is_let_in_by_it(tls_peer: Any, papers: Path) -> None:
    wire = Wire(
        "safe", tls_bus(server_name="pump.example"), "127.0.0.1", tls_peer("elsewhere").port, papers
    )
    wire.open()
    assert wire.is_open
    wire.close()


def test_a_devices_certificate_from_a_stranger_is_told(
    tls_peer: Any, papers: Path, certificates: Path, tmp_path: Path
) -> None:
    for file in ("ok.pem", "ok.key"):
        shutil.copy(papers / file, tmp_path)
    shutil.copy(certificates / "authority.pem", tmp_path)
    said = refusal(tls_bus(), tls_peer("ok").port, tmp_path)
    assert "is not accepted" in said
    assert "`authority`" in said


@pytest.mark.filterwarnings("ignore:ssl.TLSVersion.TLSv1_1:DeprecationWarning")
@pytest.mark.filterwarnings("ignore:ssl.TLSVersion.MINIMUM_SUPPORTED:DeprecationWarning")
def test_a_device_with_an_old_protocol_is_refused(tls_peer: Any, papers: Path) -> None:
    said = refusal(tls_bus(), tls_peer("ok", ssl.TLSVersion.TLSv1_1).port, papers)
    assert "TLS 1.2" in said


def test_what_does_not_speak_tls_is_told(
    peer: Callable[..., Any], serve: Any, site_of: Any, papers: Path
) -> None:
    plain = serve(site_of({"io": TLS | {"kind": "tcp"}}, {"island": DEVICE | {"bus": "io"}}))
    mute = peer(None)
    chatty = peer(lambda link, asked: link.sendall(b"HTTP/1.1 400 Bad Request\r\n\r\n"))
    for port in (plain.port("io"), mute.port, chatty.port):
        began_s = time.monotonic()
        said = refusal(tls_bus(), port, papers)
        assert "speaks TLS" in said
        assert time.monotonic() - began_s <= 1.3


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({"authority": "lost.pem"}, ["`authority`", "there is no file", "lost.pem"]),
        ({"certificate": "lost.pem"}, ["`certificate`", "there is no file", "lost.pem"]),
        ({"key": "lost.key"}, ["`key`", "there is no file", "lost.key"]),
        ({"authority": "nonsense.pem"}, ["`authority`", "nonsense.pem", "PEM"]),
        ({"certificate": "nonsense.pem"}, ["`certificate`", "nonsense.pem", "PEM"]),
        ({"key": "nonsense.pem"}, ["`key`", "nonsense.pem", "PEM"]),
        ({"key": "expired.key"}, ["`key`", "does not belong to"]),
        ({"key": "ok.locked.key"}, ["`key`", "pass phrase"]),
    ],
)
def test_a_file_of_ours_that_does_not_do_is_named(
    facts: dict[str, str], words: list[str], tls_peer: Any, papers: Path
) -> None:
    said = refusal(tls_bus(**facts), tls_peer("ok").port, papers)
    for word in words:
        assert word in said


GATEWAY = {"kind": "tcp", "host": "127.0.0.1", "line": {"baud": 115_200, "parity": "none"}} | {
    "poll": "20ms",
    "timeout": "100ms",
}
FOUR = {f"d{unit}": DEVICE | {"bus": "line", "unit": unit} for unit in (1, 2, 3, 4)}


def cycles(field: Field, seconds: float, *devices: str) -> float:
    """Good polls a second of those devices, together."""
    before = sum(s.sequence for s in field.snapshots() if s.device in devices)
    time.sleep(seconds)
    return (sum(s.sequence for s in field.snapshots() if s.device in devices) - before) / seconds


@pytest.mark.parametrize("answers_silence", [True, False])
def test_a_unit_silent_behind_a_gateway_costs_the_others_only_its_share(
    answers_silence: bool, site_of: Any, serve: Any, field_on: Any, eventually: Eventually
) -> None:
    """Some gateways say 0B, some nothing at all: the others' polls go on either way."""
    served = serve(site_of({"line": GATEWAY}, FOUR))
    served.server.ports["line"]._answers_silence = answers_silence
    field = field_on(served)
    eventually(lambda: all_good(field))
    before = cycles(field, 0.6, "d1", "d3", "d4")
    served.plant.silent.add("d2")
    eventually(lambda: field.health()[0].devices[1].demoted)
    time.sleep(0.5)  # its probes have become seldom
    after = cycles(field, 1.2, "d1", "d3", "d4")
    (bus,) = field.health()
    lost = bus.devices[1]
    print(f"says 0B: {answers_silence}; {before:.0f} polls a second without, {after:.0f} with it")
    assert after >= 0.85 * before
    assert [device.good for device in bus.devices] == [True, False, True, True]
    assert lost.quality == ("refused" if answers_silence else "silent")
    if answers_silence:
        assert lost.errors["refused_11"] >= 3
        assert "exception 11: the device behind the gateway does not answer" in lost.last
    assert "link_down" not in bus.errors
    served.plant.silent.clear()
    assert eventually(lambda: all_good(field), 6) <= 5.0


def test_a_unit_that_no_path_leads_to_is_told_as_such(
    site_of: Any, serve: Any, field_on: Any, eventually: Eventually
) -> None:
    served = serve(site_of({"line": GATEWAY}, FOUR))
    served.server.ports["line"]._paths = {1, 2, 4}
    field = field_on(served)
    eventually(lambda: field.health()[0].devices[2].errors.get("refused_10", 0) >= 3)
    eventually(lambda: [s.good for s in field.snapshots()] == [True, True, False, True])
    assert "exception 10: the gateway has no path" in field.health()[0].devices[2].last


def test_a_gateway_is_asked_one_thing_at_a_time(
    site_of: Any, serve: Any, field_on: Any, scan_on: Any, eventually: Eventually
) -> None:
    served = serve(site_of({"line": GATEWAY}, FOUR))
    gateway = served.server.ports["line"]
    field = field_on(served)
    scan = scan_on(served.site, field)
    most = 0
    end_s = time.monotonic() + 0.6
    while time.monotonic() < end_s:
        scan.put(d1__speed=int(time.monotonic() * 1000) % 1000)
        most = max(most, len(gateway._waiting))
        time.sleep(0.001)
    assert all_good(field)
    assert most == 0


CONVERTER = {"kind": "tcp", "host": "127.0.0.1", "framing": "rtu"} | TIMES


@pytest.mark.parametrize("registers", [4, 1])
def test_an_answer_that_comes_after_a_reconnect_is_not_believed(
    registers: int, site_of: Any, peer: Any, field_at: Any, eventually: Eventually
) -> None:
    """The line answers 250 ms late. The connection breaks meanwhile; the next one is told what the
    last one had asked for: the same unit, the same function, the same length. With one register
    only there is no read that could prove the device, and time alone does it."""
    from linectl_sim.line_faults import framed

    told: list[str] = []
    site = site_of(
        {"line": CONVERTER},
        {"d1": DEVICE | {"bus": "line", "late": "250ms"}},
        inputs=registers,
        outputs=False,
    )

    def answer(asked: bytes, value: int) -> bytes:
        return framed(asked[:2] + bytes((2 * asked[5],)) + value.to_bytes(2, "big") * asked[5])

    late: list[tuple[float, bytes]] = []

    def greet(link: socket.socket) -> None:
        if late:
            due_s, frame = late.pop()
            link.settimeout(max(due_s - time.monotonic(), 0.001))
            try:
                asked = link.recv(64)  # asked before the late answer came: it will be told the old
            except TimeoutError:
                told.append("before it asked")
                link.sendall(frame)
                return
            told.append("after it asked")
            time.sleep(max(due_s - time.monotonic(), 0.0))
            link.sendall(frame)
            time.sleep(0.02)
            link.sendall(answer(asked, 7))

    asked_so_far = 0

    def say(link: socket.socket, asked: bytes) -> None:
        nonlocal asked_so_far
        asked_so_far += 1
        if asked_so_far % 8 == 0 and asked[5] == registers:
            late.append((time.monotonic() + 0.250, answer(asked, 666)))
            link.close()
            return
        link.sendall(answer(asked, 7))

    server = peer(say, greet)
    field = field_at(site, {"line": Reach("127.0.0.1", server.port)})
    eventually(lambda: field.snapshots()[0].good)
    end_s = time.monotonic() + 2.0
    while time.monotonic() < end_s:
        assert set(field.snapshots()[0].values) <= {7}
        time.sleep(0.001)
    print(f"{registers} registers: late answers came {told}")
    assert told

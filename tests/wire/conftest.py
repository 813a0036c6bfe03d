"""A served plant of registers on real sockets and pseudo-terminals, and a field on it."""

from __future__ import annotations

import gc
import json
import os
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

from linectl.errors import UsageError
from linectl.field.outputs import safe_value
from linectl.field.snapshots import Outputs
from linectl.field.wiring import Field, reach_in
from linectl.image import Value
from linectl.runtime.pacing import Pacer
from linectl.site.load import load_site
from linectl.site.model import Site
from linectl_sim.serve import PlantServer

SMALL = Path(__file__).parents[2] / "config" / "small"


class Registers:
    """A plant without a machine: every point keeps what it was given; devices fall silent."""

    def __init__(self, site: Site) -> None:
        self.now = 0
        self.values: list[Value] = [False if p.is_bool else 0 for p in site.points]
        self.written: list[tuple[int, Value]] = []
        self.silent: set[str] = set()
        self._points = site.points

    def run_until(self, limit: int) -> int:
        self.now = limit
        return limit

    def take_changed(self) -> list[int]:
        return []

    def read(self, index: int) -> Value:
        return self.values[index]

    def write(self, index: int, value: Value) -> None:
        if self.values[index] != value:
            self.written.append((index, value))
        self.values[index] = value

    def answers(self, device: str) -> bool:
        return device not in self.silent

    def fall_safe(self, device: str) -> None:
        for point in self._points:
            if point.device == device and point.direction == "out":
                self.write(point.index, safe_value(point))

    def do(self, verb: str, part: str = "", **options: Any) -> None:
        if verb != "silence":
            raise UsageError(f"{verb}: unknown")
        self.silent.add(part)


class Served:
    """A plant server in a thread of its own."""

    def __init__(self, site: Site, plant: Any, file: Path | None, **options: Any) -> None:
        self.site = site
        self.plant = plant
        self.server = PlantServer(site, plant, **options)
        self.endpoints = self.server.open(file)
        if file is not None:
            file.write_text(json.dumps(self.endpoints), encoding="utf-8")
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self.server.run, args=(self._stop,), name="plant")
        self._thread.start()

    def port(self, bus: str) -> int:
        return next(row["port"] for row in self.endpoints["endpoints"] if row["bus"] == bus)

    def path(self, bus: str) -> str:
        return next(row["path"] for row in self.endpoints["endpoints"] if row["bus"] == bus)

    def end(self) -> None:
        if self._thread.is_alive():
            self._stop.set()
            self._thread.join()
            self.server.close()


class Scan:
    """Stands for the scan: every 10 ms it takes the snapshots and publishes what is demanded."""

    def __init__(self, site: Site, field: Field, clock: Callable[[], int]) -> None:
        self.values: list[Value] = [
            safe_value(p) if p.direction == "out" else False for p in site.points
        ]
        self.pacer = Pacer(site.file.scan_ms)
        self.beats = 0
        self.hung = False
        """Set by a test: it publishes nothing any more."""
        self._site, self._field, self._clock = site, field, clock
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="scan")
        self._thread.start()

    def put(self, **tags: Value) -> None:
        """New outputs, from the next scan on; a tag's dot is written as two underscores."""
        values = list(self.values)
        for tag, value in tags.items():
            values[self._site.index(tag.replace("__", "."))] = value
        self.values = values

    def _run(self) -> None:
        last = None
        while not self._stop.is_set():
            self.pacer.wait()
            if self.hung:
                continue
            self._field.snapshots()
            values = self.values
            self.beats += 1
            outputs = Outputs(self.beats, self._clock(), tuple(values))
            self._field.publish(outputs, values is not last)
            last = values

    def end(self) -> None:
        self._stop.set()
        self._thread.join()


def wait_for(true: Callable[[], bool], limit_s: float = 5.0) -> float:
    """Wait until something on the wire has become true; how long it took, in s."""
    start_s = time.monotonic()
    while not true():
        if time.monotonic() - start_s > limit_s:
            pytest.fail(f"not within {limit_s} s")
        time.sleep(0.005)
    return time.monotonic() - start_s


Authority = tuple[x509.Certificate, ec.EllipticCurvePrivateKey]


def unsigned(name: str, issuer: str, key: ec.EllipticCurvePrivateKey) -> x509.CertificateBuilder:
    """A certificate for an hour."""
    now = datetime.now(UTC)
    common = [x509.NameAttribute(x509.NameOID.COMMON_NAME, text) for text in (name, issuer)]
    return (
        x509.CertificateBuilder()
        .subject_name(x509.Name(common[:1]))
        .issuer_name(x509.Name(common[1:]))
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(minutes=5))
        .not_valid_after(now + timedelta(hours=1))
        .add_extension(x509.BasicConstraints(ca=name == issuer, path_length=None), critical=True)
    )


def authority(name: str) -> Authority:
    """A certificate that signs others, with its key."""
    key = ec.generate_private_key(ec.SECP256R1())
    return unsigned(name, name, key).sign(key, hashes.SHA256()), key


def write_certificate(folder: Path, name: str, by: Authority, role: str = "") -> None:
    """NAME.pem and NAME.key for 127.0.0.1; the role as MODBUS/TCP Security v36 (2021) has it."""
    key = ec.generate_private_key(ec.SECP256R1())
    names = [x509.IPAddress(ip_address("127.0.0.1")), x509.DNSName("localhost")]
    issuer = str(by[0].subject.get_attributes_for_oid(x509.NameOID.COMMON_NAME)[0].value)
    asked = unsigned(name, issuer, key).add_extension(
        x509.SubjectAlternativeName(names), critical=False
    )
    if role:
        utf8 = b"\x0c" + bytes((len(role),)) + role.encode()
        oid = x509.ObjectIdentifier("1.3.6.1.4.1.50316.802.1")
        asked = asked.add_extension(x509.UnrecognizedExtension(oid, utf8), critical=False)
    pem = asked.sign(by[1], hashes.SHA256()).public_bytes(serialization.Encoding.PEM)
    (folder / f"{name}.pem").write_bytes(pem)
    (folder / f"{name}.key").write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )


@pytest.fixture(autouse=True)
def what_was_there_before_costs_no_pause() -> None:
    """A collection over all that a whole run of tests holds takes longer than a device may be
    silent: from here on only what is new is looked through, as the controller does it."""
    gc.freeze()


@pytest.fixture(scope="session")
def small() -> Site:
    return load_site(SMALL)


@pytest.fixture(scope="session")
def installed() -> Callable[[str | None, str, str], str]:
    """Hands on what was found on this machine; a test without it is skipped with what to install,
    and fails where LINECTL_PEERS=required says that it must be there."""

    def found(path: str | None, what: str, package: str) -> str:
        if path:
            return path
        reason = f"{what} is not on this machine: apt-get install {package}"
        if os.environ.get("LINECTL_PEERS") == "required":
            pytest.fail(reason)
        pytest.skip(reason)

    return found


@pytest.fixture
def eventually() -> Callable[..., float]:
    return wait_for


@pytest.fixture
def clock() -> Callable[[], int]:
    """Milliseconds since the test began."""
    start_s = time.monotonic()
    return lambda: int((time.monotonic() - start_s) * 1000)


@pytest.fixture
def serve() -> Iterator[Callable[..., Served]]:
    """Serves a site's registers; ended after the test."""
    begun: list[Served] = []

    def begin(site: Site, plant: Any = None, file: Path | None = None, **options: Any) -> Served:
        begun.append(Served(site, plant or Registers(site), file, **options))
        return begun[-1]

    yield begin
    for served in begun:
        served.end()


@pytest.fixture
def field_on(clock: Callable[[], int]) -> Iterator[Callable[[Served], Field]]:
    """A field that has started on a served plant; stopped after the test."""
    begun: list[Field] = []

    def begin(served: Served) -> Field:
        begun.append(Field(served.site, clock, reach_in(served.endpoints, served.site)))
        begun[-1].start()
        return begun[-1]

    yield begin
    for field in begun:
        assert field.stop() == []


@pytest.fixture(scope="session")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of PEM files: authority.pem; server, controller (with the role operator), plain
    (without a role) and, signed by somebody else, stranger, each .pem and .key."""
    folder = tmp_path_factory.mktemp("certificates")
    own, other = authority("authority"), authority("elsewhere")
    pem = own[0].public_bytes(serialization.Encoding.PEM)
    (folder / "authority.pem").write_bytes(pem)
    write_certificate(folder, "server", own)
    write_certificate(folder, "controller", own, "operator")
    write_certificate(folder, "plain", own)
    write_certificate(folder, "stranger", other, "operator")
    return folder


@pytest.fixture
def scan_on(clock: Callable[[], int]) -> Iterator[Callable[[Site, Field], Scan]]:
    begun: list[Scan] = []

    def begin(site: Site, field: Field) -> Scan:
        begun.append(Scan(site, field, clock))
        return begun[-1]

    yield begin
    for scan in begun:
        scan.end()


@pytest.fixture(autouse=True)
def nothing_left_behind() -> Iterator[None]:
    """Every thread that a test started has ended, every descriptor it opened is closed."""
    threads = set(threading.enumerate())
    descriptors = len(os.listdir("/proc/self/fd"))
    yield
    left = [t.name for t in threading.enumerate() if t not in threads and t.is_alive()]
    assert left == []
    assert len(os.listdir("/proc/self/fd")) <= descriptors

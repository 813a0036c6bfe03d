"""The bus that a person means: one of a site, or a port that no site knows yet; speeds to try."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from pydantic import ValidationError

from linectl.commission.find import Subject, subjects_of
from linectl.commission.talk import DAMAGED, Line, Talk
from linectl.commission.units import Present, Tell, present_units
from linectl.errors import UsageError
from linectl.field.wiring import Reach, reach_of, read_endpoints
from linectl.site.complaints import nearest
from linectl.site.hardware import Bus, RtuBus, SerialLine, TcpBus
from linectl.site.model import Site

PARITIES = ("even", "odd", "none")


class Place(NamedTuple):
    """A bus, where it is reached, and whom the site has on it."""

    name: str
    bus: Bus
    reach: Reach
    subjects: Mapping[int, Subject]
    folder: str = ""
    """The site's, where the certificates of a TLS bus lie."""

    @property
    def where(self) -> str:
        """As a person reads it: `bus drives, /dev/ttyUSB0` or `192.0.2.1:502`."""
        at = f"{self.reach.host}:{self.reach.port}" if self.reach.host else str(self.reach.port)
        return f"bus {self.name}, {at}" if self.name != at else at


def bus_of_site(site: Site, name: str, at: Path | None) -> Place:
    """A bus of a site; `at`: the endpoints file of a running plant. Raises UsageError."""
    if name not in site.file.buses:
        hint = nearest(name, site.file.buses) or "see site.yaml"
        raise UsageError(f"{site.name} has no bus {name!r}; {hint}")
    reach = (reach_of(site) if at is None else read_endpoints(at, site))[name]
    return Place(name, site.file.buses[name], reach, subjects_of(site, name), site.folder)


def serial_port(port: str, timeout: str, **line: Any) -> Place:
    """A serial port with `baud`, `parity`, `stop_bits`. Raises UsageError for wrong ones."""
    bus = _made(RtuBus, kind="rtu", port=port, poll="1s", timeout=timeout, **line)
    return Place(port, bus, Reach("", port), {})


def network_port(host: str, port: str, timeout: str, rtu: bool, **line: Any) -> Place:
    """A host and TCP port; `rtu`: a converter that passes serial frames on unchanged."""
    number = int(port) if port.isascii() and port.isdecimal() else port
    facts: dict[str, Any] = {"host": host, "port": number, "poll": "1s", "timeout": timeout}
    if rtu:
        facts |= {"framing": "rtu", "line": _made(SerialLine, **line)}
    bus = _made(TcpBus, kind="tcp", **facts)
    return Place(f"{host}:{port}", bus, Reach(host, bus.port), {})


def _made(model: Any, **facts: Any) -> Any:
    try:
        return model(**facts)
    except ValidationError as error:
        detail = error.errors(include_url=False)[0]
        option = "--" + str(detail["loc"][-1]).replace("_", "-")
        raise UsageError(f"{option} {detail['input']!r}: {detail['msg']}") from error


def lines_to_try(text: str) -> tuple[tuple[int, str], ...]:
    """`9600,19200` or `9600,19200:even,none`: every speed with every parity. Raises UsageError."""
    speeds, _, parities = text.partition(":")
    try:
        bauds = [int(part) for part in speeds.split(",")]
    except ValueError:
        raise UsageError(
            f"--try {text!r}: write speeds, and parities behind a colon: 9600,19200:even,none"
        ) from None
    wanted = [part.strip() for part in parities.split(",")] if parities else list(PARITIES)
    for parity in wanted:
        if parity not in PARITIES:
            raise UsageError(
                f"--try {text!r}: {parity!r} is no parity; {nearest(parity, PARITIES)}"
            )
    return tuple(itertools.product(bauds, wanted))


class Trial(NamedTuple):
    """One setting of a line, and what answered under it."""

    baud: int
    parity: str
    present: tuple[Present, ...]
    damaged: int
    """Answers that could not be read: perhaps the right unit at the wrong speed."""


def tried(
    place: Place,
    settings: Sequence[tuple[int, str]],
    units: Sequence[int],
    opened: Callable[[Place], Line],
    tell: Tell,
) -> Iterator[tuple[Trial, Place]]:
    """Each setting in turn, until one under which a unit answers; asks holding registers only.

    A line without parity is tried with one stop bit, as most devices are set (common practice, no
    source), though the specification wants two. Raises UsageError where there is no serial line.
    """
    if not isinstance(place.bus, RtuBus):
        raise UsageError(f"--try is for a serial port of this machine; {place.where} has none")
    for number, (baud, parity) in enumerate(settings):
        facts = place.bus.model_dump(by_alias=False) | {
            "baud": baud, "parity": parity, "stop_bits": 1,
        }  # fmt: skip
        bus = _made(RtuBus, **_aliased(facts))
        here = place._replace(bus=bus)
        label = f"{baud} baud, parity {parity} ({number + 1} of {len(settings)})"
        line = opened(here)
        line.open()
        try:
            talk = Talk(line, bus.timeout_ms)
            present = present_units(talk, units, {}, _labelled(tell, label), ("holding",))
        finally:
            line.close()
        damaged = sum(talk.kinds[kind] for kind in DAMAGED)
        yield Trial(baud, parity, present, damaged), here
        if present:
            return


def _aliased(facts: Mapping[str, Any]) -> dict[str, Any]:
    """Facts as site.yaml names them, durations with their unit."""
    made: dict[str, Any] = {}
    for name, value in facts.items():
        made[name.removesuffix("_ms")] = f"{value}ms" if name.endswith("_ms") else value
    return made


def _labelled(tell: Tell, label: str) -> Tell:
    return lambda what, done, total: tell(f"{label}: {what}", done, total)

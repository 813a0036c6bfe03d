"""The format of a trace: JSON Lines, a header and then a line for each frame. Pure.

    {"linectl_trace": 1, "site": …, "digest": …, "version": …, "started": ISO 8601 with zone,
     "at_s": the monotonic clock's seconds at that moment, "trouble": what a ring was dumped for or
     null, "buses": {name: {"kind": tcp|tls|rtu, "framing": tcp|rtu}}}
    [at_s, bus, sent, bytes as hex]            one frame; sent: 1 by us, 0 by the device
    {"dropped": {bus: frames}, "at_s": …}      frames that the disk was too slow for, so far
    {"end": frames written, "full": true|false}   closed in order; absent if the program was killed

`at_s` is the monotonic clock: wall time is `started` + (at_s − the header's at_s). A frame is what
the wire carried: with framing rtu an RTU frame with CRC, with tcp an MBAP header and a PDU (on a
TLS bus before encryption). What came may stand in several lines, as it came.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, NamedTuple

from linectl.site.hardware import RtuBus, TcpBus
from linectl.site.model import Site

FORMAT = 1
LINE_BYTES_MAX = 4096
"""A frame has 260 bytes at most; a header names the buses of a site."""

Framing = Literal["tcp", "rtu"]


class Traced(NamedTuple):
    """One frame as it is in a trace; `at_s` in seconds of the monotonic clock."""

    at_s: float
    bus: str
    sent: bool
    data: bytes


@dataclass(frozen=True)
class Header:
    """What a trace says of itself."""

    site: str
    digest: str
    version: str
    started: str
    at_s: float
    buses: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    trouble: str | None = None

    def wall(self, at_s: float) -> dt.datetime:
        """The wall clock's time at `at_s`, in the zone of the machine that wrote the trace."""
        return dt.datetime.fromisoformat(self.started) + dt.timedelta(seconds=at_s - self.at_s)


def header_of(site: Site, version: str, started: dt.datetime, at_s: float) -> Header:
    """The header of a trace of `site` that begins now: wall clock with zone, monotonic seconds."""
    buses = {
        name: {
            "kind": bus.kind,
            "framing": "rtu"
            if isinstance(bus, RtuBus) or (isinstance(bus, TcpBus) and bus.framing == "rtu")
            else "tcp",
        }
        for name, bus in site.file.buses.items()
    }
    return Header(site.name, site.digest, version, started.isoformat(), at_s, buses)


def header_line(header: Header) -> str:
    """The first line of a trace."""
    return _line({"linectl_trace": FORMAT, **vars(header)})


def frame_line(frame: Traced) -> str:
    """The line of one frame; microseconds are as fine as any clock here is."""
    at_s, bus, sent, data = frame
    return f'[{at_s:.6f},{json.dumps(bus)},{int(sent)},"{data.hex()}"]\n'


def dropped_line(dropped: Mapping[str, int], at_s: float) -> str:
    """Says how many frames of each bus are missing up to here."""
    return _line({"dropped": dict(dropped), "at_s": round(at_s, 6)})


def end_line(frames: int, full: bool) -> str:
    """The last line of a trace that was closed in order."""
    return _line({"end": frames, "full": full})


def _line(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":")) + "\n"


@dataclass
class Trace:
    """A trace as read. `frames` is drawn while reading: the totals are right when it is done."""

    header: Header
    frames: Iterator[Traced]
    dropped: dict[str, int] = field(default_factory=dict)
    ended: bool = False
    full: bool = False
    broken_lines: int = 0
    """Lines that are no part of a trace, such as the last one of a power cut."""


def read_trace(lines: Iterable[str]) -> Trace:
    """The trace in these lines. Raises ValueError if they do not begin one."""
    source = iter(lines)
    try:
        head = json.loads(next(source, ""))
        if not isinstance(head, dict) or "linectl_trace" not in head:
            raise ValueError
    except ValueError:
        raise ValueError("does not begin with the header of a trace") from None
    if head["linectl_trace"] != FORMAT:
        raise ValueError(
            f"is a trace of format {head['linectl_trace']}, and this program reads {FORMAT}"
        )
    try:
        names = Header.__dataclass_fields__
        header = Header(**{name: head[name] for name in names})
        header.wall(header.at_s)
        _ = [bus["framing"] for bus in header.buses.values()]
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise ValueError(f"has a header that cannot be read ({error})") from None
    trace = Trace(header, iter(()))
    trace.frames = _frames(source, trace)
    return trace


def _frames(lines: Iterator[str], trace: Trace) -> Iterator[Traced]:
    for text in lines:
        try:
            read = json.loads(text)
            if isinstance(read, list):
                at_s, bus, sent, data = read
                yield Traced(float(at_s), str(bus), bool(sent), bytes.fromhex(data))
            else:
                _take(read, trace)
        except (ValueError, TypeError, KeyError):
            trace.broken_lines += bool(text.strip())


def _take(read: dict[str, Any], trace: Trace) -> None:
    if "dropped" in read:
        trace.dropped = {str(bus): int(count) for bus, count in read["dropped"].items()}
    else:
        trace.full = bool(read["full"])
        trace.ended = int(read["end"]) >= 0

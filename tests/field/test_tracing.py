"""Every frame can be recorded, no bus waits for the disk, and trouble leaves its last frames."""

from __future__ import annotations

import datetime as dt
import io
import json
import threading
from pathlib import Path

import pytest

from linectl.errors import Unreachable
from linectl.field.modbus import Frame
from linectl.field.trace_lines import (
    Header,
    Traced,
    end_line,
    frame_line,
    header_line,
    header_of,
    read_trace,
)
from linectl.field.tracing import Ring, Tracer
from linectl.field.trouble import TroubleWatch
from linectl.site.hardware import TcpBus, TlsBus
from linectl.site.load import load_site

CONFIG = Path(__file__).parents[2] / "config"
STARTED = "2026-03-01T06:00:00+01:00"
HEADER = Header("small", "abc", "0.1.0", STARTED, 100.0, {
    "io": {"kind": "tcp", "framing": "tcp"},
    "drives": {"kind": "rtu", "framing": "rtu"},
})  # fmt: skip
FRAMES = [Traced(100.0 + n / 64, "drives", n % 2 == 0, bytes([n % 256, 3])) for n in range(300)]


def _read(path: Path):
    with path.open(encoding="utf-8") as file:
        trace = read_trace(file)
        frames = list(trace.frames)
    return trace, frames


def test_what_was_recorded_is_read_back_frame_by_frame(tmp_path: Path) -> None:
    path = tmp_path / "trace.jsonl"
    tracer = Tracer(path, HEADER)
    for frame in FRAMES:
        tracer.frame(frame.bus, frame.at_s, frame.sent, frame.data)
    assert tracer.close() == (len(FRAMES), {}, None)
    trace, frames = _read(path)
    assert frames == FRAMES
    assert trace.header == HEADER
    assert (trace.ended, trace.full, trace.dropped, trace.broken_lines) == (True, False, {}, 0)


def test_the_header_says_of_each_bus_how_its_frames_look() -> None:
    site = load_site(CONFIG / "small")
    header = header_of(site, "0.1.0", dt.datetime.fromisoformat(STARTED), 7.0)
    assert (header.site, header.digest) == ("small", site.digest)
    assert header.buses == HEADER.buses
    assert header.wall(8.5) == dt.datetime.fromisoformat("2026-03-01T06:00:01.5+01:00")


def test_a_converter_carries_serial_frames_and_a_gateway_or_tls_carries_numbered_ones() -> None:
    site = load_site(CONFIG / "small")
    at = {"host": "192.0.2.1", "poll": "20ms", "timeout": "50ms"}
    certificates = {"authority": "a.pem", "certificate": "c.pem", "key": "k.pem"}
    buses = {
        "converter": TcpBus.model_validate({"kind": "tcp", "framing": "rtu", **at}),
        "gateway": TcpBus.model_validate({"kind": "tcp", "line": {"baud": 9600}, **at}),
        "secure": TlsBus.model_validate({"kind": "tls", **at, **certificates}),
    }
    changed = site.model_copy(update={"file": site.file.model_copy(update={"buses": buses})})
    header = header_of(changed, "0.1.0", dt.datetime.fromisoformat(STARTED), 0.0)
    assert {name: bus["framing"] for name, bus in header.buses.items()} == {
        "converter": "rtu", "gateway": "tcp", "secure": "tcp",
    }  # fmt: skip


class _Disk(io.StringIO):
    """A disk that takes the header and then nothing until `goes_on`; it ends full if told so."""

    def __init__(self, full: bool = False) -> None:
        super().__init__()
        self.goes_on = threading.Event()
        self.stands = threading.Event()
        self.text = ""
        self._full = full
        self._lines = 0

    def write(self, text: str) -> int:
        self._lines += 1
        if self._lines > 1:
            self.stands.set()
            self.goes_on.wait()
            if self._full:
                raise OSError(28, "No space left on device")
        self.text += text
        return len(text)


def test_a_bus_never_waits_for_a_disk_that_stands_and_what_is_dropped_is_told(
    tmp_path: Path,
) -> None:
    disk = _Disk()
    tracer = Tracer(tmp_path / "t", HEADER, queue_max=10, open_file=lambda path: disk)
    tracer.frame("drives", 100.0, True, b"\x01")
    assert disk.stands.wait(5)
    for n in range(50):  # returns every time, though the disk takes nothing
        tracer.frame("drives" if n % 2 else "io", 100.0, True, b"\x01")
    disk.goes_on.set()
    written = tracer.close()
    dropped = sum(written.dropped.values())
    assert written.frames + dropped == 51
    assert dropped == 41  # ten waited, the one in the writer's hand among them
    trace = read_trace(disk.text.splitlines())
    assert len(list(trace.frames)) == written.frames
    assert trace.dropped == written.dropped


def test_a_full_disk_ends_the_trace_and_not_the_line(tmp_path: Path) -> None:
    disk = _Disk(full=True)
    tracer = Tracer(tmp_path / "t", HEADER, open_file=lambda path: disk)
    tracer.frame("io", 100.0, True, b"\x01")
    assert disk.stands.wait(5)
    disk.goes_on.set()
    written = tracer.close()
    tracer.frame("io", 101.0, True, b"\x01")
    assert written.frames == 0
    assert "No space left on device" in (written.fault or "")
    assert written.dropped == {"io": 1}


def test_a_trace_ends_at_its_size_and_says_so(tmp_path: Path) -> None:
    path = tmp_path / "trace.jsonl"
    tracer = Tracer(path, HEADER, bytes_max=10 * len(frame_line(FRAMES[0])))
    for frame in FRAMES:
        tracer.frame(frame.bus, frame.at_s, frame.sent, frame.data)
    written = tracer.close()
    trace, frames = _read(path)
    assert frames == FRAMES[: written.frames]
    assert 9 <= written.frames <= 10
    assert written.dropped == {"drives": len(FRAMES) - written.frames}
    assert (trace.full, trace.ended) == (True, True)


def test_a_trace_that_cannot_be_written_is_told_before_anything_runs(tmp_path: Path) -> None:
    with pytest.raises(Unreachable, match=r"nowhere.* cannot be written"):
        Tracer(tmp_path / "nowhere" / "t", HEADER)


def test_a_trace_cut_off_by_a_power_cut_is_read_as_far_as_it_goes() -> None:
    lines = [header_line(HEADER), *map(frame_line, FRAMES[:3]), frame_line(FRAMES[3])[:20]]
    trace = read_trace(lines)
    assert list(trace.frames) == FRAMES[:3]
    assert (trace.ended, trace.broken_lines) == (False, 1)


@pytest.mark.parametrize(
    ("first", "says"),
    [
        ("", "does not begin with the header of a trace"),
        ('{"site": "small"}', "does not begin with the header of a trace"),
        ('{"linectl_trace": 9}', "of format 9, and this program reads 1"),
        ('{"linectl_trace": 1}', "a header that cannot be read"),
        (json.dumps({"linectl_trace": 1, **vars(HEADER), "started": "noon"}), "cannot be read"),
    ],
)
def test_what_is_no_trace_is_said_to_be_none(first: str, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        read_trace([first])


def _ring(folder: Path, now: list[float], files_max: int = 3) -> Ring:
    return Ring(folder, HEADER, files_max=files_max, pause_s=10.0, clock=lambda: now[0])


LAST = [Frame(100.0, True, b"\x0b\x01"), Frame(100.1, False, b"\x0b\x81")]


def test_trouble_leaves_the_last_frames_of_its_bus_as_a_trace(tmp_path: Path) -> None:
    folder = tmp_path / "frames"
    ring = _ring(folder, [0.0])
    assert ring.trouble("drives", "belts_sower lost", LAST)
    ring.close()
    (path,) = folder.iterdir()
    trace, frames = _read(path)
    assert trace.header.trouble == "drives: belts_sower lost"
    assert frames == [Traced(f.at_s, "drives", f.sent, f.data) for f in LAST]


def test_troubles_that_follow_each_other_too_soon_are_counted_not_written(tmp_path: Path) -> None:
    now = [0.0]
    ring = _ring(tmp_path, now)
    took = []
    for now[0] in (0.0, 1.0, 9.9, 10.0, 10.1):
        took.append(ring.trouble("drives", "lost", LAST))
    assert ring.trouble("io", "another bus has its own pause", LAST)
    ring.close()
    assert took == [True, False, False, True, False]
    assert ring.passed_over == {"drives": 3, "io": 0}
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "frames-drives-000001.jsonl", "frames-drives-000002.jsonl", "frames-io-000003.jsonl",
    ]  # fmt: skip


def test_only_so_many_dumps_stay_and_no_other_file_is_touched(tmp_path: Path) -> None:
    (tmp_path / "frames-of-mine.jsonl").write_text("kept")
    now = [0.0]
    for n in range(7):
        now[0] = 20.0 * n
        ring = _ring(tmp_path, now)  # a new start of the program numbers on
        ring.trouble("io", "lost", LAST)
        ring.close()
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "frames-io-000005.jsonl", "frames-io-000006.jsonl", "frames-io-000007.jsonl",
        "frames-of-mine.jsonl",
    ]  # fmt: skip


def test_a_ring_without_a_place_to_write_says_so_and_harms_nobody(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    ring = Ring(tmp_path / "file" / "frames", HEADER)
    assert ring.trouble("io", "lost", LAST)
    ring.close()
    assert "cannot be written" in (ring.fault or "")


class _Told:
    """Stands for a ring: keeps what it was asked to dump."""

    def __init__(self) -> None:
        self.troubles: list[str] = []

    def trouble(self, bus: str, what: str, frames: object) -> bool:
        self.troubles.append(f"{bus}: {what}")
        return True


class _Snapshot:
    good = False


class _Device:
    def __init__(self, name: str) -> None:
        self.name = name
        self.snapshot = _Snapshot()


class _Wire:
    name = "drives"
    frames = LAST


def test_a_lost_device_a_dead_link_and_a_differing_write_are_trouble_once_each() -> None:
    ring, one, two = _Told(), _Device("one"), _Device("two")
    watch = TroubleWatch(ring, _Wire(), [one, two])  # type: ignore[arg-type]
    watch.look(False)
    watch.look(True)  # not yet good: never lost
    one.snapshot.good = two.snapshot.good = True
    watch.look(True)
    assert ring.troubles == []
    one.snapshot.good = False
    watch.look(True)
    watch.look(True)
    two.snapshot.good = False
    watch.look(False)
    watch.look(False)
    watch.differs("one", [])
    watch.differs("one", ["fill.run is 0, told 1"])
    assert ring.troubles == [
        "drives: one lost",
        "drives: the link went down",
        "drives: one differs from what was written: fill.run is 0, told 1",
    ]


def test_lines_of_a_trace_are_one_json_value_each() -> None:
    assert json.loads(frame_line(FRAMES[1])) == [100.015625, "drives", 0, "0103"]
    assert json.loads(end_line(3, True)) == {"end": 3, "full": True}

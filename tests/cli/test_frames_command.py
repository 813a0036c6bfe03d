"""`frames` tells a trace to a person and to a program."""

from __future__ import annotations

import datetime as dt

import pytest

from linectl.errors import UsageError
from linectl.field.trace_lines import Traced, end_line, frame_line, header_line, header_of
from linectl.registers.frames import crc16
from linectl.site.load import load_site


def _rtu(text: str) -> bytes:
    frame = bytes.fromhex(text)
    return frame + crc16(frame)


@pytest.fixture
def trace(tmp_path):
    """Three exchanges with belts_sower of the small site: a read, one refused, one unanswered."""
    started = dt.datetime.fromisoformat("2026-03-01T06:00:00+01:00")
    site = load_site("config/small")
    frames = [
        (0.0, True, _rtu("0b 04 0000 0001")), (0.006, False, _rtu("0b 04 02 0003")),
        (0.1, True, _rtu("0b 04 0000 0006")), (0.107, False, _rtu("0b 84 02")),
        (0.2, True, _rtu("0b 05 0001 ff00")), (0.9, True, _rtu("0b 04 0000 0001")),
        (0.907, False, _rtu("0b 04 02 0001")),
    ]  # fmt: skip
    lines = [header_line(header_of(site, "0.1.0", started, 0.0))]
    lines += [frame_line(Traced(at_s, "drives", sent, data)) for at_s, sent, data in frames]
    path = tmp_path / "trace.jsonl"
    path.write_text("".join(lines) + end_line(len(frames), False), encoding="utf-8")
    return path


def test_a_person_reads_points_values_and_troubles_in_words(linectl, trace):
    said = linectl("frames", trace, "config/small")
    assert said.code == 0
    for part in (
        "06:00:00.0000  drives  belts_sower  read input 0 (reference 30001)  6.0 ms",
        "magazine.drive_ok 1, magazine.running 1",
        "EXCEPTION: exception 2: the device has no such address",
        "write coil 1 (reference 00002)  UNANSWERED: no answer",
        "magazine.running 1 → 0",
        "fill.run 1",
    ):
        assert part in said.out
    assert said.err == ""


def test_only_errors_or_only_one_point_or_one_device_are_shown_when_asked_for(linectl, trace):
    def shown(*options):
        rows = linectl("frames", trace, "config/small", "--json", *options).json["exchanges"]
        return [row["outcome"] for row in rows]

    assert shown() == ["answered", "exception", "unanswered", "answered"]
    assert shown("--errors") == ["exception", "unanswered"]
    assert shown("--tag", "fill.run") == ["unanswered"]
    assert shown("--tag", "fill.drive_ok") == ["exception"]
    assert shown("--device", "io_sower") == []


def test_a_program_reads_one_object(linectl, trace):
    told = linectl("frames", trace, "config/small", "--json").json
    assert told["site"] == "small"
    assert told["outcomes"] == {"drives": {"answered": 2, "exception": 1, "unanswered": 1}}
    assert (told["dropped"], told["remarks"], told["trouble"]) == ({}, [], None)
    assert told["exchanges"][0] == {
        "at_s": 0.0, "bus": "drives", "device": "belts_sower", "unit": 11, "function": 4,
        "table": "input", "address": 0, "quantity": 1, "what": "read input 0 (reference 30001)",
        "outcome": "answered", "latency_ms": 6.0, "text": "",
        "points": {"magazine.drive_ok": True, "magazine.running": True},
    }  # fmt: skip


@pytest.mark.parametrize(
    ("arguments", "code", "says"),
    [
        (("nowhere.jsonl", "config/small"), 3, "nowhere.jsonl: cannot be read (No such file"),
        (("README.md", "config/small"), 1, "README.md: does not begin with the header of a trace"),
        (("TRACE", "config/small", "--tag", "fill.rum"), 2, "nearest valid name: fill.run"),
        (("TRACE", "config/small", "--device", "belt_sower"), 2, "nearest valid name: belts_sower"),
    ],
)
def test_what_cannot_be_read_is_told_in_a_sentence(linectl, trace, arguments, code, says):
    said = linectl("frames", *(trace if word == "TRACE" else word for word in arguments))
    assert (said.code, said.out) == (code, "")
    assert says in said.err


def test_a_trace_of_another_site_is_read_and_doubted(linectl, trace):
    said = linectl("frames", trace, "config/fennmark")
    assert said.code == 0
    assert "the trace is of site small, not of fennmark" in said.err


def test_virtual_time_has_no_wires_to_record(linectl, tmp_path):
    said = linectl("rehearse", "config/small", "--trace", tmp_path / "t")
    assert said.code == UsageError.exit_code
    assert "add --wire" in said.err
    assert not (tmp_path / "t").exists()


@pytest.mark.wire
def test_a_rehearsal_over_wires_leaves_its_trace_and_a_dump_of_the_trouble(linectl, tmp_path):
    scenario = tmp_path / "silent.yaml"
    scenario.write_text("- {at: 500ms, do: silence, device: belts_sower, for: 1500ms}\n")
    trace, ledger = tmp_path / "trace.jsonl", tmp_path / "line.sqlite3"
    said = linectl(
        "rehearse", "config/small", "--wire", "--for", "2s", "--scenario", scenario,
        "--trace", trace, "--ledger", ledger,
    )  # fmt: skip
    assert said.code == 0, said.err
    told = linectl("frames", trace, "config/small", "--json").json
    assert told["remarks"] == []
    assert set(told["outcomes"]["io"]) == {"answered"}
    assert told["outcomes"]["drives"]["unanswered"] >= 2
    (dump,) = (tmp_path / "line-frames").iterdir()
    told = linectl("frames", dump, "config/small", "--json").json
    assert told["trouble"] == "drives: belts_sower lost"
    last = [row for row in told["exchanges"] if row["device"] == "belts_sower"][-1]
    assert last["outcome"] in ("unanswered", "open")

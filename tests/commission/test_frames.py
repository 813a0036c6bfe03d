"""A trace is told in point names: each answer with its request, each trouble by its name.

Frames are written out by hand: MODBUS over Serial Line V1.02 (2006), 2.5.1, and MODBUS Messaging on
TCP/IP Implementation Guide V1.0b (2006), 3.1.3.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linectl.commission.exchanges import BusTiming, exchanges
from linectl.commission.frame_reading import Request, misfit, request_of, split
from linectl.commission.frames import Reader
from linectl.field.trace_lines import Header, Trace, Traced
from linectl.registers.frames import crc16
from linectl.site.load import load_site

CONFIG = Path(__file__).parents[2] / "config"
TIMINGS = {"drives": BusTiming("rtu", 50.0, 0.1), "io": BusTiming("tcp", 100.0)}


def rtu(text: str) -> bytes:
    frame = bytes.fromhex(text)
    return frame + crc16(frame)


ASK, ANSWER = rtu("0b 04 0000 0002"), rtu("0b 04 04 0003 0001")
OTHER, OTHER_ANSWER = rtu("0b 04 0005 0001"), rtu("0b 04 02 0002")
RUN = rtu("0b 05 0001 ff00")


def told(*frames: tuple[float, str, bytes], bus: str = "drives"):
    """Outcomes of frames at ms; `>` is sent, `<` came."""
    traced = [Traced(ms / 1000, bus, way == ">", data) for ms, way, data in frames]
    return list(exchanges(traced, TIMINGS))


def test_a_read_and_its_answer_are_one_exchange_with_its_latency():
    (one,) = told((0, ">", ASK), (7.5, "<", ANSWER))
    assert (one.outcome, one.cells) == ("answered", (3, 1))
    assert one.latency_ms == pytest.approx(7.5)
    assert one.request == Request(11, 4, 0, 2)


def test_an_answer_in_pieces_is_one_answer():
    pieces = ANSWER[:1], ANSWER[1:4], ANSWER[4:]
    (one,) = told((0, ">", ASK), *((n + 1.0, "<", piece) for n, piece in enumerate(pieces)))
    assert (one.outcome, one.latency_ms) == ("answered", pytest.approx(3.0))


@pytest.mark.parametrize(
    ("frames", "outcomes", "says"),
    [
        ([(0, ">", ASK), (60, ">", OTHER), (66, "<", OTHER_ANSWER)],
         ["unanswered", "answered"], "no answer"),
        ([(0, ">", ASK), (57, "<", ANSWER)], ["late"], "came 6 ms after the time-out"),
        ([(0, ">", ASK), (6, "<", rtu("0b 84 02"))], ["exception"],
         "exception 2: the device has no such address"),
        ([(0, ">", ASK), (6, "<", ANSWER[:-1] + b"\x00"), (90, ">", ASK), (96, "<", ANSWER)],
         ["damaged", "answered"], "9 bytes came, no right CRC: 0b 04 04"),
        ([(0, ">", ASK), (6, "<", ANSWER[:3])], ["damaged"], "no whole frame"),
        ([(0, ">", ASK), (60, ">", OTHER), (64, "<", ANSWER), (66, "<", OTHER_ANSWER)],
         ["unanswered", "stale", "answered"], "answers a request of 64 ms before"),
        ([(0, ">", ASK), (6, "<", rtu("0c 04 04 0003 0001"))], ["foreign", "open"],
         "unit 12 instead of 11"),
        ([(0, ">", ASK), (6, "<", rtu("0b 03 04 0003 0001")), (99, ">", ASK)],
         ["foreign", "unanswered", "open"], "function 3 instead of 4"),
        ([(0, ">", ASK), (6, "<", OTHER_ANSWER), (9, "<", ANSWER)], ["foreign", "answered"],
         "2 bytes for 2 registers"),
        ([(0, "<", ANSWER)], ["foreign"], "nothing was asked"),
        ([(0, ">", RUN), (6, "<", rtu("0b 05 0002 ff00"))], ["foreign", "open"],
         "an echo of coil 2 (reference 00003) instead of coil 1 (reference 00002)"),
        ([(0, ">", RUN), (6, "<", rtu("0b 05 0001 0000"))], ["foreign", "open"],
         "an echo of 0 instead of 65280"),
        ([(0, ">", b"\x0b\x04")], ["unknown"], "that are no request: 0b 04"),
    ],
)  # fmt: skip
def test_each_trouble_on_a_serial_line_has_its_name(frames, outcomes, says):
    found = told(*frames)
    assert [one.outcome for one in found] == outcomes
    assert any(says in one.text for one in found), [one.text for one in found]


def test_the_echo_of_an_adapter_is_passed_over():
    (one,) = told((0, ">", ASK), (5, "<", ASK + ANSWER))
    assert one.outcome == "answered"
    (one,) = told((0, ">", ASK), (2, "<", ASK), (5, "<", ANSWER))
    assert one.outcome == "answered"
    (one,) = told((0, ">", RUN), (2, "<", RUN), (5, "<", RUN))
    assert one.outcome == "answered"


def test_the_last_request_of_a_trace_is_open_until_its_time_out():
    assert [one.outcome for one in told((0, ">", ASK))] == ["open"]


def tcp(number: int, text: str) -> bytes:
    pdu = bytes.fromhex(text)
    return number.to_bytes(2, "big") + b"\0\0" + len(pdu).to_bytes(2, "big") + pdu


def test_on_tcp_the_transaction_tells_a_late_answer_from_the_right_one():
    asked, answered = "01 02 0000 0009", "01 02 02 0501"
    late_and_right = tcp(7, answered) + tcp(8, answered)
    found = told(
        (0, ">", tcp(7, asked)), (150, ">", tcp(8, asked)), (155, "<", late_and_right), bus="io"
    )
    assert [one.outcome for one in found] == ["unanswered", "stale", "answered"]
    assert found[2].cells == (1, 0, 1, 0, 0, 0, 0, 0, 1)


@given(st.binary(max_size=40), st.sampled_from(["rtu", "tcp"]), st.booleans())
def test_whatever_came_splits_into_messages_and_a_rest_without_an_error(data, framing, answers):
    found = split(framing, data, answers=answers)
    assert data.endswith(found.rest)
    for message in found.messages:
        request = request_of(message)
        if request is not None:
            misfit(request, message)


def _reader(*frames: tuple[float, bool, bytes], digest: str | None = None) -> Reader:
    site = load_site(CONFIG / "small")
    buses = {"drives": {"kind": "rtu", "framing": "rtu"}}
    header = Header("small", digest or site.digest, "0", "2026-03-01T06:00:00+01:00", 0.0, buses)
    traced = (Traced(at_s, "drives", sent, data) for at_s, sent, data in frames)
    return Reader(site, Trace(header, traced, ended=True))


def test_points_are_told_in_engineering_values_and_only_their_changes():
    """belts_sower is unit 11; input 0 has bits drive_ok (0) and running (1) of the magazine."""
    ask, status = rtu("0b 04 0000 0001"), rtu("0b 04 02 0003")
    reader = _reader(
        (0.0, True, ask), (0.01, False, status), (0.1, True, ask), (0.11, False, status),
        (0.2, True, ask), (0.21, False, rtu("0b 04 02 0001")),
        (0.3, True, RUN), (0.31, False, RUN),
        (0.4, True, rtu("0b 10 0000 0002 04 00fa 0064")), (0.41, False, rtu("0b 10 0000 0002")),
    )  # fmt: skip
    first, again, stopped, run, speeds = reader.told()
    assert first.device == "belts_sower"
    assert first.what == "read input 0 (reference 30001)"
    assert first.points == {"magazine.drive_ok": True, "magazine.running": True}
    assert set(first.changed) == set(first.points)
    assert (again.points, again.changed) == (first.points, {})
    assert stopped.changed == {"magazine.running": (True, False)}
    assert run.points == {"fill.run": True}
    assert speeds.what == "write holding 0–1 (reference 40001–40002)"
    assert speeds.points == {"magazine.speed": 250, "fill.speed": 100}
    assert reader.outcomes["drives"] == {"answered": 5}
    assert reader.remarks == []


def test_a_write_that_nobody_took_is_told_with_its_values_but_changes_nothing():
    reader = _reader((0.0, True, RUN), (0.9, True, RUN), (0.91, False, RUN))
    refused, taken = reader.told()
    assert (refused.points, refused.changed) == ({"fill.run": True}, {})
    assert taken.changed == {"fill.run": (None, True)}


def test_an_answer_that_came_too_late_changes_nothing_because_the_line_never_saw_it():
    ask = rtu("0b 04 0000 0001")
    reader = _reader(
        (0.0, True, ask), (0.01, False, rtu("0b 04 02 0001")),
        (0.1, True, ask), (0.2, False, rtu("0b 04 02 0003")),
    )  # fmt: skip
    _, late = reader.told()
    assert late.exchange.outcome == "late"
    assert (late.points["magazine.running"], late.changed) == (True, {})


def test_files_that_have_changed_since_are_remarked():
    reader = _reader(digest="of yesterday")
    assert list(reader.told()) == []
    assert any("files have changed since" in remark for remark in reader.remarks)

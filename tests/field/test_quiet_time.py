"""The wire on a link that plays its bytes by a clock of its own: quiet times, strays, memory."""

from __future__ import annotations

import pytest

from linectl.errors import ForeignAnswer, LinkDown, Silent
from linectl.field.asks import Ask
from linectl.field.framing import rtu_frame, tcp_frame
from linectl.field.modbus import KEPT_BYTES, QUIET_LIMIT_S, Wire
from linectl.field.pdu import request_pdu
from linectl.site.hardware import TcpBus

NET = TcpBus.model_validate({"kind": "tcp", "host": "h", "poll": "20ms", "timeout": "50ms"})

READ = Ask("io", 17, 3, 0, 2)
SHORTER = READ._replace(quantity=1)
REFUSED = rtu_frame(17, b"\x83\x02")


def answer_to(ask: Ask, unit: int = 17) -> bytes:
    size = 2 * ask.quantity
    return rtu_frame(unit, bytes((ask.function, size)) + bytes(range(1, size + 1)))


def silent(wire: Wire, ask: Ask = READ) -> None:
    with pytest.raises(Silent):
        wire.read(ask)


def test_a_late_answer_is_waited_for_told_with_its_lateness_and_discarded(played) -> None:
    wire, link = played()
    silent(wire)
    link.coming = [(link.now_s + 0.06, answer_to(READ))]
    began_s = link.now_s
    assert wire.settle(READ, 200.0, outstanding=True)
    (late,) = wire.take_late()
    assert late.device == "io"
    assert late.late_ms == pytest.approx(60, abs=1)
    assert link.now_s - began_s < 0.08  # it ends with the answer, not with the whole time
    assert wire.take_late() == []


def test_a_refusal_that_comes_late_is_the_answer_too(played) -> None:
    wire, link = played()
    silent(wire)
    link.coming = [(link.now_s + 0.03, REFUSED)]
    assert wire.settle(READ, 200.0, outstanding=True)


@pytest.mark.parametrize(
    "frame",
    [
        answer_to(SHORTER),
        answer_to(READ, unit=18),
        rtu_frame(17, b"\x84\x02"),
        answer_to(READ)[:-1] + b"\x00",
        answer_to(READ)[:-1],
        answer_to(READ) + answer_to(SHORTER),
    ],
    ids=["another length", "another unit", "another function", "damaged", "cut off", "two"],
)
def test_what_is_not_the_answer_does_not_end_the_quiet_time(played, frame: bytes) -> None:
    wire, link = played()
    silent(wire)
    began_s = link.now_s
    link.coming = [(link.now_s + 0.03, frame)]
    assert not wire.settle(READ, 200.0, outstanding=True)
    assert link.now_s - began_s >= 0.2
    assert wire.take_late() == []


def test_an_earlier_answer_does_not_hide_that_ours_comes_after_it(played) -> None:
    wire, link = played()
    silent(wire)
    now = link.now_s
    link.coming = [(now + 0.03, answer_to(SHORTER)), (now + 0.09, answer_to(READ))]
    assert wire.settle(READ, 200.0, outstanding=True)
    assert wire.take_late()[0].late_ms == pytest.approx(90, abs=1)


def test_a_late_write_is_known_by_what_it_repeats(played) -> None:
    wire, link = played()
    wire.echoes = False
    write = Ask("io", 17, 6, 1, 1, (3,))
    with pytest.raises(Silent):
        wire.write(write)
    other = write._replace(cells=(4,))
    link.coming = [(link.now_s + 0.01, rtu_frame(17, request_pdu(other)))]
    assert not wire.settle(write, 50.0, outstanding=True)
    link.coming = [(link.now_s + 0.01, rtu_frame(17, request_pdu(write)))]
    assert wire.settle(write, 50.0, outstanding=True)


def test_nothing_is_asked_until_what_talks_has_ended(played) -> None:
    wire, link = played()
    silent(wire)
    now = link.now_s
    link.coming = [(now + 0.009 + k * 0.002, b"\x55" * 8) for k in range(40)]
    assert not wire.settle(READ, 10.0, outstanding=True)
    assert link.coming == []
    assert link.now_s > now + 0.009 + 39 * 0.002


def test_a_line_that_never_falls_quiet_is_broken_and_told_and_takes_no_memory(played) -> None:
    wire, link = played()
    silent(wire)
    began_s = link.now_s
    link.endless = b"\x55" * 4096
    with pytest.raises(LinkDown, match="does not fall quiet"):
        wire.settle(READ, 50.0, outstanding=True)
    assert not wire.is_open
    assert link.now_s - began_s < 0.1 + QUIET_LIMIT_S
    assert max(len(frame.data) for frame in wire.frames) <= KEPT_BYTES


def test_a_numbered_link_needs_no_quiet_time(played) -> None:
    wire, link = played(NET)
    silent(wire)
    before_s = link.now_s
    assert not wire.settle(READ, 50.0, outstanding=True)
    assert link.now_s == before_s


def test_a_flood_of_late_answers_is_hung_up_on_and_takes_no_memory(played) -> None:
    wire, link = played(NET)
    link.answers = lambda request: [(0.001 + k * 0.0001, flood) for k in range(100)]
    flood = tcp_frame(60_000, 17, bytes((3, 250)) + bytes(250))
    with pytest.raises(LinkDown, match="floods us"):
        wire.read(READ)
    assert not wire.is_open
    assert max(len(frame.data) for frame in wire.frames) <= KEPT_BYTES


def test_late_answers_do_not_lengthen_the_time_out(played) -> None:
    wire, link = played(NET)
    late = tcp_frame(60_000, 17, answer_to(READ)[1:-2])
    link.answers = lambda request: [(k * 0.001, late) for k in range(100)]
    began_s = link.now_s
    silent(wire)
    assert link.now_s - began_s == pytest.approx(0.05, abs=0.002)
    assert wire.seen["stale"] >= 49


def test_an_answer_that_came_before_its_question_is_none(played) -> None:
    """Whatever number it bears: another end may count as we do."""
    wire, link = played(NET)
    link.coming = [(link.now_s - 0.001, tcp_frame(1, 17, answer_to(READ)[1:-2]))]
    silent(wire)
    assert wire.seen["stale"] == 1


def test_late_answers_on_tcp_are_told_with_their_lateness(played) -> None:
    wire, link = played(NET)
    silent(wire)
    pdu = answer_to(READ)[1:-2]
    link.answers = lambda request: [
        (0.02, tcp_frame(1, 17, pdu)),
        (0.03, tcp_frame(int.from_bytes(request[:2], "big"), 17, pdu)),
    ]
    assert list(wire.read(READ)) == [0x0102, 0x0304]
    (late,) = wire.take_late()
    assert late.device == "io"
    assert 20 <= late.late_ms <= 31


# MODBUS over Serial Line V1.02, 2.5.1.1: frames are parted by 1.75 ms above 19 200 baud.
def test_between_an_answer_and_the_next_question_the_line_is_silent(played) -> None:
    wire, link = played()
    link.answers = lambda request: [(0.005, answer_to(READ))]
    sent_s = []
    send = link.send
    link.send = lambda data, limit_s: (sent_s.append(link.now_s), send(data, limit_s))
    for _ in range(3):
        wire.read(READ)
        ended_s = link.now_s
        wire.read(READ)
        assert sent_s[-1] - ended_s == pytest.approx(0.00175)


def test_a_device_gets_its_rest_before_anyone_speaks(played) -> None:
    wire, link = played()
    link.answers = lambda request: [(0.005, answer_to(READ))]
    wire.read(READ)
    ended_s = link.now_s
    wire.rest(30)
    wire.read(READ)
    assert link.now_s - ended_s == pytest.approx(0.030 + 0.005)


def test_bytes_before_the_question_are_not_its_answer(played) -> None:
    wire, link = played()
    wire.echoes = False
    link.coming = [(link.now_s - 0.001, answer_to(READ))]
    with pytest.raises(ForeignAnswer) as caught:
        wire.read(READ)
    assert caught.value.kind == "stray"
    assert link.sent == []
    assert wire.echoes is None  # it may have been an echo: to be learned anew


def test_a_drivers_glitch_before_the_question_is_nothing(played) -> None:
    wire, link = played()
    link.coming = [(link.now_s, b"\x00\xff")]
    link.answers = lambda request: [(0.005, answer_to(READ))]
    assert list(wire.read(READ)) == [0x0102, 0x0304]


def test_an_echo_that_was_not_there_when_the_line_was_learned_is_learned_later(played) -> None:
    wire, link = played()
    link.answers = lambda request: [(0.005, answer_to(READ))]
    wire.read(READ)
    assert wire.echoes is False
    link.answers = lambda request: [(0.001, request), (0.005, answer_to(READ))]
    with pytest.raises(ForeignAnswer) as caught:
        wire.read(READ)
    assert caught.value.kind == "echo"
    wire.settle(READ, 50.0, outstanding=False)
    assert list(wire.read(READ)) == [0x0102, 0x0304]
    assert wire.echoes is True


def test_a_write_on_an_unknown_line_learns_by_a_read_first(played) -> None:
    wire, link = played()
    write = Ask("io", 17, 6, 0, 1, (3,))
    link.answers = lambda request: [
        (0.001, request),
        (0.005, answer_to(SHORTER) if request[1] == 3 else b""),
    ]
    with pytest.raises(Silent, match="only our own echo"):
        wire.write(write)  # a device that is not there: its echo is not its answer
    assert [frame[1] for frame in link.sent] == [3, 6]


def test_an_exception_of_an_earlier_question_is_not_the_identifications(played) -> None:
    wire, link = played()
    link.answers = lambda request: [(0.005, REFUSED)]
    with pytest.raises(ForeignAnswer, match="no identification"):
        wire.identify(17)

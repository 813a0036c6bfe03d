"""Nothing is taken out of a byte stream that does not fit the question: glitches, echoes, damage.

CRC-16 finds every burst of up to 16 bits in a frame of known length, and all two-bit errors in
frames this short; of any other damage it lets one in 65,536 pass. Length, function and unit are
held against the question as well.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linectl.errors import DeviceRefused, ForeignAnswer
from linectl.field.asks import Ask
from linectl.field.framing import (
    GLITCHES,
    LATE_KEPT,
    Garbled,
    NotModbus,
    RtuAnswer,
    TcpAnswer,
    rtu_frame,
    rtu_length,
    tcp_frame,
)
from linectl.field.pdu import cells_of, request_pdu
from linectl.registers.frames import crc16

# MODBUS Application Protocol V1.1b3, 6.3, with unit 11h and the CRC of MODBUS over Serial Line
# V1.02 added.
REQUEST = bytes.fromhex("11 03 00 6B 00 03 76 87")
ANSWER = bytes.fromhex("11 03 06 02 2B 00 00 00 64 C8 BA")
ASK = Ask("drive", 17, 3, 0x6B, 3)
TEN = Ask("drive", 17, 3, 0x100, 10)
TEN_ANSWER = rtu_frame(17, bytes.fromhex("03 14") + bytes(range(0x31, 0x45)))


def waiting(ask: Ask = ASK, echoes: bool | None = False) -> RtuAnswer:
    """Waits for the answer to a read of registers, or a write."""
    size = 8 if ask.cells else 5 + 2 * ask.quantity
    return RtuAnswer(ask.unit, rtu_frame(ask.unit, request_pdu(ask)), size, echoes)


def verdict(answer: RtuAnswer, chunks: Iterable[bytes]) -> bytes | str | None:
    """The PDU that the chunks end with; or the kind of trouble, at once or at the time-out."""
    try:
        for chunk in chunks:
            if (found := answer.feed(chunk)) is not None:
                return found
    except Garbled as garbled:
        return garbled.kind
    ended = answer.given_up()
    return ended.kind if ended else None


def cut(data: bytes, places: Iterable[int]) -> list[bytes]:
    edges = [0, *sorted(place % (len(data) + 1) for place in places), len(data)]
    return [data[a:b] for a, b in itertools.pairwise(edges)]


def with_crc(frame: str) -> bytes:
    data = bytes.fromhex(frame)
    return data + crc16(data)


PLACES = st.lists(st.integers(0, 400), max_size=6)
GLITCH = st.lists(st.sampled_from(list(GLITCHES)), max_size=8).map(bytes)


def test_the_printed_request_and_answer() -> None:
    assert rtu_frame(17, request_pdu(ASK)) == REQUEST
    pdu = waiting().feed(ANSWER)
    assert pdu == ANSWER[1:-2]
    assert list(cells_of(ASK, pdu)) == [555, 0, 100]


# MODBUS Messaging on TCP/IP Implementation Guide V1.0b, 3.1.3: number, 0, length, unit.
def test_the_header_on_tcp() -> None:
    assert tcp_frame(0x1501, 0xFF, bytes.fromhex("03 00 04 00 01")) == bytes.fromhex(
        "15 01 00 00 00 06 FF 03 00 04 00 01"
    )


@given(PLACES, GLITCH, GLITCH, st.booleans())
def test_an_answer_is_found_however_its_bytes_arrive(
    places: list[int], before: bytes, between: bytes, echo: bool
) -> None:
    stream = before + (REQUEST if echo else b"") + between + ANSWER
    for echoes in (echo, None):
        assert verdict(waiting(echoes=echoes), cut(stream, places)) == ANSWER[1:-2]


@settings(max_examples=400)
@given(
    st.lists(
        st.one_of(
            st.sampled_from([REQUEST, ANSWER, TEN_ANSWER, with_crc("12 03 02 00 01")]),
            st.binary(max_size=6),
        ),
        max_size=4,
    ).map(b"".join),
    PLACES,
    st.sampled_from([True, False, None]),
)
def test_the_verdict_does_not_hang_on_how_the_stream_is_cut(
    stream: bytes, places: list[int], echoes: bool | None
) -> None:
    whole = verdict(waiting(echoes=echoes), [stream])
    cut_up = verdict(waiting(echoes=echoes), cut(stream, places))
    if whole == "foreign" and isinstance(cut_up, bytes):
        return  # what comes behind an answer, later than it, is found before the next question
    assert cut_up == whole


@settings(max_examples=400)
@given(st.binary(max_size=300), PLACES, st.sampled_from([True, False, None]))
def test_noise_is_never_an_answer(noise: bytes, places: list[int], echoes: bool | None) -> None:
    # Each stream is one chance in 65,536 at most, and needs the unit and the length on top.
    assert not isinstance(verdict(waiting(echoes=echoes), cut(noise, places)), bytes)


def damaged_frames(frame: bytes) -> Iterable[bytes]:
    bits = len(frame) * 8
    as_number = int.from_bytes(frame, "big")
    for one in range(bits):
        for other in range(one, bits):
            mask = 1 << one | 1 << other  # the same twice: a single bit
            yield (as_number ^ mask).to_bytes(len(frame), "big")
    for place, old in enumerate(frame):
        for new in range(256):
            if new != old:
                yield frame[:place] + bytes((new,)) + frame[place + 1 :]


def test_no_damage_of_two_bits_or_a_byte_is_believed() -> None:
    tried = 0
    for damaged in damaged_frames(TEN_ANSWER):
        tried += 1
        assert not isinstance(verdict(waiting(TEN), [damaged]), bytes), damaged.hex(" ")
    assert tried == 200 + 200 * 199 // 2 + 25 * 255


@given(st.integers(0, 25 * 8 - 16), st.integers(1, 0xFFFF), st.binary(min_size=20, max_size=20))
def test_no_burst_of_sixteen_bits_is_believed(start: int, burst: int, data: bytes) -> None:
    frame = rtu_frame(17, b"\x03\x14" + data)
    damaged = (int.from_bytes(frame, "big") ^ burst << start).to_bytes(len(frame), "big")
    assert not isinstance(verdict(waiting(TEN), [damaged]), bytes)


@given(st.integers(1, 24), st.binary(min_size=20, max_size=20))
def test_a_dropped_byte_is_never_filled_up(place: int, data: bytes) -> None:
    frame = rtu_frame(17, b"\x03\x14" + data)
    dropped = frame[:place] + frame[place + 1 :]
    assert not isinstance(verdict(waiting(TEN), [dropped]), bytes)
    assert not isinstance(verdict(waiting(TEN), [dropped, b"\0"]), bytes) or dropped + b"\0" == (
        frame
    )


def test_random_damage_passes_the_crc_about_once_in_65_536() -> None:
    """What length, unit and function do not find: two bytes far apart, each of any value."""
    passed = 0
    for one, other in itertools.product(range(256), repeat=2):
        frame = bytearray(TEN_ANSWER)
        frame[5], frame[20] = one, other
        passed += isinstance(verdict(waiting(TEN), [bytes(frame)]), bytes)
    assert passed == 2  # the undamaged one, and one of 65,535


OTHERS = {
    "a register less": "11 03 04 02 2B 00 00",
    "a register more": "11 03 08 02 2B 00 00 00 64 00 01",
    "no register": "11 03 00",
    "another function": "11 04 06 02 2B 00 00 00 64",
    "bits": "11 01 06 02 2B 00 00 00 64",
    "an answer to a write": "11 06 00 6B 00 03",
    "an exception of another function": "11 84 02",
    "an exception of a write": "11 86 02",
}


@pytest.mark.parametrize("frame", OTHERS.values(), ids=OTHERS)
def test_an_answer_to_another_question_is_told(frame: str) -> None:
    try:
        pdu = waiting().feed(with_crc(frame))
        assert pdu is not None
        with pytest.raises(ForeignAnswer) as caught:
            cells_of(ASK, pdu)
        assert caught.value.kind == "stale"
    except Garbled as garbled:
        assert garbled.kind == "stale"


@pytest.mark.parametrize("quantity", [1, 2, 4, 125])
def test_another_length_is_told_before_anything_is_handed_out(quantity: int) -> None:
    body = bytes((3, 2 * quantity)) + bytes(2 * quantity)
    assert verdict(waiting(), [rtu_frame(17, body)]) == "stale"


def test_an_exception_is_the_refusal_of_this_question() -> None:
    pdu = waiting().feed(with_crc("11 83 02"))
    assert pdu is not None
    with pytest.raises(DeviceRefused) as caught:
        cells_of(ASK, pdu)
    assert caught.value.code == 2


def test_another_units_answer_is_passed_over_and_counted() -> None:
    answer = waiting()
    foreign = rtu_frame(18, ANSWER[1:-2])
    assert answer.feed(foreign) is None
    assert answer.seen == {"foreign": 1}
    assert answer.feed(ANSWER) == ANSWER[1:-2]


def test_only_another_unit_is_told_from_silence() -> None:
    assert verdict(waiting(), [rtu_frame(18, ANSWER[1:-2])]) == "foreign"
    assert verdict(waiting(), []) is None
    assert verdict(waiting(), [b"", b"\0\xff"]) is None


@pytest.mark.parametrize("rest", ["11", "01 02", "00 00", "FF 00", "11 03 06"])
def test_bytes_behind_an_answer_make_it_doubtful(rest: str) -> None:
    assert verdict(waiting(), [ANSWER + bytes.fromhex(rest)]) == "foreign"


@pytest.mark.parametrize("rest", ["00", "FF"])
def test_the_drivers_own_glitch_behind_an_answer_does_not(rest: str) -> None:
    assert verdict(waiting(), [ANSWER + bytes.fromhex(rest)]) == ANSWER[1:-2]


def test_two_answers_at_once_are_none() -> None:
    assert verdict(waiting(), [ANSWER + ANSWER]) == "foreign"


def test_a_unit_numbered_like_a_glitch_is_still_heard() -> None:
    pdu = bytes.fromhex("03 06 00 01 00 02 00 03")
    assert verdict(waiting(ASK._replace(unit=255)), [rtu_frame(255, pdu)]) == pdu


# The echo.


@pytest.mark.parametrize("echoes", [True, None])
def test_an_echo_is_taken_off_and_known(echoes: bool | None) -> None:
    answer = waiting(echoes=echoes)
    assert answer.feed(REQUEST[:5]) is None
    assert answer.feed(REQUEST[5:] + ANSWER[:4]) is None
    assert answer.echoed is True
    assert answer.feed(ANSWER[4:]) == ANSWER[1:-2]


def test_a_line_without_an_echo_is_known_too() -> None:
    answer = waiting(echoes=None)
    assert answer.feed(ANSWER) == ANSWER[1:-2]
    assert answer.echoed is False


def test_only_the_echo_is_silence() -> None:
    answer = waiting(echoes=None)
    assert verdict(answer, [REQUEST]) is None
    assert answer.echoed is True


@pytest.mark.parametrize("place", range(8))
def test_a_damaged_echo_is_told_and_nothing_behind_it_believed(place: int) -> None:
    damaged = REQUEST[:place] + bytes((REQUEST[place] ^ 0x10,)) + REQUEST[place + 1 :]
    assert verdict(waiting(echoes=True), [damaged, ANSWER]) == "echo"
    assert not isinstance(verdict(waiting(echoes=None), [damaged, ANSWER]), bytes)


@pytest.mark.parametrize("place", range(1, 8))
def test_the_end_of_an_echo_alone_is_never_believed(place: int) -> None:
    for echoes in (True, None, False):
        assert not isinstance(verdict(waiting(echoes=echoes), [REQUEST[place:], ANSWER]), bytes)


def test_glitches_before_the_echo_do_not_hide_it() -> None:
    """A driver that is switched on for the request adds them in front of it."""
    for echoes in (True, None):
        answer = waiting(echoes=echoes)
        assert verdict(answer, [b"\0" + REQUEST, b"\xff" + ANSWER]) == ANSWER[1:-2]
        assert answer.echoed is True


def test_an_echo_on_a_line_learned_without_one_is_told_as_what_it_is() -> None:
    """Were it told as damage, the line would never be looked at anew."""
    assert verdict(waiting(echoes=False), [REQUEST + ANSWER]) == "echo"
    assert verdict(waiting(echoes=False), [REQUEST]) == "echo"
    far = ASK._replace(address=0x606B)  # its echo begins like an answer of 101 bytes
    assert verdict(waiting(far, False), [rtu_frame(17, request_pdu(far)), ANSWER]) == "echo"


WRITE = Ask("drive", 17, 6, 1, 1, (3,))


def test_the_answer_to_a_single_write_is_told_from_its_echo() -> None:
    frame = rtu_frame(17, request_pdu(WRITE))
    answer = waiting(WRITE, True)
    assert answer.feed(frame) is None
    assert answer.feed(frame) == frame[1:-2]
    assert verdict(waiting(WRITE, True), [frame]) is None
    assert verdict(waiting(WRITE, False), [frame]) == frame[1:-2]
    assert verdict(waiting(WRITE, False), [frame + frame]) == "foreign"


def test_a_write_of_several_cannot_be_answered_by_its_echo() -> None:
    several = Ask("drive", 17, 16, 1, 2, (10, 258))
    frame = rtu_frame(17, request_pdu(several))
    assert verdict(waiting(several, False), [frame]) == "echo"


def test_an_answer_that_begins_as_an_unlearned_echo_would_is_not_believed() -> None:
    """The one case where the two cannot be told apart: a register's value that repeats the
    question's address, and CRCs that meet. Nothing is handed out, and silence is not said."""
    found = 0
    for unit, low in itertools.product(range(1, 248), range(256)):
        ask = Ask("d", unit, 3, 0x0200 | low, 1)
        frame = rtu_frame(unit, bytes((3, 2, low, 0)))
        if waiting(ask)._request.startswith(frame):
            found += 1
            assert verdict(waiting(ask, None), [frame]) == "short"
            assert verdict(waiting(ask, False), [frame]) == frame[1:-2]
    assert found > 0


# Lengths.


@pytest.mark.parametrize(
    ("begun", "length"),
    [
        ("", 0),
        ("11 03", 0),
        ("11 03 06", 11),
        ("11 01 FA", 255),
        ("11 03 FB", 256),
        ("11 03 FC", None),
        ("11 83 02", 5),
        ("11 06 00", 8),
        ("11 10 00", 8),
        ("11 07 00", None),
        ("11 00 00", None),
        ("11 2B 0E", 0),
        ("11 2B 0E 01 81 00 00 01 00 03 41 42 43", 15),
        ("11 2B 0E 01 81 00 00 02 00 F0 41 42 43", 0),
    ],
)
def test_the_length_follows_from_the_beginning(begun: str, length: int | None) -> None:
    assert rtu_length(bytes.fromhex(begun)) == length


@given(st.binary(max_size=600))
def test_nothing_longer_than_a_frame_is_waited_for(data: bytes) -> None:
    length = rtu_length(data)
    assert length is None or length <= 256
    if length == 0:
        assert len(data) < 258


def test_an_identification_without_end_is_given_up() -> None:
    begun = bytes.fromhex("11 2B 0E 01 81 00 00 FF") + bytes((0, 0)) * 124
    assert rtu_length(begun) is None
    assert rtu_length(bytes.fromhex("11 2B 0E 01 81 00 00 01 00 FF")) is None


# TCP.


def on_tcp(number: int = 7, unit: int = 17) -> TcpAnswer:
    answer = TcpAnswer()
    answer.expect(number, unit)
    return answer


PDU = ANSWER[1:-2]


@given(PLACES)
def test_late_and_foreign_answers_on_tcp_are_passed_over_however_they_arrive(
    places: list[int],
) -> None:
    answer = on_tcp()
    stream = tcp_frame(6, 17, b"\x03\x02\0\1") + tcp_frame(7, 18, PDU) + tcp_frame(7, 17, PDU)
    found = [got for chunk in cut(stream, places) if (got := answer.feed(chunk)) is not None]
    assert found == [PDU]
    assert answer.seen == {"stale": 1, "foreign": 1}
    assert answer.late == [6]


@pytest.mark.parametrize(
    "header",
    ["0007 0001 0006 11", "0007 0000 0000 11", "0007 0000 0001 11", "0007 0000 00FF 11"],
)
def test_what_cannot_be_modbus_ends_the_connection(header: str) -> None:
    with pytest.raises(NotModbus, match=r"protocol \d and length"):
        on_tcp().feed(bytes.fromhex(header))


def test_the_longest_frame_is_taken() -> None:
    pdu = bytes((3, 251)) + bytes(251)
    assert on_tcp().feed(tcp_frame(7, 17, pdu)) == pdu


def test_a_late_answer_may_span_two_requests() -> None:
    answer = on_tcp(6)
    late = tcp_frame(6, 17, b"\x03\x02\0\1")
    assert answer.feed(late[:5]) is None
    ended = answer.given_up()
    assert ended is not None
    assert ended.kind == "short"
    answer.expect(7, 17)
    assert answer.feed(late[5:] + tcp_frame(7, 17, PDU)) == PDU
    assert answer.late == [6]


def test_what_was_seen_is_counted_once() -> None:
    answer = on_tcp()
    answer.feed(tcp_frame(6, 17, PDU) + tcp_frame(7, 18, PDU))
    answer.expect(8, 17)
    assert answer.seen == {}
    assert answer.given_up() is None


def test_an_earlier_answers_unfinished_rest_is_silence() -> None:
    """Else a peer that died within an answer would look alive for ever."""
    answer = on_tcp(6)
    answer.feed(tcp_frame(6, 17, PDU)[:5])
    answer.expect(7, 17)
    assert answer.given_up() is None


def test_only_another_unit_on_tcp_is_told() -> None:
    answer = on_tcp()
    answer.feed(tcp_frame(7, 18, PDU))
    ended = answer.given_up()
    assert ended is not None
    assert ended.kind == "foreign"


def test_endless_late_answers_take_no_memory() -> None:
    answer = on_tcp()
    for number in range(1000, 6000):
        assert answer.feed(tcp_frame(number, 17, PDU)) is None
    assert len(answer.late) <= LATE_KEPT + 1
    assert len(answer._heard) == 0
    assert answer.seen == {"stale": 5000}


def test_endless_foreign_frames_take_no_memory() -> None:
    answer = waiting()
    frame = rtu_frame(18, PDU)
    for _ in range(5000):
        assert answer.feed(frame) is None
    assert len(answer._heard) == 0


@settings(max_examples=400)
@given(st.binary(max_size=80), PLACES)
def test_no_stream_brings_tcp_to_anything_but_its_own_words(data: bytes, places: list[int]) -> None:
    answer = on_tcp()
    try:
        for chunk in cut(data, places):
            if (pdu := answer.feed(chunk)) is not None:
                assert data.find(tcp_frame(7, 17, pdu)) >= 0
    except NotModbus:
        pass
    assert len(answer._heard) <= 80


def _decoded(ask: Ask, make: Callable[[Ask], RtuAnswer], stream: bytes) -> object:
    pdu = make(ask).feed(stream)
    return None if pdu is None else tuple(cells_of(ask, pdu))


@given(st.integers(1, 247), st.integers(1, 125), st.data())
def test_every_register_comes_back_as_it_was_sent(
    unit: int, quantity: int, data: st.DataObject
) -> None:
    ask = Ask("d", unit, 3, data.draw(st.integers(0, 65_535 - quantity)), quantity)
    sent = data.draw(
        st.lists(st.integers(0, 65_535), min_size=quantity, max_size=quantity).map(tuple)
    )
    body = b"".join(word.to_bytes(2, "big") for word in sent)
    stream = rtu_frame(unit, bytes((3, len(body))) + body)
    assert _decoded(ask, waiting, stream) == sent

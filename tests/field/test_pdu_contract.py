"""What we rely on in the Modbus library: every call that `pdu.py` makes, against printed bytes.

The library's part is small: it makes requests and reads answers, whole PDUs. If an update breaks
one of these, look at `pdu.py` before anything else. Source of the bytes, unless said otherwise:
MODBUS Application Protocol V1.1b3 (2012), the section in the test's row.
"""

from __future__ import annotations

import ast
import copy
import importlib.metadata
import logging
from pathlib import Path

import pymodbus
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pymodbus.pdu import DecodePDU, ModbusPDU, ReadDeviceInformationRequest
from pymodbus.pdu.bit_message import (
    ReadCoilsRequest,
    ReadDiscreteInputsRequest,
    WriteMultipleCoilsRequest,
    WriteSingleCoilRequest,
)
from pymodbus.pdu.mei_message import ReadDeviceInformationResponse
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersRequest,
    ReadInputRegistersRequest,
    WriteMultipleRegistersRequest,
    WriteSingleRegisterRequest,
)

from linectl.errors import DeviceRefused, ForeignAnswer, Unreachable
from linectl.field import pdu as pdus
from linectl.field.asks import EXCEPTION_TEXT, Ask
from linectl.field.framing import rtu_frame, rtu_length
from linectl.field.pdu import (
    cells_of,
    identification,
    identify_pdu,
    request_pdu,
)
from linectl.registers.frames import pack_bits

COILS = "1011001111010110101"
"""6.1: coils 20–38; CD, 6B, 05 with the lowest bit first."""


def ask(function: int, address: int, quantity: int, *cells: int) -> Ask:
    return Ask("d", 17, function, address, quantity, cells)


PRINTED = [
    pytest.param(
        ask(1, 0x13, 19), "01 00 13 00 13", "01 03 CD 6B 05", [int(c) for c in COILS], id="6.1"
    ),
    pytest.param(
        ask(2, 0xC4, 22),
        "02 00 C4 00 16",
        "02 03 AC DB 35",
        [int(c) for c in "0011010111011011101011"],
        id="6.2",
    ),
    pytest.param(
        ask(3, 0x6B, 3), "03 00 6B 00 03", "03 06 02 2B 00 00 00 64", [555, 0, 100], id="6.3"
    ),
    pytest.param(ask(4, 8, 1), "04 00 08 00 01", "04 02 00 0A", [10], id="6.4"),
    pytest.param(ask(5, 0xAC, 1, 1), "05 00 AC FF 00", "05 00 AC FF 00", [], id="6.5"),
    pytest.param(ask(6, 1, 1, 3), "06 00 01 00 03", "06 00 01 00 03", [], id="6.6"),
    pytest.param(
        ask(15, 0x13, 10, 1, 0, 1, 1, 0, 0, 1, 1, 1, 0),
        "0F 00 13 00 0A 02 CD 01",
        "0F 00 13 00 0A",
        [],
        id="6.11",
    ),
    pytest.param(
        ask(16, 1, 2, 0x0A, 0x102),
        "10 00 01 00 02 04 00 0A 01 02",
        "10 00 01 00 02",
        [],
        id="6.12",
    ),
]


def test_the_installed_version_is_one_that_this_was_written_for() -> None:
    """Minor versions have changed data before: 3.16.0 was withdrawn, 3.17 is not known."""
    installed = importlib.metadata.version("pymodbus")
    assert installed == pymodbus.__version__
    major, minor, patch = (int(part) for part in installed.split(".")[:3])
    assert (major, minor) == (3, 16)
    assert patch >= 1
    needed = importlib.metadata.requires("linectl") or []
    assert any(line.startswith("pymodbus") and "<3.17" in line for line in needed)


def test_every_name_that_the_field_takes_from_the_library_is_held_here() -> None:
    def taken(file: str) -> set[tuple[str, str]]:
        tree = ast.parse(Path(file).read_text(encoding="utf-8"))
        return {
            (node.module, name.name)
            for node in ast.walk(tree)
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("pymodbus")
            for name in node.names
        }

    assert taken(pdus.__file__)
    assert taken(pdus.__file__) <= taken(__file__)


@pytest.mark.parametrize(("asked", "request_bytes", "answer", "cells"), PRINTED)
def test_requests_and_answers_are_as_printed(
    asked: Ask, request_bytes: str, answer: str, cells: list[int]
) -> None:
    assert request_pdu(asked) == bytes.fromhex(request_bytes)
    assert [int(cell) for cell in cells_of(asked, bytes.fromhex(answer))] == cells


def test_a_coil_that_goes_off_is_printed_so() -> None:
    assert request_pdu(ask(5, 0xAC, 1, 0)) == bytes.fromhex("05 00 AC 00 00")


@pytest.mark.parametrize(
    "make",
    [
        lambda: ReadCoilsRequest(address=0, count=9),
        lambda: ReadDiscreteInputsRequest(address=0, count=9),
        lambda: ReadHoldingRegistersRequest(address=0, count=9),
        lambda: ReadInputRegistersRequest(address=0, count=9),
        lambda: WriteSingleCoilRequest(address=0, bits=[True]),
        lambda: WriteSingleRegisterRequest(address=0, registers=[1]),
        lambda: WriteMultipleCoilsRequest(address=0, bits=[True, False]),
        lambda: WriteMultipleRegistersRequest(address=0, registers=[1, 2]),
        lambda: ReadDeviceInformationRequest(read_code=1, object_id=0),
    ],
)
def test_a_request_encodes_without_its_function_and_anew_each_time(make) -> None:
    request: ModbusPDU = make()
    first = request.encode()
    assert isinstance(first, bytes)
    assert len(first) >= 3
    assert request.encode() == first


@pytest.mark.parametrize(
    "asked",
    [
        ask(1, 0, 2001),
        ask(2, 0, 0),
        ask(3, 0, 126),
        ask(4, 0, 0),
        ask(3, 65_536, 1),
        ask(6, 0, 1, 65_536),
        ask(6, 0, 1, -1),
        ask(15, 0, 1969, *[0] * 1969),
        ask(16, 0, 124, *[0] * 124),
    ],
    ids=str,
)
def test_what_no_frame_can_carry_is_a_value_error(asked: Ask) -> None:
    with pytest.raises(ValueError):
        request_pdu(asked)


@pytest.mark.parametrize(
    "asked",
    [
        ask(1, 0, 2000),
        ask(3, 65_535, 1),
        ask(3, 0, 125),
        ask(6, 65_535, 1, 65_535),
        ask(15, 0, 1968, *[1] * 1968),
        ask(16, 0, 123, *[65_535] * 123),
    ],
    ids=str,
)
def test_the_longest_that_a_frame_can_carry_is_made(asked: Ask) -> None:
    assert len(request_pdu(asked)) <= 253


@given(st.lists(st.integers(0, 65_535), min_size=1, max_size=125))
def test_registers_keep_their_order_and_value(words: list[int]) -> None:
    body = b"".join(word.to_bytes(2, "big") for word in words)
    got = cells_of(ask(3, 0, len(words)), bytes((3, len(body))) + body)
    assert list(got) == words


@given(st.lists(st.booleans(), min_size=1, max_size=2000))
def test_bits_keep_their_order_and_the_padding_is_cut(bits: list[bool]) -> None:
    body = pack_bits(bits)
    got = cells_of(ask(1, 0, len(bits)), bytes((1, len(body))) + body)
    assert list(got) == bits


@given(st.lists(st.booleans(), min_size=2, max_size=200))
def test_coils_are_written_in_their_order(bits: list[bool]) -> None:
    packed = request_pdu(ask(15, 0, len(bits), *bits))[6:]
    assert packed == pack_bits(bits)


# Refusals and answers to other questions.


@pytest.mark.parametrize("code", sorted(EXCEPTION_TEXT))
def test_an_exception_is_a_refusal_with_its_code_and_words(code: int) -> None:
    with pytest.raises(DeviceRefused) as caught:
        cells_of(ask(3, 0, 1), bytes((0x83, code)))
    assert caught.value.code == code
    assert EXCEPTION_TEXT[code] in str(caught.value)


def test_an_exception_that_the_specification_does_not_know_is_still_one() -> None:
    for pdu in (b"\x83\x63", b"\x83"):
        with pytest.raises(DeviceRefused, match="no meaning in the specification"):
            cells_of(ask(3, 0, 1), pdu)


@pytest.mark.parametrize(
    ("asked", "answer", "what"),
    [
        (ask(3, 0, 1), "04 02 00 07", "function 4"),
        (ask(3, 0, 1), "84 02", "function 4"),
        (ask(3, 0, 1), "03 04 00 07 00 08", "2 registers"),
        (ask(3, 0, 1), "03 02 00", "0.5 registers"),
        (ask(3, 0, 1), "03 02 00 07 00", "1.5 registers"),
        (ask(3, 0, 1), "03", "registers"),
        (ask(1, 0, 9), "01 01 FF", "8 bits"),
        (ask(6, 1, 1, 3), "06 00 01 00 04", "echo of something else"),
        (ask(6, 1, 1, 3), "06 00 02 00 03", "address 2"),
        (ask(5, 1, 1, 1), "05 00 01 00 00", "echo of something else"),
        (ask(16, 1, 2, 3, 4), "10 00 01 00 01", "echo of something else"),
        (ask(16, 1, 2, 3, 4), "10 00 01 00 02 00", "echo of something else"),
        (ask(6, 1, 1, 3), "06", "echo"),
    ],
)
def test_an_answer_to_something_else_is_foreign(asked: Ask, answer: str, what: str) -> None:
    with pytest.raises(ForeignAnswer, match=what) as caught:
        cells_of(asked, bytes.fromhex(answer))
    assert caught.value.kind == "stale"


@settings(max_examples=300)
@given(st.binary(min_size=1, max_size=253))
def test_the_library_never_raises_on_junk(junk: bytes) -> None:
    decoded = DecodePDU(is_server=False).decode(junk)
    assert decoded is None or isinstance(decoded, ModbusPDU)


def test_junk_that_cannot_be_read_is_nothing() -> None:
    decoder = DecodePDU(is_server=False)
    for junk in ("03 08 00 01", "63 00 01", "00 00", "2B 0E 01"):
        assert decoder.decode(bytes.fromhex(junk)) is None


@settings(max_examples=300)
@given(
    st.sampled_from([ask(1, 0, 9), ask(3, 0, 2), ask(6, 1, 1, 3), ask(16, 1, 2, 3, 4)]),
    st.binary(min_size=1, max_size=253),
    st.booleans(),
)
def test_junk_ends_in_our_own_words_or_fits_the_question(
    asked: Ask, junk: bytes, same: bool
) -> None:
    pdu = bytes((asked.function,)) + junk if same else junk
    try:
        cells = cells_of(asked, pdu)
    except Unreachable:
        return
    assert len(cells) == (0 if asked.cells else asked.quantity)


def test_an_answer_is_not_held_by_the_decoder() -> None:
    """Two answers of one decoder share nothing, and a list that we hand in does not grow."""
    first = cells_of(ask(3, 0, 2), bytes.fromhex("03 04 00 01 00 02"))
    kept = copy.copy(first)
    second = cells_of(ask(3, 0, 2), bytes.fromhex("03 04 00 03 00 04"))
    assert list(first) == list(kept) == [1, 2]
    assert list(second) == [3, 4]
    cells = (1, 0, 1)
    asked = ask(15, 0, 3, *cells)
    request_pdu(asked)
    assert asked.cells == cells
    bits = [True, False, True]
    WriteMultipleCoilsRequest(address=0, bits=bits).encode()
    assert bits == [True, False, True]


def test_the_library_says_nothing_by_itself(
    capfd: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.DEBUG):
        decoder = DecodePDU(is_server=False)
        assert decoder.decode(bytes.fromhex("63 00 01")) is None
        assert decoder.decode(bytes.fromhex("03 08 00 01")) is None
        with pytest.raises(ValueError):
            request_pdu(ask(3, 0, 126))
    said = capfd.readouterr()
    assert (said.out, said.err, caplog.records) == ("", "", [])


# Identification, 6.21; its printed answer has wrong lengths and is no vector: ours is written here.

VENDOR, CODE, REVISION = b"Example Works", b"XC-4", b"V1.2"


def identified(*objects: tuple[int, bytes], more: int = 0, following: int = 0) -> bytes:
    body = b"".join(bytes((number, len(text))) + text for number, text in objects)
    return bytes((0x2B, 0x0E, 0x01, 0x81, more, following, len(objects))) + body


def test_the_identification_is_asked_for_as_printed() -> None:
    assert identify_pdu(0) == bytes.fromhex("2B 0E 01 00")
    assert identify_pdu(2) == bytes.fromhex("2B 0E 01 02")


def test_an_identification_is_read_whole() -> None:
    objects, following = identification(identified((0, VENDOR), (1, CODE), (2, REVISION)))
    assert objects == {0: VENDOR, 1: CODE, 2: REVISION}
    assert following is None


def test_an_identification_that_goes_on_says_where() -> None:
    objects, following = identification(identified((0, VENDOR), more=0xFF, following=1))
    assert objects == {0: VENDOR}
    assert following == 1


def test_an_object_told_twice_keeps_both() -> None:
    objects, _ = identification(identified((0, b"one"), (0, b"two")))
    assert objects == {0: b"one two"}


@pytest.mark.parametrize("pdu", ["2B", "2B 0E 01 81", "2B 0D 01 81 00 00 00", "AB 01", "03 02 01"])
def test_what_is_no_identification_is_a_value_error(pdu: str) -> None:
    with pytest.raises(ValueError, match="no identification"):
        identification(bytes.fromhex(pdu))


@settings(max_examples=300)
@given(st.binary(max_size=250))
def test_no_junk_brings_an_identification_to_anything_else(junk: bytes) -> None:
    try:
        objects, following = identification(b"\x2b\x0e\x01" + junk)
    except ValueError:
        return
    assert all(isinstance(value, bytes) for value in objects.values())
    assert following is None or 0 <= following <= 255


def test_an_identification_is_its_own_class_and_as_long_as_we_walk_it() -> None:
    frame = rtu_frame(17, identified((0, VENDOR), (1, CODE), (2, REVISION)))
    assert rtu_length(frame) == len(frame)
    assert isinstance(DecodePDU(is_server=False).decode(frame[1:-2]), ReadDeviceInformationResponse)

"""Addresses as people write them: protocol addresses, reference numbers, and never one off.

Item n of a table has the protocol address n−1: MODBUS Application Protocol V1.1b3 (2012), 4.4.
The digits 0, 1, 3 and 4 in front are common practice, no source.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linectl.site.notation import (
    DIGIT,
    LAST_ADDRESS,
    Table,
    address_range,
    both_ways,
    lookalike,
    protocol_address,
    reference,
)

TABLES = st.sampled_from(list(DIGIT))
ADDRESSES = st.integers(0, LAST_ADDRESS)


@given(TABLES, ADDRESSES)
def test_every_address_written_as_a_reference_number_is_read_back(table: Table, address: int):
    assert protocol_address(table, reference(table, address), "reference") == address
    assert protocol_address(table, f"{DIGIT[table]}{address + 1:05d}", "reference") == address
    assert protocol_address(table, f"item {address + 1}", "reference") == address
    assert protocol_address(table, str(address), "protocol") == address


@given(TABLES, ADDRESSES)
def test_no_text_means_two_neighbouring_addresses_in_the_two_notations(table: Table, address: int):
    """What one notation reads, the other refuses or reads far away: never one register off."""
    text = reference(table, address)
    if int(text) <= LAST_ADDRESS:
        assert table == "coil" or abs(protocol_address(table, text, "protocol") - address) >= 9_999


@given(TABLES, st.integers(0, 9_999))
def test_four_digits_are_never_a_reference_number(table: Table, number: int):
    with pytest.raises(ValueError, match="not a reference number"):
        protocol_address(table, str(number), "reference")


@pytest.mark.parametrize(
    ("table", "text", "address"),
    [
        ("holding", "40001", 0),
        ("holding", "40018", 17),
        ("holding", "400018", 17),
        ("holding", "49999", 9_998),
        ("holding", "410000", 9_999),
        ("holding", "465536", 65_535),
        ("input", "30002", 1),
        ("discrete", "10018", 17),
        ("coil", "00018", 17),
        ("coil", "000018", 17),
        ("coil", "Item 18", 17),
    ],
)
def test_reference_numbers_of_five_and_six_digits(table: Table, text: str, address: int):
    assert protocol_address(table, text, "reference") == address


@pytest.mark.parametrize(
    ("table", "text", "says"),
    [
        ("holding", "30018", "30018 is input 17 (reference 30018), but the row says table holding"),
        ("holding", "17",
         "if it is item 17, write 40017; if it is protocol address 17, write 40018"),
        ("holding", "0", "if it is protocol address 0, write 40001"),
        ("holding", "40000", "is item 0, and items are counted from one: 40001 is the first"),
        ("holding", "465537", "write five or six digits, 40001 for its first item"),
        ("holding", "4000018", "write five or six digits"),
        ("holding", "item 0", "items are counted from one"),
        ("holding", "item 65537", "ends with item 65536"),
        ("holding", "18a", "'18a' is not a whole number"),
        ("holding", "٤٠٠١٨", "is not a whole number"),
        ("coil", "18", "a spreadsheet eats leading zeros; if it is item 18, write `item 18`"),
        ("coil", "18", "if it is protocol address 18, write `item 19`"),
        ("coil", "10018", "eaten the zero of coil 010018, write `item 10018` (protocol address 10"),
    ],
)  # fmt: skip
def test_what_is_no_reference_number_is_refused_with_what_to_write(
    table: Table, text: str, says: str
):
    with pytest.raises(ValueError) as caught:
        protocol_address(table, text, "reference")
    assert says in str(caught.value)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("70000", "address 70000 is outside 0–65535 (protocol address; the manual's 40001 is 0)"),
        ("400018", "as a reference number it is holding 17 (reference 40018)"),
        ("item 18", "from one, but this device's addresses are protocol addresses; write 17"),
        ("-1", "'-1' is not a whole number"),
    ],
)  # fmt: skip
def test_what_is_no_protocol_address_is_refused_with_what_to_write(text: str, says: str):
    with pytest.raises(ValueError) as caught:
        protocol_address("holding", text, "protocol")
    assert says in str(caught.value)


def test_a_number_is_like_a_reference_number_only_of_a_table_it_could_be_mistaken_for():
    assert lookalike("holding", "40018") == ("holding", 17)
    assert lookalike("holding", "30018") == ("input", 17)
    assert lookalike("coil", "00018") == ("coil", 17)
    assert lookalike("coil", "10018") == ("discrete", 17)
    assert lookalike("holding", "10018") is None
    assert lookalike("holding", "40000") is None
    assert lookalike("holding", "17") is None


def test_an_address_is_shown_both_ways_and_several_as_a_span():
    assert both_ways("holding", 17) == "holding 17 (reference 40018)"
    assert both_ways("coil", 9_999) == "coil 9999 (reference 010000)"
    assert both_ways("input", 3, 2) == "input 3–4 (reference 30004–30005)"


def test_ranges_are_read_in_the_devices_notation():
    assert address_range("holding", "0-63", "protocol") == range(64)
    assert address_range("holding", "40001–40064", "reference") == range(64)
    assert address_range("coil", "item 1 - item 8", "reference") == range(8)
    assert address_range("holding", "7", "protocol") == range(7, 8)
    with pytest.raises(ValueError, match="runs backwards"):
        address_range("holding", "63-0", "protocol")
    with pytest.raises(ValueError, match="is not a whole number"):
        address_range("holding", "0-", "protocol")

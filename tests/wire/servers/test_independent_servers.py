"""A wire of the field, answered by servers of other hands; one set of statements for all."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from linectl.errors import DeviceRefused, LinkDown, Silent
from linectl.field.modbus import Ask, Wire

pytestmark = pytest.mark.wire

UNIT, CELLS = 17, 64
"""The servers' unit number (conftest.py) and the cells of each of their tables."""


@pytest.fixture
def wire(server: Any) -> Iterator[Wire]:
    opened = Wire("peer", server.bus, *server.where())
    opened.open()
    yield opened
    opened.close()


def ask(function: int, address: int, quantity: int = 1, cells: tuple[int, ...] = ()) -> Ask:
    return Ask("peer", UNIT, function, address, quantity, cells)


def read(wire: Wire, function: int, address: int, quantity: int = 1) -> list[int]:
    return [int(cell) for cell in wire.read(ask(function, address, quantity))]


# The functions of MODBUS Application Protocol V1.1b3, 6.1 to 6.4.
CELLS_OF = {
    (1, "coil"): [1, 0, 1, 1, 0, 0, 1, 1, 1, 0, 1],
    (2, "discrete"): [0, 1, 1, 0, 0, 0, 0, 1, 1],
    (3, "holding"): [0, 1, 0x8000, 0xFFFF],
    (4, "input"): [0xABCD, 0x1234, 0x00FF],
}


def test_each_table_is_read_with_its_function(server: Any, wire: Wire) -> None:
    for (_, table), cells in CELLS_OF.items():
        server.put(table, 3, cells)
    for (function, _), cells in CELLS_OF.items():
        assert read(wire, function, 3, len(cells)) == cells
        assert read(wire, function, 4) == cells[1:2]
        assert read(wire, function, CELLS - 1) == [0]


# V1.1b3, 6.5, 6.6, 6.11 and 6.12.
def test_each_write_arrives_where_it_was_sent(server: Any, wire: Wire) -> None:
    wire.write(ask(5, 9, 1, (1,)))
    wire.write(ask(6, 9, 1, (0xA55A,)))
    wire.write(ask(15, 19, 10, (1, 0, 1, 1, 0, 0, 1, 1, 1, 0)))
    wire.write(ask(16, 20, 3, (1, 0x8000, 0xFFFF)))
    assert server.get("coil", 8, 3) == [0, 1, 0]
    assert server.get("coil", 18, 12) == [0, 1, 0, 1, 1, 0, 0, 1, 1, 1, 0, 0]
    assert server.get("holding", 8, 3) == [0, 0xA55A, 0]
    assert server.get("holding", 19, 5) == [0, 1, 0x8000, 0xFFFF, 0]
    wire.write(ask(5, 9, 1, (0,)))
    assert server.get("coil", 9, 1) == [0]


# V1.1b3, 7: exception 02 where an address is not there.
def test_an_address_that_is_not_there_is_exception_2(server: Any, wire: Wire) -> None:
    for wrong in (ask(1, CELLS), ask(2, CELLS - 1, 2), ask(3, CELLS - 3, 4), ask(4, 65535)):
        with pytest.raises(DeviceRefused, match="no such address") as refused:
            wire.read(wrong)
        assert refused.value.code == 2
    for wrong in (ask(5, CELLS, 1, (1,)), ask(16, CELLS - 1, 2, (1, 2))):
        with pytest.raises(DeviceRefused) as refused:
            wire.write(wrong)
        assert refused.value.code == 2
    assert read(wire, 3, 0) == [0]


# V1.1b3, 7: 01–06, 08, 0A, 0B.
def test_every_exception_comes_with_its_code_and_words_of_its_own(server: Any, wire: Wire) -> None:
    assert sorted(server.refusals.values()) == [1, 2, 3, 4, 5, 6, 8, 10, 11]
    words = set()
    for address, code in server.refusals.items():
        for exchange in (
            lambda at: wire.write(ask(6, at, 1, (7,))),
            lambda at: wire.write(ask(16, at, 2, (7, 8))),
            lambda at: wire.read(ask(3, at)),
        ):
            with pytest.raises(DeviceRefused) as refused:
                exchange(address)
            assert refused.value.code == code
        words.add(str(refused.value).rpartition(f"exception {code}")[2])
    assert len(words) == len(server.refusals)
    assert read(wire, 3, 0) == [0]


def test_a_server_that_vanishes_is_missed_and_found_again(server: Any, wire: Wire) -> None:
    server.put("holding", 0, [1])
    assert read(wire, 3, 0) == [1]
    server.vanish()
    with pytest.raises((LinkDown, Silent)):
        for _ in range(3):  # a server may answer once more while it goes
            wire.read(ask(3, 0))
    wire.close()
    with pytest.raises(LinkDown):
        wire.open()
    server.come_back()
    server.put("holding", 0, [2])
    wire.open()
    assert read(wire, 3, 0) == [2]


def test_a_server_that_says_nothing_is_silent_until_it_speaks(server: Any, wire: Wire) -> None:
    server.put("holding", 0, [1, 2])
    server.deaf = True
    with pytest.raises(Silent):
        wire.read(ask(3, 0))
    server.deaf = False
    assert read(wire, 3, 1) == [2]
    assert read(wire, 3, 0) == [1]


# MODBUS over Serial Line V1.02, 2.2: only the unit that is addressed answers.
@pytest.mark.parametrize("name", ["libmodbus_rtu", "libmodbus_converter"])
def test_a_unit_that_is_not_on_the_line_is_silent(
    name: str, request: pytest.FixtureRequest
) -> None:
    server = request.getfixturevalue(name)
    server.put("holding", 0, [1])
    wire = Wire("peer", server.bus, *server.where())
    wire.open()
    with pytest.raises(Silent):
        wire.read(Ask("absent", UNIT + 1, 3, 0, 1))
    assert read(wire, 3, 0) == [1]
    wire.close()

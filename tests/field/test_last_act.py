"""The last act of a bus: safe values to every device, though an answer is lost on the way."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from linectl.errors import LinkDown, Silent
from linectl.field.bus import FieldBus
from linectl.site.load import load_site

SMALL = Path(__file__).parents[2] / "config" / "small"


class Cabinet:
    """Modbus TCP devices that hold what they are told, and read as 0."""

    def __init__(self) -> None:
        self.held: dict[tuple[int, int, int], int] = {}
        self.lose = 0
        self.refused: set[int] = set()
        self.asked = 0

    def answers(self, request: bytes) -> list[tuple[float, bytes]]:
        self.asked += 1
        if self.lose:
            self.lose -= 1
            return []
        unit, function, pdu = request[6], request[7], request[7:]
        address, count = int.from_bytes(pdu[1:3], "big"), int.from_bytes(pdu[3:5], "big")
        if function in self.refused:
            answer = bytes((function | 0x80, 4))
        elif function in (1, 2, 3, 4):
            size = -(-count // 8) if function < 3 else 2 * count
            answer = bytes((function, size)) + bytes(size)
        else:
            answer = pdu[:5]
            table = 0 if function in (5, 15) else 3
            for k in range(1 if function in (5, 6) else count):
                self.held[unit, table, address + k] = self._cell(function, pdu, k)
        return [(0.002, request[:4] + (len(answer) + 1).to_bytes(2, "big") + request[6:7] + answer)]

    @staticmethod
    def _cell(function: int, pdu: bytes, k: int) -> int:
        if function in (5, 6):
            return int.from_bytes(pdu[3:5], "big")
        if function == 15:
            return pdu[6 + k // 8] >> k % 8 & 1
        return int.from_bytes(pdu[6 + 2 * k : 8 + 2 * k], "big")


@pytest.fixture
def bus(played: Callable[..., Any]) -> tuple[FieldBus, Cabinet, Any]:
    """The small site's cabinets, found and good; what they hold has been made up since."""
    _, link = played()
    cabinet = Cabinet()
    link.answers = cabinet.answers
    found = FieldBus(load_site(SMALL), "io", "h", 1, lambda: round(link.now_s * 1000))
    found._wire._link = link
    assert found._open()
    for _ in range(3):
        for device in found.devices:
            found._poll(device)
        found._writing.pending()
    assert all(device.snapshot.good for device in found.devices)
    for place in cabinet.held:
        cabinet.held[place] = 77
    return found, cabinet, link


def test_every_output_is_told_its_safe_value(bus: tuple[FieldBus, Cabinet, Any]) -> None:
    found, cabinet, _ = bus
    assert cabinet.held
    found.stop()
    found._writing.last_act()
    assert 77 not in cabinet.held.values()


def test_one_lost_answer_does_not_leave_a_device_as_it_was(
    bus: tuple[FieldBus, Cabinet, Any],
) -> None:
    found, cabinet, _ = bus
    found.stop()
    cabinet.lose = 1
    found._writing.last_act()
    assert 77 not in cabinet.held.values()


@pytest.mark.parametrize(("refused", "table"), [({5, 15}, 3), ({6, 16}, 0)])
def test_what_a_device_refuses_keeps_no_other_output_as_it_was(
    bus: tuple[FieldBus, Cabinet, Any], refused: set[int], table: int
) -> None:
    found, cabinet, _ = bus
    found.stop()
    cabinet.refused = refused
    found._writing.last_act()
    left = {place[1] for place, cell in cabinet.held.items() if cell == 77}
    assert left == {3 - table}


def test_a_refused_block_keeps_no_other_from_its_refresh(
    bus: tuple[FieldBus, Cabinet, Any],
) -> None:
    found, cabinet, link = bus
    cabinet.refused = {5, 15}
    (sower,) = (device for device in found.devices if device.name == "io_sower")
    assert not found._writing.refresh(sower)
    assert all(cell != 77 for place, cell in cabinet.held.items() if place[:2] == (1, 3))
    assert sower.refresh_at_ms > link.now_s * 1000


def test_a_dead_device_is_asked_twice_and_no_more(bus: tuple[FieldBus, Cabinet, Any]) -> None:
    found, cabinet, link = bus
    found.stop()
    cabinet.asked, cabinet.lose = 0, 1000
    began_s = link.now_s
    found._writing.last_act()
    assert cabinet.asked <= 2 * len(found.devices)
    assert link.now_s - began_s <= 2 * len(found.devices) * 0.11


def test_a_link_that_breaks_in_the_last_act_ends_it(bus: tuple[FieldBus, Cabinet, Any]) -> None:
    found, _, link = bus
    found.stop()

    def broken(data: bytes, limit_s: float) -> None:
        link.close()
        raise LinkDown("pulled")

    link.send = broken
    found._writing.last_act()
    assert not found._wire.is_open


def test_a_device_that_does_not_answer_is_told_all_the_same_after_the_others(
    bus: tuple[FieldBus, Cabinet, Any],
) -> None:
    """Its answers may be what is lost: so one frame is sent to it, when nobody waits any more."""
    found, cabinet, link = bus
    first = found.devices[0]
    while not first.demoted:
        first.failed(Silent("no answer"), 0)
    asked: list[int] = []
    answers = cabinet.answers

    def noted(request: bytes) -> list[tuple[float, bytes]]:
        asked.append(request[6])
        return answers(request)

    link.answers = noted
    found.stop()
    found._writing.last_act()
    units = [device.unit for device in found.devices]
    assert list(dict.fromkeys(asked)) == [*units[1:], units[0]]
    assert 77 not in cabinet.held.values()

"""S33: the claim in a device: of two controllers on two computers one writes, or none."""

from __future__ import annotations

import itertools
import socket

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linectl.field.device_claim import (
    CONTESTED,
    NOBODY,
    WATCH_MS,
    DeviceClaim,
    Mark,
    own_mark,
    told,
)
from linectl.site.hardware import CLAIM_BEAT_MS, Device

FACTS = Device.model_validate({"bus": "b", "unit": 7, "silent_after": "200ms", "claim": "90"})
NORTH, SOUTH = Mark(0xC0000207, 4711), Mark(0xC0000208, 815)  # 192.0.2.7 and .8: RFC 5737


class Registers:
    """The device's four registers, and the controllers that look at them."""

    def __init__(self):
        self.cells = NOBODY
        self.now = 0

    def controller(self, mark, beat=0):
        return DeviceClaim("drive", FACTS, 90, mark, beat)

    def look(self, claim, arrives=True):
        """One look and what follows from it."""
        wanted = claim.found(self.cells, self.now)
        if wanted is not None and arrives:
            self.cells = wanted
        return claim.state

    def beats(self, *claims, count=1):
        for _ in range(count):
            self.now += CLAIM_BEAT_MS
            for claim in claims:
                self.look(claim)


@pytest.fixture
def device():
    return Registers()


def begun(device, mark=NORTH, beat=0):
    """A controller that writes to the device."""
    claim = device.controller(mark, beat)
    device.beats(claim, count=2)
    assert claim.ours
    return claim


def test_a_device_of_nobody_is_ours_when_our_mark_has_been_read_back(device):
    north = device.controller(NORTH)
    assert not north.ours
    assert device.look(north) == "taken"
    assert not north.ours
    device.beats(north)
    assert north.ours
    before = device.cells[3]
    device.beats(north, count=3)
    assert device.cells == (0xC000, 0x0207, 4711, before + 3)


def test_a_second_controller_writes_nothing_and_says_who_is_there(device):
    north, south = begun(device), device.controller(SOUTH)
    assert device.look(south) == "watching"
    device.beats(north, south)
    assert (north.state, south.state) == ("ours", "theirs")
    assert south.trouble == (
        "drive carries the claim of a controller at 192.0.2.7 (process 4711), and its beat moves"
    )
    device.beats(north, south, count=50)
    assert (north.ours, south.theirs) == (True, True)
    assert not south.was_ours  # so no last word of its either


def test_what_a_dead_controller_has_left_is_taken_when_it_has_stood_still_long_enough(device):
    begun(device)
    south = device.controller(SOUTH)
    looks = WATCH_MS // CLAIM_BEAT_MS
    device.beats(south, count=looks)
    assert south.state == "watching"
    device.beats(south, count=2)
    assert south.ours


def test_what_was_left_in_order_is_taken_at_once(device):
    device.cells = begun(device).release().cells
    begun(device, SOUTH)


def test_a_claim_that_was_not_taken_is_not_ours_though_we_wrote_it(device):
    begun(device)
    left, south = device.cells, device.controller(SOUTH)
    for _ in range(40):
        device.beats(south)
        device.cells = left  # it answers, and keeps what it has
        assert not south.ours


def test_of_two_that_begin_together_one_writes(device):
    north, south = device.controller(NORTH), device.controller(SOUTH)
    first, second = (claim.found(device.cells, 0) for claim in (north, south))
    device.cells = first
    device.cells = second  # both had read nobody's
    device.beats(north, south)
    assert (north.state, south.state) == ("watching", "ours")
    device.beats(north, south, count=20)
    assert (north.state, south.state) == ("theirs", "ours")


def test_another_in_the_place_of_ours_ends_both_for_good(device):
    north, south = begun(device), begun(Registers(), SOUTH)
    device.cells = SOUTH.cells(99)  # it has not looked
    device.beats(north)
    assert north.state == "contested"
    assert "another controller writes to drive" in north.trouble
    assert "192.0.2.8" in north.trouble
    assert device.cells == CONTESTED
    assert not north.was_ours
    device.beats(south)
    assert south.state == "contested"
    device.beats(north, south, count=50)
    assert device.cells == CONTESTED
    assert not north.ours and not south.ours
    third = device.controller(Mark(0xC0000209, 1))
    device.beats(third, count=WATCH_MS // CLAIM_BEAT_MS + 3)
    assert third.ours  # a controller that is started anew goes on


@pytest.mark.parametrize("lost", list(itertools.product([True, False], repeat=4)))
def test_writes_that_do_not_arrive_are_no_other_controller(device, lost):
    north = begun(device)
    for missing in lost:
        device.now += CLAIM_BEAT_MS
        assert device.look(north, arrives=not missing) == "ours"
    device.beats(north)
    assert north.ours


def test_a_lost_device_is_looked_at_before_it_is_written_to_and_is_ours_if_nobody_came(device):
    north = begun(device)
    north.lost()
    assert (north.ours, north.due_ms, north.was_ours) == (False, 0, True)
    assert device.look(north) == "ours"


def test_a_lost_device_that_another_has_taken_is_the_others(device):
    north = begun(device)
    north.lost()
    south = device.controller(SOUTH)
    device.beats(south, count=WATCH_MS // CLAIM_BEAT_MS + 3)
    assert south.ours
    device.beats(north, south, count=3)
    assert (north.state, south.state) == ("theirs", "ours")
    assert not north.was_ours  # its last word is the other's now


def test_a_device_that_has_lost_its_memory_stays_ours(device):
    north = begun(device)
    device.cells = NOBODY
    device.beats(north)
    assert north.ours
    assert device.cells[:3] == NORTH.cells(0)[:3]


def test_the_beat_wraps(device):
    north = begun(device, beat=0xFFFD)
    device.beats(north, count=4)
    assert (north.ours, device.cells[3]) == (True, 3)


def test_a_mark_is_an_address_or_says_that_there_is_none(monkeypatch):
    assert own_mark("127.0.0.1").who == 0x7F000001

    def no_way(*arguments):
        raise OSError("network is unreachable")

    monkeypatch.setattr(socket, "socket", no_way)
    nameless = own_mark("192.0.2.7")
    assert nameless.who >> 28 == 0xF
    assert told(nameless.cells(1)).startswith(f"the claim of a controller of mark {nameless.who:X}")
    assert told(CONTESTED) == "the mark that two controllers met here"


LOOKS = st.lists(
    st.tuples(st.sampled_from(["north", "south", "lose north", "lose south"]), st.booleans()),
    max_size=80,
)


@given(LOOKS)
def test_two_never_both_believe_in_turn_that_it_is_theirs(looks):
    """Looks in any order, a beat apart, writes that may not arrive: whoever looks and finds itself
    the owner has not been written over since its own last look, or stops."""
    device = Registers()
    claims = {"north": device.controller(NORTH), "south": device.controller(SOUTH, 500)}
    for what, arrives in looks:
        name = what.removeprefix("lose ")
        claim = claims[name]
        if what != name:
            claim.lost()
            continue
        device.now += CLAIM_BEAT_MS // 2
        before = device.cells
        device.look(claim, arrives)
        if claim.ours:
            assert before[:3] in (NOBODY[:3], claim._mark.cells(0)[:3])

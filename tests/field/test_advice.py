"""What to check next: for every kind of trouble, in a technician's words, fitting the bus."""

from __future__ import annotations

import pytest

from linectl.field.advice import KINDS, MEANING, advice, meaning, place, sentence
from linectl.registers.frames import READ_HOLDING, WRITE_REGISTER, WRITE_REGISTERS
from linectl.site.hardware import RtuBus, SerialLine, TcpBus, TlsBus

TIMES = {"poll": "100ms", "timeout": "50ms"}
BUSES = {
    "serial": RtuBus(kind="rtu", port="/dev/serial/by-id/line", **TIMES),
    "converter": TcpBus(kind="tcp", host="192.0.2.1", framing="rtu", line=SerialLine(), **TIMES),
    "gateway": TcpBus(kind="tcp", host="192.0.2.1", line=SerialLine(), **TIMES),
    "network": TcpBus(kind="tcp", host="192.0.2.1", **TIMES),
    "secure": TlsBus(
        kind="tls", host="192.0.2.1", authority="a.pem", certificate="c.pem", key="k.pem", **TIMES
    ),
}
WIRED = ("serial", "converter", "gateway")


@pytest.mark.parametrize("name", BUSES)
def test_each_kind_of_bus_is_known_for_what_lies_between(name):
    assert place(BUSES[name]) == name


@pytest.mark.parametrize("name", BUSES)
@pytest.mark.parametrize("kind", [*KINDS, "refused_7", "something new"])
def test_every_trouble_on_every_bus_has_words_and_steps(kind, name):
    steps = advice(kind, BUSES[name])
    assert steps
    assert len(set(steps)) == len(steps)
    assert meaning(kind)
    assert sentence(kind, BUSES[name]).startswith("check ")
    for step in steps:
        assert len(step) < 200
        assert not step.endswith(".")


def test_the_kinds_are_those_that_errors_are_counted_under():
    assert {f"refused_{code}" for code in (1, 2, 3, 4, 5, 6, 8, 10, 11)} < set(KINDS)
    assert {"link_down", "silent", "crc", "short", "foreign", "stale"} < set(KINDS)
    assert {"echo", "noise", "late", "not_taken"} < set(MEANING)


def _said(kind, name, **how):
    return " ".join(advice(kind, BUSES[name], **how))


@pytest.mark.parametrize(
    "word", ["power", "unit number", "A and B", "baud, parity", "termination", "timeout"]
)
def test_a_silent_device_on_a_serial_line_is_looked_for_from_power_to_termination(word):
    assert word in _said("silent", "serial")


@pytest.mark.parametrize("name", ["network", "secure"])
@pytest.mark.parametrize("kind", KINDS)
def test_nobody_is_sent_to_terminals_that_a_network_device_has_not(kind, name):
    if kind in ("refused_10", "refused_11"):
        return  # a gateway's words: then there is a line behind it
    for word in ("A and B", "termination", "baud", "bias"):
        assert word not in _said(kind, name)


def test_damage_on_a_line_points_at_its_ends_its_speed_and_its_neighbours():
    said = _said("crc", "serial")
    for word in ("termination", "bias", "baud", "motor"):
        assert word in said


def test_an_unknown_address_is_first_of_all_a_map_off_by_one():
    first = advice("refused_2", BUSES["network"], READ_HOLDING)[0]
    assert "off by one" in first
    at_end = advice("refused_2", BUSES["network"], READ_HOLDING, end_of_range=True)[0]
    assert "one too high" in at_end


@pytest.mark.parametrize(
    ("function", "word"), [(WRITE_REGISTER, "multiple"), (WRITE_REGISTERS, "single")]
)
def test_a_refused_write_names_the_other_write_function(function, word):
    assert f"`write: {word}`" in advice("refused_1", BUSES["serial"], function)[0]
    assert "write:" not in _said("refused_1", "serial", function=READ_HOLDING)


def test_a_gateway_that_finds_nobody_sends_one_to_the_line_behind_it():
    said = _said("refused_11", "gateway")
    for word in ("power", "unit number", "A and B", "termination"):
        assert word in said
    assert "table of units" in _said("refused_10", "gateway")


def test_a_refused_certificate_is_looked_for_where_tls_is():
    assert "certificates" in _said("link_down", "secure")
    assert "certificates" not in _said("link_down", "network")


def test_a_write_without_effect_asks_for_local_remote_and_enable():
    said = _said("not_taken", "serial")
    for word in ("local or remote", "enable", "off by one", "second master"):
        assert word in said

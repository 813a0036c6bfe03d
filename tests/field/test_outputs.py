"""What is written next: safe-going first, set-points, then on; nothing starts by itself."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linectl.field.modbus import Ask
from linectl.field.outputs import DeviceOutputs
from linectl.image import Value

OutputsOf = Callable[..., DeviceOutputs]

COIL = {"table": "coil", "type": "bool"}
RUN, GATE = COIL | {"address": 0}, COIL | {"address": 1}
SPEED = {"table": "holding", "address": 0, "type": "u16"}


def told(outputs: DeviceOutputs) -> list[tuple[int, int, tuple[int, ...]]]:
    """Every change in order as (function, address, cells), each taken by the device."""
    asks: list[Ask] = []
    while ask := outputs.next_change():
        outputs.done(ask)
        asks.append(ask)
        assert len(asks) < 50
    return [(ask.function, ask.address, ask.cells) for ask in asks]


def settled(outputs: DeviceOutputs, *values: Value) -> DeviceOutputs:
    """The device holds these; the line has demanded safe before, as it must."""
    outputs.demand(tuple(False if isinstance(value, bool) else 0 for value in values))
    told(outputs)
    outputs.demand(values)
    told(outputs)
    return outputs


def test_the_first_thing_a_device_is_told_is_safe(outputs_of: OutputsOf) -> None:
    rows = [RUN, GATE | {"safe": 1}, SPEED | {"safe": 30}]
    assert told(outputs_of(rows)) == [(15, 0, (0, 1)), (6, 0, (30,))]


def test_off_goes_before_set_points_before_on(outputs_of: OutputsOf) -> None:
    outputs = settled(outputs_of([RUN, SPEED, GATE]), True, 250, False)
    outputs.demand((False, 400, True))
    assert told(outputs) == [(5, 0, (0,)), (6, 0, (400,)), (5, 1, (1,))]


def test_off_goes_alone_though_its_neighbour_goes_on(outputs_of: OutputsOf) -> None:
    outputs = settled(outputs_of([RUN, GATE, COIL | {"address": 2}]), True, False, True)
    outputs.demand((False, True, False))
    # The neighbour between two coils that go off is written as it stands, not as it will be.
    assert told(outputs) == [(15, 0, (0, 0, 0)), (5, 1, (1,))]


def test_a_set_point_is_there_before_its_drive_runs(outputs_of: OutputsOf) -> None:
    outputs = settled(outputs_of([RUN, SPEED]), False, 0)
    outputs.demand((True, 250))
    assert told(outputs) == [(6, 0, (250,)), (5, 0, (1,))]


def test_bits_of_a_register_are_written_as_one_word(outputs_of: OutputsOf) -> None:
    bit = {"table": "holding", "address": 4, "type": "bool"}
    rows = [bit | {"bit": 0}, bit | {"bit": 3}, bit | {"bit": 8}]
    outputs = settled(outputs_of(rows), True, True, False)
    assert outputs.refresh()[0].cells == (0x0009,)
    outputs.demand((False, True, True))
    assert told(outputs) == [(6, 4, (0x0008,)), (6, 4, (0x0108,))]


def test_nothing_is_written_when_nothing_changed(outputs_of: OutputsOf) -> None:
    outputs = settled(outputs_of([RUN, SPEED]), True, 250)
    outputs.demand((True, 250))
    assert outputs.next_change() is None


def test_a_refresh_tells_everything(outputs_of: OutputsOf) -> None:
    outputs = settled(outputs_of([RUN, GATE, SPEED]), True, False, 250)
    asks = [(ask.function, ask.address, ask.cells) for ask in outputs.refresh()]
    assert asks == [(15, 0, (1, 0)), (6, 0, (250,))]


@pytest.mark.parametrize(("write", "functions"), [("single", {5, 6}), ("multiple", {15, 16})])
def test_only_the_functions_a_device_has_are_used(
    outputs_of: OutputsOf, write: str, functions: set[int]
) -> None:
    outputs = outputs_of([RUN, GATE, SPEED], write=write)
    asks = {ask.function for ask in outputs.refresh()}
    asks |= {function for function, _, _ in told(outputs)}
    outputs.demand((True, True, 5))
    assert asks | {function for function, _, _ in told(outputs)} == functions


def test_what_was_demanded_before_a_loss_does_not_come_back(outputs_of: OutputsOf) -> None:
    outputs = settled(outputs_of([RUN, GATE]), True, True)
    outputs.forget()
    outputs.demand((True, True))
    assert told(outputs) == [(15, 0, (0, 0))]
    outputs.demand((True, False))
    assert told(outputs) == []
    outputs.demand((True, True))  # the gate was demanded safe and then anew; the run was not
    assert told(outputs) == [(5, 1, (1,))]
    outputs.demand((False, True))
    outputs.demand((True, True))
    assert told(outputs) == [(5, 0, (1,))]


def test_an_output_safe_when_on_is_held_on(outputs_of: OutputsOf) -> None:
    outputs = settled(outputs_of([GATE | {"safe": 1}]), True)
    outputs.demand((False,))
    assert told(outputs) == [(5, 1, (0,))]
    outputs.forget()
    outputs.demand((False,))
    assert told(outputs) == [(5, 1, (1,))]


def test_without_a_line_everything_is_safe(outputs_of: OutputsOf) -> None:
    outputs = settled(outputs_of([RUN, SPEED]), True, 250)
    outputs.demand(None)
    assert told(outputs) == [(5, 0, (0,)), (6, 0, (0,))]


def test_a_write_that_may_not_have_arrived_is_repeated(outputs_of: OutputsOf) -> None:
    outputs = settled(outputs_of([RUN]), False)
    outputs.demand((True,))
    ask = outputs.next_change()
    assert ask is not None
    outputs.failed(ask)
    assert outputs.next_change() == ask


def test_a_value_that_does_not_fit_becomes_the_safe_one(outputs_of: OutputsOf) -> None:
    outputs = settled(outputs_of([SPEED]), 250)
    outputs.demand((70_000,))
    assert told(outputs) == [(6, 0, (0,))]
    assert "70000" in outputs.refused


@given(
    demands=st.lists(
        st.tuples(st.booleans(), st.booleans(), st.integers(0, 5), st.booleans()), max_size=12
    ),
    failures=st.lists(st.booleans(), min_size=200, max_size=200),
)
def test_whatever_fails_the_device_ends_as_demanded(
    outputs_of: OutputsOf,
    demands: list[tuple[bool, bool, int, bool]],
    failures: list[bool],
) -> None:
    bit = {"table": "holding", "address": 1, "type": "bool", "bit": 2}
    outputs = outputs_of([RUN, GATE, SPEED, bit])
    coils, words = [9, 9], [9, 9]
    fails = iter(failures)
    for demand in [(False, False, 0, False), *demands]:
        outputs.demand(demand)
        for _ in range(200):
            ask = outputs.next_change()
            if ask is None:
                break
            arrives = not next(fails, False)
            if arrives:
                table = coils if ask.function in (5, 15) else words
                table[ask.address : ask.address + ask.quantity] = ask.cells
                outputs.done(ask)
            else:
                outputs.failed(ask)
        run, gate, speed, on = demand
        assert coils == [int(run), int(gate)]
        assert words == [speed, 4 if on else 0]


# What a device refuses, and what it reads back.

LONG = {"table": "holding", "type": "u32", "word_order": "big"}


def test_a_refused_block_is_asked_again_at_the_refresh_only(outputs_of: OutputsOf) -> None:
    outputs = settled(outputs_of([RUN, GATE]), False, False)
    outputs.demand((True, True))
    ask = outputs.next_change()
    assert ask is not None
    outputs.denied(ask)
    for _ in range(3):
        assert outputs.next_change() is None
        outputs.demand((True, True))
    assert outputs.refresh() == [ask]
    outputs.denied(ask)
    assert outputs.next_change() is None


def test_what_goes_safe_after_a_refusal_is_written_at_once(outputs_of: OutputsOf) -> None:
    outputs = settled(outputs_of([RUN]), False)
    outputs.demand((True,))
    ask = outputs.next_change()
    assert ask is not None
    outputs.denied(ask)
    outputs.demand((False,))
    assert told(outputs) == [(5, 0, (0,))]  # what it did with the refused one is not known


def test_a_refused_output_keeps_no_other_waiting(outputs_of: OutputsOf) -> None:
    outputs = settled(outputs_of([RUN, SPEED]), False, 0)
    outputs.demand((True, 250))
    speed = outputs.next_change()
    assert speed is not None
    assert speed.function == 6
    outputs.denied(speed)
    assert told(outputs) == [(5, 0, (1,))]


def test_what_was_lost_is_asked_again_though_it_was_refused(outputs_of: OutputsOf) -> None:
    outputs = outputs_of([RUN])
    ask = outputs.next_change()
    assert ask is not None
    outputs.denied(ask)
    outputs.forget()
    assert outputs.next_change() == ask


def test_everything_written_is_read_back_within_the_devices_limits(outputs_of: OutputsOf) -> None:
    rows = [COIL | {"address": k} for k in range(5)] + [
        {"table": "holding", "address": 10 + k, "type": "u16"} for k in range(5)
    ]
    outputs = outputs_of(rows, max_read_bits=4, max_read_registers=2)
    asks = [(ask.function, ask.address, ask.quantity) for ask in outputs.read_backs()]
    assert asks == [(1, 0, 4), (1, 4, 1), (3, 10, 2), (3, 12, 2), (3, 14, 1)]
    assert all(not ask.cells for ask in outputs.read_backs())


def test_what_reads_back_as_written_is_well(outputs_of: OutputsOf) -> None:
    outputs = settled(outputs_of([RUN, GATE, SPEED]), True, False, 250)
    coils, words = outputs.read_backs()
    assert outputs.compare(coils, (True, False)) == []
    assert outputs.compare(words, (250,)) == []
    assert outputs.next_change() is None


def test_what_does_not_is_named_and_written_again_alone(outputs_of: OutputsOf) -> None:
    outputs = settled(outputs_of([RUN, GATE, SPEED]), True, False, 250)
    coils, words = outputs.read_backs()
    assert outputs.compare(coils, (0, 0)) == ["p0.value: written 1, reads back 0"]
    assert outputs.compare(words, (251,)) == ["p2.value: written 250, reads back 251"]
    assert told(outputs) == [(6, 0, (250,)), (5, 0, (1,))]


def test_what_was_not_told_is_not_compared(outputs_of: OutputsOf) -> None:
    outputs = outputs_of([RUN])
    (ask,) = outputs.read_backs()
    assert outputs.compare(ask, (1,)) == []


def test_bits_of_a_word_are_compared_one_by_one(outputs_of: OutputsOf) -> None:
    bit = {"table": "holding", "address": 4, "type": "bool"}
    outputs = settled(outputs_of([bit | {"bit": 0}, bit | {"bit": 3}]), True, True)
    (ask,) = outputs.read_backs()
    assert outputs.compare(ask, (0x0001,)) == ["p1.value: written 8, reads back 0"]
    assert outputs.compare(ask, (0xFF09,)) == []  # bits that are not ours are not ours to judge


def test_a_long_value_across_two_read_backs_is_compared_too(outputs_of: OutputsOf) -> None:
    rows = [SPEED, LONG | {"address": 1}, LONG | {"address": 3}]
    outputs = settled(outputs_of(rows, max_read_registers=2), 5, 0x10002, 0x30004)
    asks = outputs.read_backs()
    compared = [outputs.compare(ask, (9,) * ask.quantity) for ask in asks]
    named = [line.split(":")[0] for lines in compared for line in lines]
    assert named == ["p0.value", "p1.value", "p2.value"]
    assert all(ask.quantity <= 2 for ask in asks)

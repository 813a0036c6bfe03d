"""Which reads are due, what a refusal splits off, and which read proves a device."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from typing import Any

import pytest

from linectl.field.asks import Ask
from linectl.field.reads import Read, Reads
from linectl.site.hardware import Device, Point, TcpBus

BUS = TcpBus.model_validate(
    {
        "kind": "tcp",
        "host": "h",
        "poll": "20ms",
        "timeout": "50ms",
        "polls": {"slow": "100ms", "rare": "1s"},
    }
)
ReadsOf = Callable[..., Reads]


def word(address: int, **facts: Any) -> dict[str, Any]:
    row = {"direction": "in", "table": "holding", "address": address, "type": "u16"}
    return row | facts


def bit(address: int) -> dict[str, Any]:
    return {"direction": "in", "table": "discrete", "address": address, "type": "bool"}


@pytest.fixture(scope="session")
def reads_of(
    points_of: Callable[[list[dict[str, Any]]], tuple[Point, ...]],
    device_of: Callable[..., Device],
) -> ReadsOf:
    def build(rows: list[dict[str, Any]], others: Sequence[Ask] = (), **facts: Any) -> Reads:
        return Reads("io", device_of(**facts), BUS, points_of(rows), None, others)

    return build


def spans(reads: Sequence[Read]) -> list[tuple[int, int]]:
    return [(read.ask.address, read.ask.quantity) for read in reads]


def poll(reads: Reads, number: int, holes: Sequence[int] = ()) -> list[tuple[int, int]]:
    """One poll of a device that refuses every read of an address in `holes`; what was asked."""
    asked = []
    due = reads.due(number)
    while due:
        read = due.pop(0)
        first, quantity = read.ask.address, read.ask.quantity
        asked.append((first, quantity))
        assert len(asked) < 100
        if any(first <= hole < first + quantity for hole in holes):
            if not reads.refused(read):
                return asked
            due = reads.owed()
        else:
            read.take(tuple(range(100 + first, 100 + first + quantity)))
    return asked


def test_every_poll_reads_everything_that_has_no_slower_class(reads_of: ReadsOf) -> None:
    reads = reads_of([word(0), word(1), bit(0)])
    for number in range(3):
        assert len(poll(reads, number)) == 2


def test_a_slower_class_is_read_at_its_polls_only_and_first_of_all_at_once(
    reads_of: ReadsOf,
) -> None:
    reads = reads_of([word(0), word(9, poll="slow"), word(20, poll="rare")])
    asked = [poll(reads, number) for number in range(101)]
    assert (9, 1) in asked[0]
    assert (20, 1) in asked[0]
    slow = [number for number, spans in enumerate(asked) if (9, 1) in spans][1:]
    rare = [number for number, spans in enumerate(asked) if (20, 1) in spans][1:]
    assert {later - number for number, later in itertools.pairwise(slow)} == {5}
    assert {later - number for number, later in itertools.pairwise(rare)} == {50}
    assert all((0, 1) in spans for spans in asked)


def test_a_slow_read_that_failed_stays_due_until_it_brings_something(reads_of: ReadsOf) -> None:
    """Else a device with slow points only would count as heard in all the polls between."""
    reads = reads_of([word(0, poll="rare")])
    poll(reads, 0)
    phase = reads.reads[0].request.phase
    number = phase if phase else 50
    assert reads.due(number - 1) == []
    (failing,) = reads.due(number)
    for later in range(number + 1, number + 5):
        assert reads.due(later) == [failing]
    failing.take((7,))
    assert reads.due(number + 6) == []
    assert reads.values() == (7,)


def test_a_refused_read_is_parted_down_to_its_hole_and_once_only(reads_of: ReadsOf) -> None:
    reads = reads_of([word(k) for k in range(8)])
    asked = poll(reads, 0, holes=[5])
    assert asked == [(0, 8), (0, 4), (4, 4), (4, 2), (4, 1), (5, 1), (6, 2)]
    assert reads.values() == (100, 101, 102, 103, 104, None, 106, 107)
    assert reads.whole
    assert reads.holes == {"holding": ("5",)}
    assert reads.bad == {"p5.value": "the device has no such address"}
    assert poll(reads, 1, holes=[5]) == [(0, 4), (4, 1), (6, 2)]  # bisected once: no refusal more


def test_two_holes_are_both_found_and_told_in_the_devices_notation(reads_of: ReadsOf) -> None:
    reads = reads_of([word(k) for k in range(8)], notation="reference")
    poll(reads, 0, holes=[0, 7])
    assert reads.values() == (None, *range(101, 107), None)
    assert reads.holes == {"holding": ("40001", "40008")}
    assert sorted(reads.bad) == ["p0.value", "p7.value"]


def test_a_long_value_is_never_parted(reads_of: ReadsOf) -> None:
    rows = [word(2 * k, type="u32", word_order="big") for k in range(4)]
    reads = reads_of(rows)
    asked = poll(reads, 0, holes=[3])
    assert all(first % 2 == 0 and quantity % 2 == 0 for first, quantity in asked)
    assert reads.holes == {"holding": ("2-3",)}
    assert reads.values()[1] is None


def test_a_refusal_in_one_table_leaves_the_others_alone(reads_of: ReadsOf) -> None:
    reads = reads_of([word(0), word(1), bit(0), bit(1)])
    for read in reads.due(0):
        if read.ask.table == "discrete":
            read.take((1, 0))
        else:
            assert reads.refused(read)
    assert spans([read for read in reads.reads if read.ask.table == "holding"]) == [(0, 1), (1, 1)]
    assert [read.values for read in reads.reads if read.ask.table == "discrete"] == [(True, False)]


def test_what_was_still_to_be_had_after_a_refusal_is_had_in_the_same_poll(
    reads_of: ReadsOf,
) -> None:
    """Else a value older than its snapshot says would be handed out."""
    reads = reads_of([word(0), word(1), word(50)])
    poll(reads, 0)
    assert poll(reads, 1, holes=[1]) == [(0, 2), (0, 1), (1, 1), (50, 1)]


def test_a_device_that_refuses_everything_is_never_whole(reads_of: ReadsOf) -> None:
    """With nothing left to ask it would count as answered for ever."""
    reads = reads_of([word(k) for k in range(4)])
    everything = range(4)
    poll(reads, 0, holes=everything)
    assert not reads.whole
    assert reads.all_refused
    for number in range(1, 4):
        assert poll(reads, number, holes=everything) == [(3, 1)]
        assert not reads.whole


def test_reads_of_a_lost_device_begin_anew_and_holes_are_tried_again(reads_of: ReadsOf) -> None:
    reads = reads_of([word(k) for k in range(4)])
    poll(reads, 0, holes=[2])
    reads.begin_anew()
    assert (reads.holes, reads.bad, reads.whole) == ({}, {}, False)
    assert reads.values() == (None,) * 4
    assert poll(reads, 1) == [(0, 4)]
    assert reads.values() == (100, 101, 102, 103)


def test_a_read_of_a_plan_that_is_gone_is_not_ours(reads_of: ReadsOf) -> None:
    reads = reads_of([word(k) for k in range(4)])
    (old,) = reads.due(0)
    assert reads.refused(old)
    assert not reads.refused(old)


# Proofs.


def answer_bytes(ask: Ask) -> int:
    return -(-ask.quantity // 8) if ask.function in (1, 2) else 2 * ask.quantity


def told_apart(reads: Reads, others: Sequence[Ask] = ()) -> bool:
    """No proof's answer can be one of the reads', nor the other proof's."""
    asks = [read.ask for read in reads.reads] + list(others)
    keys = [(ask.function, answer_bytes(ask)) for ask in asks]
    proofs = [(ask.function, answer_bytes(ask)) for ask in reads.proofs]
    return not set(keys) & set(proofs) and len(set(proofs)) == len(proofs)


def test_a_proofs_answer_has_another_length_than_every_read(reads_of: ReadsOf) -> None:
    reads = reads_of([word(k) for k in range(4)] + [word(50), word(60), word(61)])
    assert reads.proofs
    assert told_apart(reads)
    assert all(proof.address == 0 and proof.quantity == 3 for proof in reads.proofs)


def test_a_proof_reads_only_what_is_read_anyway(reads_of: ReadsOf) -> None:
    reads = reads_of([word(10, type="u32", word_order="big"), word(12), word(13)])
    for proof in reads.proofs:
        assert proof.address == 10
        assert proof.quantity in (2, 3)  # never half a long value


@pytest.mark.parametrize("rows", [[word(0)], [bit(0), bit(1)], []])
def test_some_devices_have_no_proof(reads_of: ReadsOf, rows: list[dict[str, Any]]) -> None:
    assert reads_of(rows).proofs == ()


def test_proofs_differ_from_the_parts_of_a_refused_read_too(reads_of: ReadsOf) -> None:
    reads = reads_of([word(k) for k in range(9)])
    assert told_apart(reads)
    due = reads.due(0)
    while due:
        read = due.pop(0)
        if read.ask.address <= 4 < read.ask.address + read.ask.quantity:
            assert reads.refused(read)
            due = reads.owed()
        else:
            read.take((0,) * read.ask.quantity)
        assert told_apart(reads)
    assert all(4 not in range(p.address, p.address + p.quantity) for p in reads.proofs)
    reads.begin_anew()
    assert told_apart(reads)


def test_proofs_differ_from_what_is_read_back(reads_of: ReadsOf) -> None:
    others = [Ask("io", 7, 3, 40, 1), Ask("io", 7, 3, 41, 2)]
    reads = reads_of([word(k) for k in range(4)], others)
    assert told_apart(reads, others)
    assert [proof.quantity for proof in reads.proofs] == [3]


def test_a_refused_proof_is_left_out_until_the_device_was_lost(reads_of: ReadsOf) -> None:
    reads = reads_of([word(k) for k in range(4)])
    first, second = reads.proofs
    reads.unfit(first)
    assert reads.proofs == (second,)
    reads.unfit(second)
    assert reads.proofs == ()
    reads.begin_anew()
    assert reads.proofs == (first, second)

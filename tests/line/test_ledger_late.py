"""S32: the ledger's word is waited for no longer than the site says: then both units hold."""

from __future__ import annotations

import pytest

from linectl.image import Frame
from linectl.line import Line
from linectl.line.inputs import NEVER
from linectl.line.ledger_word import TAG

ACK_MS = 2_000  # limits.ledger_ack of the small site


@pytest.fixture
def at_work(small, hand_at_work):
    """Both units in Execute, every word so far on disk."""
    hand = hand_at_work(small)
    hand.scan(Frame(durable=hand.line.words))
    assert hand.line.ledger_ack_ms == ACK_MS
    assert states(hand) == ["Execute", "Execute"]
    return hand


def states(hand) -> list[str]:
    return [unit.state for unit in hand.line.units]


def tell(hand) -> None:
    """A row has moved, and the line says so: an intent and a done, with nothing that waits."""
    line = hand.line
    line.complete(line.intend("stroke", -1, "lane1.germ", "lane1.germ"))
    hand.scan()


def test_a_word_that_nobody_waits_for_holds_both_units_when_it_is_too_old(at_work):
    tell(at_work)
    told = at_work.now
    assert at_work.line.ledger_word.next_due() == told + ACK_MS
    at_work.settle(ACK_MS - 10)
    assert TAG not in at_work.line.alarms.standing
    assert states(at_work) == ["Execute", "Execute"]
    at_work.scan()
    assert at_work.now == told + ACK_MS
    assert "confirmed nothing for 2 s" in at_work.line.alarms.standing[TAG].text
    at_work.scan()
    assert set(states(at_work)) <= {"Holding", "Held"}
    assert at_work.line.ledger_word.next_due() == NEVER


def test_a_later_word_is_as_old_as_it_is_and_not_as_the_one_before(at_work):
    tell(at_work)
    first = at_work.line.words
    at_work.settle(1_500)
    tell(at_work)
    told = at_work.now
    at_work.scan(Frame(durable=first))
    assert at_work.line.ledger_word.next_due() == told + ACK_MS
    at_work.settle(ACK_MS - 20)
    assert TAG not in at_work.line.alarms.standing
    at_work.scan()
    assert TAG in at_work.line.alarms.standing


def test_words_that_come_to_disk_in_time_hold_nothing(at_work):
    for _ in range(5):
        tell(at_work)
        at_work.settle(ACK_MS - 20)
        assert TAG not in at_work.line.alarms.standing
        at_work.scan(Frame(durable=at_work.line.words))
    at_work.settle(2 * ACK_MS)
    assert TAG not in at_work.line.alarms.standing
    assert at_work.line.ledger_word.waiting == []


def test_nothing_is_started_while_the_ledger_is_late_and_a_person_unholds_after_it(at_work):
    tell(at_work)
    at_work.settle(ACK_MS + 6_000)  # the magazine's gate ends what it had begun
    assert states(at_work) == ["Held", "Held"]
    at_work.line.take_events()
    at_work.command("sowing", "unhold")
    (refused,) = [e for e in at_work.line.take_events() if e.kind == "command"]
    assert refused.data["why"] == "the ledger does not confirm what was done"
    at_work.scan(Frame(durable=at_work.line.words))
    assert TAG not in at_work.line.alarms.standing
    at_work.settle(1_000)
    assert states(at_work) == ["Held", "Held"]  # nobody has said so yet
    at_work.command("sowing", "unhold")
    assert states(at_work) == ["Unholding", "Held"]


def test_a_restored_line_waits_for_the_same_words(small, at_work):
    tell(at_work)
    other = Line(small)
    other.restore(at_work.line.snapshot())
    assert other.digest() == at_work.line.digest()
    assert other.ledger_word.next_due() == at_work.line.ledger_word.next_due()
    at = at_work.now + ACK_MS
    other.scan(Frame(), at)
    assert TAG in other.alarms.standing

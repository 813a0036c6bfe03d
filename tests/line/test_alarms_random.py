"""Random acts on two alarms: leaping tells what every tick tells, and a plain model agrees.

The model here knows no state table: it keeps what is there, what is latched, what was seen and
what is put aside, and says from these which of the nine states an alarm must be in.
"""

from __future__ import annotations

from dataclasses import dataclass

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from linectl.image import Command, Frame
from linectl.line import Line

TICK = 10
TAGS = ("hopper_low", "drive_fill")
"""One that ends with its condition, one that is latched until interlock reset."""
LIMIT_MS = 8 * 3_600_000

WAIT = st.integers(1, 40).map(lambda ticks: ("wait", ticks * TICK))
ACT = st.tuples(
    st.sampled_from(("comes", "goes", "ack", "shelve", "once", "unshelve", "out", "in", "reset")),
    st.sampled_from(TAGS),
)


@dataclass
class Plain:
    """What is known of one alarm, without any table."""

    latching: bool
    there: bool = False
    latched: bool = False
    seen: bool = True
    until: int | None = None
    once: bool = False
    out: bool = False

    @property
    def hidden(self) -> bool:
        return self.out or self.until is not None

    def act(self, what: str, now: int) -> None:
        if what == "comes" and not self.there:
            self.there, self.latched, self.seen = True, self.latching, self.hidden
        elif what == "goes" and self.there:
            self.there = False
            if self.until is not None and self.once:
                self.show(lambda: setattr(self, "until", None))
        elif what == "reset" and not self.there:
            self.latched = False
        elif what == "ack" and not self.hidden:
            self.seen = True
        elif what in ("shelve", "once"):
            self.until, self.once = now + (300 if what == "shelve" else LIMIT_MS), what == "once"
            self.seen = True
        elif what == "unshelve" and self.until is not None:
            self.show(lambda: setattr(self, "until", None))
        elif what == "out":
            self.out = self.seen = True
        elif what == "in" and self.out:
            self.show(lambda: setattr(self, "out", False))

    def show(self, end) -> None:
        end()
        if not self.hidden:
            self.seen = not (self.there or self.latched)

    def expire(self, now: int) -> None:
        if self.until is not None and self.until <= now:
            self.show(lambda: setattr(self, "until", None))

    def state(self) -> str:
        if self.out:
            return "out_of_service"
        if self.until is not None:
            return "shelved"
        if self.there:
            return "acknowledged" if self.seen else "unacknowledged"
        if self.latched:
            return "latched_acknowledged" if self.seen else "latched_unacknowledged"
        return "normal" if self.seen else "returned_unacknowledged"


class Twins:
    """One line scanned every tick, one only when something is due; both told the same."""

    def __init__(self, site, saved) -> None:
        self.site = site
        self.ticking, self.leaping = Line(site), Line(site)
        for line in (self.ticking, self.leaping):
            line.restore(saved)
        self.now = saved["line"]["now"]
        self.told: tuple[list, list] = ([], [])
        self.must = True

    def frame(self, what: str, tag: str) -> Frame:
        if what in ("comes", "goes"):
            here = what == "comes"
            point = {"hopper_low": "fill.hopper_level", "drive_fill": "fill.drive_ok"}[tag]
            value = (15 if here else 150) if tag == "hopper_low" else not here
            return Frame(values=[(self.site.index(point), value)])
        name, argument = {
            "ack": ("alarm-ack", tag),
            "shelve": ("alarm-shelve", f"{tag} 300ms a reason"),
            "once": ("alarm-shelve", f"{tag} once a reason"),
            "unshelve": ("alarm-unshelve", tag),
            "out": ("alarm-out-of-service", f"{tag} a reason"),
            "in": ("alarm-in-service", tag),
            "reset": ("interlock-reset", ""),
        }[what]
        return Frame(commands=[Command("", name, argument, "ines")])

    def scan(self, what: str, tag: str) -> None:
        self.now += TICK
        self.ticking.scan(self.frame(what, tag), self.now)
        self.must = self.leaping.scan(self.frame(what, tag), self.now)
        self._listen()

    def wait(self, ms: int) -> None:
        for _ in range(ms // TICK):
            self.now += TICK
            self.ticking.scan(Frame(), self.now)
            due = self.leaping.next_due()
            if self.must or (due is not None and due <= self.now):
                self.must = self.leaping.scan(Frame(), self.now)
        self._listen()

    def _listen(self) -> None:
        for told, line in zip(self.told, (self.ticking, self.leaping), strict=True):
            told.extend((*e[:4], sorted(e.data.items())) for e in line.take_events())


@pytest.fixture
def small_at_rest(hand, small):
    """The site, and a healthy line at rest, past all that happens by itself after power-up."""
    hand.scan(ms=5_000)
    hand.settle(100)
    return small, hand.line.snapshot()


@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.lists(st.one_of(ACT, ACT, WAIT), min_size=20, max_size=40))
def test_leaping_ticking_and_a_plain_model_agree(small_at_rest, acts):
    twins = Twins(*small_at_rest)
    plain = {"hopper_low": Plain(False), "drive_fill": Plain(True)}
    for what, of in acts:
        if what == "wait":
            for _ in range(of // TICK):
                twins.wait(TICK)
                for alarm in plain.values():
                    alarm.expire(twins.now)
        else:
            twins.scan(what, of)
            for tag, alarm in plain.items():
                if tag == of or what == "reset":
                    alarm.act(what, twins.now)
                alarm.expire(twins.now)
        for tag, alarm in plain.items():
            assert twins.ticking.alarms.state(tag) == alarm.state(), (what, of, tag)
    assert twins.told[0] == twins.told[1]
    assert twins.ticking.digest() == twins.leaping.digest()

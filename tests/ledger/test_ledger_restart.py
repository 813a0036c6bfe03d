"""After a power cut the ledger says what was under way, and no more than that."""

from __future__ import annotations

import sqlite3

import pytest

from linectl.image import ChangeoverLeft, DayLeft, Event, Inside, LaneSet, Slot
from linectl.ledger import Ledger

DAY = 86_400_000
T0 = 1_700_000_000_000
MINUTE = 60_000


class Cuts:
    """A ledger that loses its controller again and again. One boot a minute."""

    def __init__(self, path, site):
        self._path, self._site, self._boots = path, site, 0
        self.ledger = None
        self.next()

    def next(self):
        """The power is cut; the controller begins anew."""
        self.cut()
        self.ledger = Ledger.open(self._path, self._site, lambda: T0 + self._boots * MINUTE)
        self._boots += 1
        return self.ledger

    def cut(self):
        if self.ledger is not None:
            self.ledger._connection.close()  # no orderly end
            self.ledger._owner.close()

    def tell(self, *moves):
        self.ledger.record(moves, [])

    def open(self):
        """(kind, gutter, source, dest) of what was under way, after another cut."""
        return [(m.kind, m.gutter, m.source, m.dest) for m in self.next().open_moves()]


@pytest.fixture
def cuts(path, site):
    made = Cuts(path, site)
    yield made
    made.cut()


@pytest.fixture
def intent(journey):
    """An intent alone: the first of the two words of a step."""
    return lambda *step: journey.step(*step)[0]


CONVEY = ("convey", 1, "fill", "water")


def test_a_line_that_has_nothing_in_it_starts_empty(cuts):
    start = cuts.ledger.start()
    assert (start.slots, start.inside, start.moves) == ([], [], [])
    assert (start.reserved, start.lanes, start.crop, start.order_at) == ({}, {}, "", 0)
    assert (start.next_gutter, start.next_move) == (1, 1)


def test_a_move_of_this_boot_is_not_one_that_was_under_way(cuts, intent):
    cuts.tell(intent(*CONVEY))
    assert cuts.ledger.open_moves() == []
    assert cuts.open() == [CONVEY]


def test_a_move_stays_open_over_cuts_that_come_before_it_was_settled(cuts, intent, second):
    cuts.tell(intent(*CONVEY))
    assert [cuts.open() for _ in range(3)] == [[CONVEY]] * 3
    assert second.one("SELECT count(*) FROM moves_told WHERE done_ms IS NULL") == 1


def test_a_move_that_was_taken_up_again_is_still_open_while_others_go_on(cuts, intent, journey):
    cuts.tell(intent(*CONVEY))
    cuts.next()
    cuts.tell(*journey.step("feed", 2, "stock", "magazine"))
    cuts.tell(*journey.step("eject", 3, "lane1.grow.7", "outfeed"))
    assert cuts.open() == [CONVEY]


def test_a_move_told_as_done_in_a_later_boot_is_settled(cuts, journey):
    intent, done = journey.step(*CONVEY)
    cuts.tell(intent)
    cuts.next()
    cuts.tell(done._replace(at=10))
    assert cuts.open() == []
    assert [inside.place for inside in cuts.ledger.inside()] == ["water"]


SETTLED = [
    # what was open, what was told later, and why the first is settled
    (CONVEY, ("correct", 1, "fill", "removed")),  # a person has taken it out
    (CONVEY, ("reject", 1, "fill", "reject")),
    (CONVEY, ("convey", 1, "fill", "water")),  # begun again, with another number
    (CONVEY, ("convey", 2, "fill", "water")),  # the way was free for the next
    (("feed", 1, "stock", "magazine"), ("feed", 2, "stock", "magazine")),
    (("eject", 5, "lane1.grow.7", "outfeed"), ("eject", 6, "lane1.grow.7", "outfeed")),
    (("eject", 5, "lane1.grow.7", "outfeed"), ("correct", 5, "lane1.grow.7", "removed")),
    (("insert", 1, "infeed", "lane1.germ.0"), ("insert", 1, "infeed", "lane1.germ.0")),
    (("process", 1, "fill", "fill"), ("convey", 1, "fill", "water")),  # it has left the tool
    (("process", 1, "fill", "fill"), ("process", 2, "fill", "fill")),
    (("process", 1, "fill", "fill"), ("reject", 1, "fill", "reject")),
    (("stroke", -1, "lane1.germ", "lane1.germ"), ("stroke", -1, "lane1.germ", "lane1.germ")),
    (("transfer", -1, "lane1.germ.3", "lane1.lift"), ("transfer", 7, "lane1.germ.3", "lane1.lift")),
    (
        ("transfer", -1, "lane1.germ.3", "lane1.lift"),
        ("correct", -1, "lane1.germ.3", "removed"),
    ),
]


@pytest.mark.parametrize(("first", "later"), SETTLED)
@pytest.mark.parametrize("boots", [0, 1])
def test_a_move_that_something_told_later_contradicts_is_settled(
    cuts, intent, journey, first, later, boots
):
    cuts.tell(intent(*first))
    for _ in range(boots):
        cuts.next()
    cuts.tell(*journey.step(*later))
    assert cuts.open() == []


UNTOUCHED = [
    (CONVEY, ("convey", 2, "magazine", "fill")),
    (CONVEY, ("reserve", 1, "fill", "lane1.germ.0")),
    (CONVEY, ("process", 1, "water", "water")),  # the tool works on what is on its way in
    (("process", 1, "fill", "fill"), ("reserve", 1, "fill", "lane1.germ.0")),
    (("feed", 1, "stock", "magazine"), ("convey", 2, "fill", "water")),
    (("handover", 5, "outfeed", "packing"), ("handover", 6, "infeed", "packing")),
    (("stroke", -1, "lane1.germ", "lane1.germ"), ("stroke", -1, "lane1.grow", "lane1.grow")),
    (("stroke", -1, "lane1.germ", "lane1.germ"), ("insert", 2, "infeed", "lane1.germ.0")),
    (("insert", 1, "infeed", "lane1.germ.0"), ("stroke", -1, "lane1.germ", "lane1.germ")),
    (("transfer", -1, "lane1.germ.3", "lane1.lift"), ("correct", 8, "lane1.grow.3", "removed")),
]


@pytest.mark.parametrize(("first", "later"), UNTOUCHED)
def test_a_move_that_nothing_contradicts_is_still_open(cuts, intent, journey, first, later):
    cuts.tell(intent(*first))
    cuts.tell(*journey.step(*later))
    assert cuts.open() == [first]


def test_a_convey_and_the_work_of_the_tool_it_leads_to_are_open_together(cuts, journey):
    cuts.tell(*journey.sow(1)[:8])  # up to the reservation, at fill
    carried = journey.step("convey", 1, "fill", "water")[0]
    worked = journey.step("process", 1, "water", "water")[0]
    cuts.tell(carried, worked)
    start = cuts.next().start()
    assert [(m.kind, m.number, m.crop) for m in start.moves] == [
        ("convey", carried.number, "oak"),
        ("process", worked.number, "oak"),
    ]
    wet_at = worked.at - MINUTE
    assert start.inside == [Inside(1, "fill", "oak", None, None, wet_at, ("fill",), ("water",))]
    assert start.reserved == {1: 1}
    assert (start.next_gutter, start.next_move) == (2, journey.number + 1)


def test_what_stands_at_stations_says_what_was_done_to_it(cuts, journey):
    cuts.tell(*journey.sow(1)[:-2])
    (inside,) = cuts.next().start().inside
    assert inside == Inside(
        1, "infeed", "oak", 8000 - MINUTE, 8000 - MINUTE + 24 * DAY, 5400 - MINUTE,
        ("fill", "water", "seed"), (),
    )  # fmt: skip


def test_a_reservation_holds_until_it_is_released_inserted_or_its_gutter_taken(cuts, journey):
    words = journey.sow(1)
    cuts.tell(*words[:-2])
    assert cuts.next().start().reserved == {1: 1}
    cuts.tell(*words[-2:-1])  # on its way into the mouth
    assert cuts.next().start().reserved == {1: 1}
    cuts.tell(words[-1]._replace(at=1))
    assert cuts.next().start().reserved == {}
    cuts.tell(*journey.sow(2)[:12], *journey.step("release", 2, "lane1.germ.0", "fill"))
    assert cuts.next().start().reserved == {}
    cuts.tell(*journey.step("reserve", 2, "water", "lane1.germ.0"))
    assert cuts.next().start().reserved == {1: 2}
    cuts.tell(*journey.step("reject", 2, "water", "reject"))
    assert cuts.next().start().reserved == {}


def test_what_people_set_of_lanes_drum_and_order_outlasts_a_cut(cuts, second):
    def said(kind, source, **data):
        return Event(0, kind, source, "", data)

    cuts.ledger.record([], [
        said("lane_set", "lane1", programme="filling", locked_by=""),
        said("lane_set", "lane2", programme="steady", locked_by="anna"),
        said("lane_set", "lane1", programme="resting", locked_by=""),
        said("crop_set", "sowing", crop="oak"),
        said("order", "outfeed", at=1),
        said("order", "outfeed", at=2),
    ])  # fmt: skip
    start = cuts.next().start()
    assert start.lanes == {1: LaneSet("resting"), 2: LaneSet("steady", "anna")}
    assert (start.crop, start.order_at) == ("oak", 2)
    cuts.ledger.record([], [said("crop_set", "sowing", crop="one the site has no more")])
    assert cuts.next().start().crop == ""
    assert second.one("SELECT count(*) FROM events WHERE kind = 'lane_set'") == 3


def test_what_is_left_of_todays_list_is_each_lanes_last_word(cuts):
    def said(lane, stands, sow, pull):
        return Event(1, "day_list", f"lane{lane}", "", {"stands": stands, "sow": sow, "pull": pull})

    assert cuts.next().start().day == {}
    cuts.ledger.record([], [
        said(1, True, [["oak", 2], ["elm", 1]], 3), said(2, True, [], 5),
        said(1, True, [["oak", 1], ["elm", 1]], 3),
    ])  # fmt: skip
    left = {1: DayLeft((("oak", 1), ("elm", 1)), 3), 2: DayLeft((), 5)}
    assert cuts.next().start().day == left
    assert cuts.next().start().day == left  # and once more
    cuts.ledger.record([], [said(1, False, [], 0), said(2, False, [], 0)])
    assert cuts.next().start().day == {}


def test_a_changeover_and_a_blend_are_as_they_were_last(cuts):
    assert (cuts.next().start().changeover, cuts.ledger.start().blend) == (None, {})
    told = {"stage": "emptying", "crop": "oak", "lot": "S-2", "by": "anna", "gutter": 0}
    ask = {"asked": "mixed", "cycle": ["oak", "elm"], "owed": {"elm": 1}}
    cuts.ledger.record([], [
        Event(1, "changeover", "sowing", "", {**told, "stage": "running_out"}),
        Event(2, "changeover", "sowing", "", told),
        Event(2, "blend", "harvest", "", ask),
    ])  # fmt: skip
    start = cuts.next().start()
    assert start.changeover == ChangeoverLeft("emptying", "oak", "S-2", "anna")
    assert start.blend == ask
    cuts.ledger.record([], [Event(1, "changeover", "sowing", "", {**told, "stage": "none"})])
    assert cuts.next().start().changeover is None


def test_a_reservation_says_the_crop_that_todays_list_counts_by(cuts, journey):
    words = journey.sow(1)
    cuts.tell(*words[:6], *(move._replace(crop="elm") for move in words[6:8]))
    (inside,) = cuts.next().start().inside
    assert (inside.place, inside.crop) == ("fill", "elm")


def test_transfers_are_told_with_the_slots(cuts, journey):
    cuts.ledger.seed_lanes([Slot("lane1.germ.3", 5, "oak", -DAY, DAY)])
    cuts.tell(*journey.step("transfer", 5, "lane1.germ.3", "lane1.lift"))
    start = cuts.next().start()
    assert [(slot.place, slot.gutter) for slot in start.slots] == [("lane1.lift", 5)]


def test_however_long_the_record_a_start_looks_only_at_what_is_in_the_machine(
    path, site, journey, monkeypatch
):
    first = Ledger.open(path, site, lambda: T0)
    first.record(journey.sow(1), [])
    first.close()
    asked = []

    def traced(*args, **more):
        connection = connect(*args, **more)
        connection.set_trace_callback(asked.append)
        return connection

    connect = sqlite3.connect
    monkeypatch.setattr(sqlite3, "connect", traced)
    ledger = Ledger.open(path, site, lambda: T0)
    assert ledger.start().slots
    assert ledger.left_by_people() == [] and ledger.exposure() == {}
    ledger.close()
    monkeypatch.undo()
    other = sqlite3.connect(path)
    plans = {
        (sql, step[3])
        for sql in asked if sql.lstrip().startswith(("SELECT", "INSERT INTO boots"))
        for step in other.execute("EXPLAIN QUERY PLAN " + sql.replace("RETURNING id", ""))
    }  # fmt: skip
    other.close()
    assert len(plans) > 20
    for index in ("moves_open", "moves_by_gutter", "moves_in_lanes", "moves_by_hand", "events_set"):
        assert any(f"INDEX {index}" in step for _, step in plans), index
    long = ("g", "m", "l", "e", "gutters", "moves", "events")
    scans = [(sql, step) for sql, step in plans if step.split()[:1] == ["SCAN"]]
    assert [
        (sql, step)
        for sql, step in scans
        if step.split()[1] in long and "moves_open" not in step and "DESC LIMIT" not in sql
    ] == []

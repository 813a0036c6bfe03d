"""What was weighed of packing lots becomes yields per gutter of their crops, or is told."""

from __future__ import annotations

import pytest

from linectl.crop.blends import Yield
from linectl.errors import LedgerUnreachable
from linectl.image import Event, Move
from linectl.ledger import Ledger
from linectl.ledger.yield_reading import corrected, read_weighings


class Hall:
    """A packing hall: gutters are handed over to the lot that is loaded, lots are weighed."""

    def __init__(self, path, site):
        self.path, self.ledger = path, Ledger.open(path, site)
        self.number = self.at = 0

    def lot(self, name):
        data = {"kind": "packing", "lot": name, "crop": "", "by": "anna"}
        self._record([], [Event(self.at, "lot", "packing", "", data)])

    def hand_over(self, gutters, crop="oak"):
        moves = []
        for _ in range(gutters):
            self.number += 1
            number = self.number
            move = Move(number, "handover", number, "outfeed", "packing", crop, False, self.at)
            moves += [move, move._replace(done=True)]
        self._record(moves, [])

    def weigh(self, name, kg, crop=""):
        data = {"lot": name, "kg": kg, "crop": crop, "by": "ben"}
        self._record([], [Event(self.at, "weight", name, "", data)])

    def scale(self, gutter, kg):
        data = {"gutter": gutter, "crop": "oak", "kg": kg}
        self._record([], [Event(self.at, "gutter_weight", "packing", "", data)])

    def _record(self, moves, events):
        self.at += 1_000
        self.ledger.record(moves, events)

    def read(self):
        found = read_weighings(self.path)
        plain = [(w.what, w.crop, w.gutters, round(w.kg, 6)) for w in found.weighings]
        return plain, list(found.remarks)


@pytest.fixture
def hall(path, site):
    hall = Hall(path, site)
    yield hall
    hall.ledger.close()


@pytest.fixture
def day(hall):
    """P-1: ten gutters of oak and five of rocket, both weighed; P-2 is loaded now."""
    hall.lot("P-1")
    hall.hand_over(10)
    hall.hand_over(5, "rocket")
    hall.weigh("P-1", 20.0, "oak")
    hall.weigh("P-1", 3.5, "rocket")
    hall.lot("P-2")
    return hall


def test_a_lot_s_weighings_are_of_its_gutters_of_that_crop(day):
    assert day.read() == (
        [("packing lot P-1", "oak", 10, 20.0), ("packing lot P-1", "rocket", 5, 3.5)], [],
    )  # fmt: skip


def test_weighings_of_a_lot_add_up_and_what_was_taken_back_is_gone(day):
    day.weigh("P-1", 25.0, "oak")
    day.weigh("P-1", -25.0, "oak")
    day.weigh("P-1", 1.5, "oak")
    day.weigh("P-1", -3.5, "rocket")
    assert day.read() == ([("packing lot P-1", "oak", 10, 21.5)], [])


def test_a_lot_to_which_gutters_still_go_waits(hall):
    hall.lot("P-1")
    hall.hand_over(10)
    hall.weigh("P-1", 12.0)
    weighings, (remark,) = hall.read()
    assert weighings == []
    assert "gutters still go to it" in remark
    hall.lot("P-2")
    assert hall.read() == ([("packing lot P-1", "oak", 10, 12.0)], [])


def test_weighings_without_a_crop_are_those_of_a_lot_s_only_crop(hall):
    hall.lot("P-1")
    hall.hand_over(4)
    hall.lot("P-2")
    hall.weigh("P-1", 5.0)
    hall.weigh("P-1", 3.0, "oak")
    assert hall.read() == ([("packing lot P-1", "oak", 4, 8.0)], [])


def test_what_cannot_be_laid_to_a_crop_is_told_and_not_shared_out(day):
    day.weigh("P-1", 4.0)
    day.weigh("P-1", 1.0, "frisee")
    day.weigh("P-7", 2.0, "oak")
    day.weigh("P-8", -2.0, "oak")
    weighings, remarks = day.read()
    assert len(weighings) == 2
    assert [remark.split(": ")[0] for remark in remarks] == [
        "packing lot P-1", "packing lot P-1", "packing lot P-7", "packing lot P-8",
    ]  # fmt: skip
    for remark, why in zip(
        remarks, ("of no crop by name", "no gutter of frisee", "no gutter of oak", "taken back"),
        strict=True,
    ):  # fmt: skip
        assert why in remark


def test_gutters_weighed_one_by_one_count_before_their_lot(day):
    """As a scale in the hall tells them; of one that was weighed twice the last holds."""
    day.scale(2, 2.3)
    day.scale(2, 2.1)
    day.scale(1, 1.9)
    weighings, (remark,) = day.read()
    assert weighings == [
        ("packing lot P-1", "rocket", 5, 3.5),
        ("gutter 2", "oak", 1, 2.1), ("gutter 1", "oak", 1, 1.9),
    ]  # fmt: skip
    assert "weighed one by one" in remark


def test_yields_are_corrected_by_crop(day):
    told = corrected(day.path, {"oak": Yield(2.2, 0.2), "chard": Yield(1.5, 0.1)})
    assert 2.0 < told.crops["oak"].kg < 2.2
    assert (told.crops["oak"].weighings, told.crops["oak"].gutters) == (1, 10)
    assert (told.crops["chard"].kg, told.crops["chard"].weighings) == (1.5, 0)
    assert set(told.crops) == {"oak", "chard"}


def test_a_file_that_is_no_ledger_is_said_to_be_none(tmp_path):
    with pytest.raises(LedgerUnreachable, match="no such file"):
        read_weighings(str(tmp_path / "none.sqlite3"))

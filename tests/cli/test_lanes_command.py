"""`linectl lanes`: tables and sentences for the grower, and the picture."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import pytest

from linectl.runtime.lane_look import look_at_full
from linectl.site.load import load_site

SITE = "config/fennmark"


@pytest.fixture(scope="module")
def told():
    """Lane 1 gives 25 instead of 20, lane 3 gives 14.5 instead of 18.5; ten missed in each."""
    seen = look_at_full(load_site(SITE), {1: 25, 3: 14.5}, late=10)
    return seen.told()


def test_a_lane_that_gives_more_is_early_and_one_that_gives_less_late(told):
    early, late = told["lanes"][0], told["lanes"][2]
    assert (early["verdict"], late["verdict"]) == ("early", "late")
    assert early["first"]["late_days"] < -1 < 1 < late["first"]["late_days"]
    # Little: 480 ÷ 25 = 19.2 days instead of 24, 480 ÷ 14.5 = 33.1 instead of 26
    assert early["most"]["late_days"] == pytest.approx(19.2 - 24, abs=0.6)
    assert late["most"]["late_days"] == pytest.approx(33.1 - 26, abs=1.0)
    assert early["unripe_in_days"] < 10
    assert late["unripe_in_days"] is None


def test_missed_gutters_age_the_lane(told):
    """Ten of 20 a day are half a day (by hand)."""
    assert told["lanes"][0]["missed"] == {
        "gutters": 10, "tail_days": 0.5, "mean_days": 0.5, "over_in_days": 24.0,
    }  # fmt: skip


def test_json_is_what_the_table_tells_and_has_the_promised_keys(linectl, told):
    typed = ("lanes", SITE, "--rate", "1=25", "--rate", "3=14.5", "--late", "10")
    assert linectl(*typed, "--json").json == told
    assert set(told) == {"site", "ledger", "at", "tolerance", "lanes"}
    assert set(told["lanes"][0]) == {
        "lane", "slots", "standing", "crops", "decks", "plants_m2", "tail", "days", "keeps",
        "gives", "verdict", "first", "most", "unripe_in_days", "missed", "sentence",
    }  # fmt: skip
    assert told["lanes"][0]["decks"][0] == {
        "run": "germ", "slots": 90, "pitch_mm": [90.0, 90.0], "row_mm": 89 * 90.0,
    }  # fmt: skip
    said = linectl(*typed)
    assert (said.code, said.err, "no ledger" in said.out) == (0, "", True)
    row = next(line for line in said.out.splitlines() if line.strip().startswith("5 "))
    frisee = "5 480 480 90 → 180 62 → 31 frisee 29.0 d 16.6 – unknown +0.6 d"
    assert " ".join(row.split()) == frisee
    assert "lane 5: 16.6 a day keep 29 days; no finished shift" in said.out


@pytest.mark.parametrize(
    ("typed", "why"),
    [(("--rate", "7=3"), "small has lanes 1 to 2"),
     (("--rate", "3"), "LANE=GUTTERS"),
     (("--rate", "3=-1"), "LANE=GUTTERS"),
     (("--at", "06:00"), "--at wants a ledger"),
     (("--at", "six"), "is not a time")],
)  # fmt: skip
def test_what_is_typed_wrongly_is_said(linectl, typed, why):
    done = linectl("lanes", "config/small", *typed)
    assert (done.code, done.out) == (2, "")
    assert why in " ".join(done.err.replace("│", " ").split())


def test_a_ledger_that_is_not_there_is_said(linectl):
    done = linectl("lanes", "config/small", "--ledger", "no/such.sqlite3")
    assert (done.code, "no such file" in done.err) == (3, True)


def test_the_picture_is_one_svg_without_colour_whose_text_is_text(linectl, tmp_path):
    file = tmp_path / "lanes.svg"
    assert linectl("lanes", "config/small", "--plot", file).code == 0
    text = file.read_text(encoding="utf-8")
    root = ElementTree.fromstring(text)
    words = " ".join(root.itertext())
    assert "plants per m² of deck over age" in words
    assert "green oakleaf (lane 1)" in words
    colours = set(re.findall(r"#([0-9a-fA-F]{6})", text))
    assert all(c[:2] == c[2:4] == c[4:] for c in colours), "grey says the same"

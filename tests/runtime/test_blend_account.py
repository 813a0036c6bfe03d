"""What blends went in a stretch of time, told from the record of the line's own events."""

from __future__ import annotations

from pathlib import Path

import pytest

from linectl.crop.order import even_order
from linectl.image import Event
from linectl.line import Line
from linectl.runtime.blend_account import BlendAccount
from linectl.site.load import load_site

SMALL = load_site(Path(__file__).parents[2] / "config" / "small")
GREEN, RED = "green_oakleaf", "red_oakleaf"
YIELDS = {GREEN: 1.0, RED: 0.5}


def ordered() -> Line:
    line = Line(SMALL)
    line.order.begin("duo", "anna", {GREEN: 2, RED: 1}, even_order({GREEN: 2, RED: 1}).order)
    return line


def told(line: Line, from_ms: int = 0) -> list[dict]:
    """The account of the line's events, each a second after the one before."""
    account = BlendAccount()
    for place, event in enumerate(line.take_events()):
        if event.kind == "blend":
            account.take(event._replace(at=from_ms + 1000 * place))
    return account.rows(YIELDS)


def test_the_account_of_all_events_is_what_the_line_says_of_itself():
    line = ordered()
    for crop in (GREEN, GREEN, GREEN, RED, RED, "rocket", GREEN):
        line.order.went(crop)
    assert line.order.skip() is None
    status = line.order.status()
    (row,) = told(line)
    assert row["owed"] == status["owed"] and row["ejected"] == status["ejected"] == 6
    assert row["beside"] == status["beside"] == 1
    for one, other in zip(row["crops"], status["crops"], strict=True):
        for key in ("crop", "asked", "gone", "skipped", "made_up", "forgiven", "owed"):
            assert one[key] == other[key], key
        assert one["asked"] == one["gone"] + one["owed"] + one["forgiven"]


def test_a_stretch_counts_only_what_went_in_it():
    line = ordered()
    for crop in (GREEN, RED, GREEN, GREEN, RED, GREEN):
        line.order.went(crop)
    (row,) = told(line, from_ms=-3_500)  # the asking and three ejects were before it
    assert [crop["gone"] for crop in row["crops"]] == [2, 1]
    assert row["from_s"] < 0 and row["to_s"] is None


def test_a_blend_that_ended_before_the_stretch_is_none_of_its():
    line = ordered()
    line.order.went(GREEN)
    line.order.begin("", "ben", {}, ())
    assert told(line, from_ms=-60_000) == []


def test_the_scales_weights_stand_for_the_gutters_that_were_weighed():
    account, line = BlendAccount(), ordered()
    line.order.went(GREEN)
    line.order.went(RED)
    for event in line.take_events():
        account.take(event)
    account.take(Event(5, "gutter_weight", "packing", "", {"gutter": 1, "crop": GREEN, "kg": 1.3}))
    (row,) = account.rows(YIELDS)
    assert [crop["gone_kg"] for crop in row["crops"]] == [pytest.approx(1.3), pytest.approx(0.5)]

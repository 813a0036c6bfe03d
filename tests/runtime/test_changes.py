"""The ask `points`: what the points are now, and in which scan each of them moved."""

from __future__ import annotations

import pytest

from linectl.image import Frame
from linectl.runtime.changes import CHANGES_MAX, Changes


@pytest.fixture
def kept(shift):
    line = shift("small", start=False).line
    return Changes(line.site, line.outputs), line.site


def test_an_input_is_unknown_until_it_is_read_and_then_as_the_line_takes_it(kept):
    changes, site = kept
    guard = site.index("guard_seed.closed")
    assert changes.answer(-1, 0)["points"]["guard_seed.closed"] is None
    changes.note(Frame(values=[(guard, True)], quality=[(guard, True)]), [], [], 40)
    answer = changes.answer(0, 60)
    assert answer["points"]["guard_seed.closed"] is True
    assert answer["changes"] == [[1, 40, "guard_seed.closed", True]]
    assert (answer["now_ms"], answer["site_digest"]) == (60, site.digest)


def test_who_asks_since_a_number_is_told_each_later_change_with_its_scan(kept):
    changes, site = kept
    guard, run = site.index("guard_seed.closed"), site.index("fill.run")
    outputs = [False] * len(site.points)
    changes.note(Frame(quality=[(guard, True)]), [], outputs, 20)
    outputs[run] = True
    changes.note(Frame(), [run], outputs, 40)
    changes.note(Frame(quality=[(guard, False)]), [], outputs, 60)
    new = changes.answer(1, 80)["changes"]
    assert new == [[2, 40, "fill.run", True], [3, 60, "guard_seed.closed", None]]
    assert changes.answer(3, 80)["changes"] == []


def test_a_number_shows_its_value_and_floods_nothing(kept):
    changes, site = kept
    level = site.index("fill.hopper_level")
    changes.note(Frame(values=[(level, 55.0)], quality=[(level, True)]), [], [], 20)
    for now in range(40, 400, 20):
        changes.note(Frame(values=[(level, float(now))]), [], [], now)
    answer = changes.answer(0, 400)
    assert answer["points"]["fill.hopper_level"] == 380.0
    assert [change[:3] for change in answer["changes"]] == [[1, 20, "fill.hopper_level"]]


def test_more_changes_than_are_kept_are_told_as_lost(kept):
    changes, site = kept
    guard = site.index("guard_seed.closed")
    for number in range(CHANGES_MAX + 1):
        changes.note(Frame(quality=[(guard, number % 2 == 0)]), [], [], 20 * number)
    assert changes.answer(0, 0)["lost"] is True
    assert len(changes.answer(0, 0)["changes"]) == CHANGES_MAX
    assert changes.answer(1, 0)["lost"] is False


def test_a_counter_shows_what_was_read_last_though_the_line_was_not_told(kept):
    changes, site = kept
    pulses = site.index("water.flow_pulses")
    changes.note(Frame(quality=[(pulses, True)]), [], [], 20)
    assert changes.answer(0, 40, {pulses: 17})["points"]["water.flow_pulses"] == 17

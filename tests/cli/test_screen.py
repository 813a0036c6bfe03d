"""Numbers as a person reads them, and a drawing whose shapes are where the times are."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from linectl.cli.screen import clock, span, table
from linectl.cli.timeline import ALARM_ROWS_MAX, WIDTH, timeline


@pytest.mark.parametrize(
    ("seconds", "text"), [(0, "00:00"), (61.9, "01:01"), (3600, "1:00:00"), (None, "end")]
)
def test_times_of_the_run(seconds, text):
    assert clock(seconds) == text


@pytest.mark.parametrize(("seconds", "text"), [(0.2, "0s"), (93, "1m33s"), (7200, "2h")])
def test_durations_in_whole_seconds(seconds, text):
    assert span(seconds) == text


def test_a_table_too_wide_for_its_terminal_is_folded_and_never_cut():
    """Half an address or half a tag is none."""
    rows = [["io_harvest", "discrete 0–17", "lane6.lift.brake_released"]]
    narrow = Console(width=30, file=io.StringIO())
    narrow.print(table("device|address|point", rows))
    shown = narrow.file.getvalue()
    assert "…" not in shown
    columns = [line.split() for line in shown.splitlines()[2:]]
    assert "".join(cells[-1] for cells in columns).endswith("brake_released")


@pytest.fixture
def shift():
    def state(unit, name, start, end, reason=""):
        return {"unit": unit, "state": name, "from_s": start, "to_s": end, "reason": reason}

    return {
        "simulated_s": 1000.0,
        "states": [
            state("sowing", "Execute", 0, 400),
            state("sowing", "Suspending", 400, 410, "no freed slot"),
            state("sowing", "Suspended", 410, 700, "no freed slot"),
            state("sowing", "Unsuspending", 700, 703),
            state("sowing", "Execute", 703, None),
        ],
        "alarms": [{"tag": "air", "priority": "high", "from_s": 500, "to_s": None}],
        "flow": [
            {"from_s": 0.0, "indexed": 4, "ejected": 5},
            {"from_s": 300.0, "indexed": 0, "ejected": 0},
        ],
    }


def test_a_wait_is_one_bar_with_its_ways_in_and_out_and_its_reason(shift):
    (_, bars), _ = timeline(shift, shift["simulated_s"]).units
    assert [(bar.x, bar.x + bar.width, bar.look) for bar in bars] == [
        (0, 400, "run"),
        (400, pytest.approx(703), "wait"),
        (703, pytest.approx(WIDTH), "run"),
    ]
    assert bars[1].title == "Suspended 06:40–11:43 (5m3s): no freed slot"


def test_an_alarm_that_stands_reaches_the_end_and_bars_share_one_scale(shift):
    drawn = timeline(shift, shift["simulated_s"])
    ((alarm,),) = drawn.alarms
    assert (alarm.x, alarm.width, alarm.label) == (500, 500, "air")
    assert drawn.flow_max == 5
    assert drawn.flow[1]["x"] == 300


def test_alarms_that_stand_at_once_are_drawn_under_one_another_and_no_more_than_fit(shift):
    def alarm(tag, start, end=None):
        return {"tag": tag, "priority": "high", "from_s": start, "to_s": end}

    shift["alarms"] = [alarm("first", 100, 300), alarm("second", 200), alarm("later", 400)]
    drawn = timeline(shift, shift["simulated_s"])
    assert [[bar.label for bar in row] for row in drawn.alarms] == [["first", "later"], ["second"]]
    shift["alarms"] = [alarm(f"a{n}", n) for n in range(ALARM_ROWS_MAX + 3)]
    drawn = timeline(shift, shift["simulated_s"])
    assert (len(drawn.alarms), drawn.undrawn) == (ALARM_ROWS_MAX, 3)


def test_an_alarm_whose_tag_is_written_beside_its_bar_keeps_that_room(shift):
    shift["alarms"] = [
        {"tag": "a_long_tag", "priority": "low", "from_s": 100, "to_s": 101},
        {"tag": "next", "priority": "low", "from_s": 120, "to_s": 121},
    ]
    assert [len(row) for row in timeline(shift, shift["simulated_s"]).alarms] == [1, 1]


def test_a_shift_in_which_nothing_happened_is_drawn_too(shift):
    shift.update(states=[], alarms=[], flow=[])
    drawn = timeline(shift, shift["simulated_s"])
    assert (drawn.flow_max, drawn.units[0][1]) == (1, ())

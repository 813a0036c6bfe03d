"""`status`, `why` and `command` ask the running controller of a site."""

from __future__ import annotations

import re

import pytest

pytestmark = pytest.mark.wire

SPREAD = {"values": 900, "half": 20.0, "most": 23.0, "worst": 31.0}


def bus_row(name, up, errors, last=""):
    """A bus of one device as a controller describes it."""
    device = {
        "name": f"{name}_device", "good": up, "quality": "good" if up else "link_down",
        "demoted": False, "since_s": 61.0, "last_good_s": 0.02, "errors": errors, "last": last,
        "check": "check power" if last else "",
        "bad_points": {}, "holes": {}, "computed": {"age_ms": 45.0},
        "measured": {"latency_ms": SPREAD, "age_ms": SPREAD},
    }  # fmt: skip
    return {
        "name": name, "kind": "tcp", "up": up, "since_s": 61.0, "cycle_ms": 20.2,
        "errors": errors, "late": 0, "echoes": False, "remarks": [],
        "computed": {"cycle_ms": 20.0, "wire_ms": 9.5},
        "measured": {"cycle_ms": SPREAD, "wire_ms": SPREAD, "write_ms": SPREAD},
        "devices": [device],
    }  # fmt: skip


STATUS = {
    "site": "small",
    "pid": 4711,
    "edition": "isa-tr88.00.02-2015+hold",
    "units": {
        "sowing": {
            "mode": "production",
            "state": "Suspended",
            "since_s": 754.2,
            "reason": "no freed slot in lanes 1, 2 (crop green oakleaf)",
        },
        "harvest": {"mode": "production", "state": "Execute", "since_s": 3600, "reason": None},
    },
    "buses": [
        bus_row("io", True, {"silent": 0}),
        bus_row("drives", False, {"silent": 3}, "belts_sower (unit 11) function 4: no answer"),
    ],
    "alarms": 1,
    "forced": 0,
    "bypassed": 0,
    "approval": "approved by A. Person on 2026-03-02; 1 row since: guard_seed (changed)",
}
WHY = {
    "name": "seed.drum",
    "lines": [
        {
            "step": "cause",
            "met": False,
            "text": "guard at the seeder open",
            "clears": "close the guard",
            "points": ["guard_seed.closed"],
        },
        {"step": "unit", "met": True, "text": "sowing is Execute", "clears": "", "points": []},
    ],
}


@pytest.fixture
def controller(answering):
    answering.answer = STATUS
    return answering


def test_status_in_json_is_what_the_controller_said(linectl, controller):
    said = linectl("status", "config/small", "--json")
    assert (said.code, said.json) == (0, STATUS)


def test_status_in_words_says_state_reason_and_a_link_that_is_down(linectl, controller):
    said = linectl("status", "config/small")
    assert "controlled by process 4711" in said.out
    assert "Suspended   12m34s   no freed slot in lanes 1, 2" in said.out
    assert "DOWN" in said.out
    assert "3 silent" in said.out
    assert "LINK DOWN" in said.out
    assert "no answer" in said.out
    assert "drives_device: check power" in said.out


def test_status_says_who_approved_the_matrix_and_what_differs_since(linectl, controller):
    said = linectl("status", "config/small").out
    assert "matrix: approved by A. Person on 2026-03-02; 1 row since: guard_seed (changed)" in said


def test_status_shows_what_was_measured_beside_what_was_computed(linectl, controller):
    said = linectl("status", "config/small").out
    poll = re.search(r"^io +from poll to poll +(.*?) *$", said, re.M)
    assert poll is not None
    assert poll[1].split() == ["20", "ms", "20", "ms", "23", "ms", "31", "ms"]
    assert re.search(r"^ +its reads and writes +\d+ ms", said, re.M)
    assert re.search(r"^ +from scan to output +– ", said, re.M)


def test_why_puts_what_is_not_met_first_with_who_can_clear_it(linectl, controller):
    controller.answer = WHY
    said = linectl("why", "config/small", "seed.drum")
    assert said.code == 0
    assert "1 of 2 conditions not met" in said.out
    assert "NO    cause   guard at the seeder open   close the guard" in said.out
    assert controller.asked == [{"ask": "why", "name": "seed.drum"}]


def test_status_and_why_say_what_came_first_in_a_trip_that_stands(linectl, controller):
    text = "Sowing aborted 14:02:07.350 (±42 ms): guard at the seeder open (guard_seed.closed)"
    controller.answer = {**STATUS, "trips": [{"text": text}]}
    assert f"First-out {text}" in " ".join(linectl("status", "config/small").out.split())
    controller.answer = {**WHY, "trips": [{"text": text}]}
    said = linectl("why", "config/small", "seed.drum").out
    assert f"First-out {text}" in " ".join(said.split())


def test_why_of_an_unknown_name_is_wrong_use(linectl, controller):
    controller.answer = {"error": "'sed' is no tag"}
    said = linectl("why", "config/small", "sed")
    assert (said.code, said.out, said.err.strip()) == (2, "", "'sed' is no tag")


def test_a_command_names_unit_act_and_person(linectl, controller):
    controller.answer = {"accepted": True, "why": None}
    said = linectl("command", "config/small", "sowing", "mode", "dry-cycle", "--by", "anna")
    assert (said.code, said.out.strip()) == (0, "sowing mode: accepted")
    assert controller.asked == [
        {"ask": "command", "unit": "sowing", "name": "mode", "argument": "dry-cycle", "by": "anna"}
    ]


def test_the_lines_own_commands_need_no_unit(linectl, controller):
    controller.answer = {"accepted": True, "why": None}
    linectl("command", "config/small", "line", "programme", "1", "resting", "--by", "anna")
    assert (controller.asked[0]["unit"], controller.asked[0]["argument"]) == ("", "1 resting")


def test_a_refused_command_exits_1_and_says_why(linectl, controller):
    controller.answer = {"accepted": False, "why": "guard at the seeder open"}
    said = linectl("command", "config/small", "sowing", "start")
    assert (said.code, said.out.strip()) == (
        1,
        "sowing start: refused: guard at the seeder open",
    )


def test_a_misspelt_command_is_not_even_sent(linectl, controller):
    said = linectl("command", "config/small", "sowing", "strat")
    assert said.code == 2
    assert "nearest valid name: start" in said.err
    assert controller.asked == []


@pytest.mark.parametrize("command", [("status",), ("why", "fill"), ("command", "sowing", "stop")])
def test_without_a_controller_it_exits_3_and_says_how_to_start_one(
    linectl, monkeypatch, tmp_path, command
):
    tmp_path.chmod(0o700)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    said = linectl(command[0], "config/small", *command[1:])
    assert (said.code, said.out) == (3, "")
    assert "linectl run config/small" in said.err

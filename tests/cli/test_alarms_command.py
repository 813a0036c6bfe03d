"""`alarms`: the list as a person reads it, and the acts as the controller is asked for them."""

from __future__ import annotations

import pytest

from linectl.cli.alarm_rates import print_rates
from linectl.runtime.alarm_rates import Change, rates

pytestmark = pytest.mark.wire
WIDTH = 100


def row(tag, state, **more):
    """One alarm as the controller tells it."""
    facts = {
        "tag": tag, "state": state, "waiting": "unacknowledged" in state, "hidden": False,
        "present": True, "priority": "high", "since_s": 130.0, "first_out": False,
        "text": f"{tag} came", "consequence": "sowing stands", "look": ["here", "there"],
        "do": "mend it", "may_shelve": True, "explained_by": None, "shelved": None,
        "out_of_service": None,
    }  # fmt: skip
    return facts | more


LONG = "a gutter may lie across the joint, the lift does not move, and this lane stands " * 2
LIST = {
    "site": "small",
    "alarms": [
        row("guard_seed", "latched_unacknowledged", first_out=True, present=False),
        row("hopper_low", "acknowledged", priority="low", consequence=LONG),
        row("seed_low", "shelved", hidden=True, since_s=None,
            shelved={"by": "anna", "why": "lorry at noon", "one_shot": True, "left_s": 600}),
        row("magazine_low", "out_of_service", hidden=True, present=False, since_s=None,
            out_of_service={"by": "bo", "why": "eye broken", "since_s": 60}),
        row("estop_lanes", "suppressed_by_design", hidden=True, explained_by="supply_BE1"),
    ],
    "counts": {"standing": 2, "unacknowledged": 1, "shelved": 1, "suppressed_by_design": 1,
               "out_of_service": 1},
    "shelve_limit_s": 28800,
}  # fmt: skip


@pytest.fixture
def listed(linectl, answering, monkeypatch):
    answering.answer = LIST
    monkeypatch.setattr("linectl.cli.screen.PIPE_COLUMNS", WIDTH)
    return linectl("alarms", "config/small").out


def test_the_list_in_json_is_what_the_controller_said(linectl, answering):
    answering.answer = LIST
    said = linectl("alarms", "config/small", "--json")
    assert (said.code, said.json) == (0, LIST)
    assert answering.asked == [{"ask": "alarms"}]


def test_an_alarm_says_what_follows_where_to_look_and_what_to_do(listed):
    assert "! guard_seed  high  latched unacknowledged for 2m10s FIRST" in listed
    for line in ("what       guard_seed came", "otherwise  sowing stands", "look at    here",
                 "do         mend it"):  # fmt: skip
        assert line in listed
    assert "  hopper_low  low  acknowledged" in listed


def test_the_first_line_counts_what_stands_and_what_is_put_aside(listed):
    assert listed.startswith(
        "small: 2 alarms stand, 1 to acknowledge, 1 shelved, 1 suppressed by design,"
    )


def test_what_is_not_shown_says_by_whom_why_and_until_when(listed):
    aside = listed[listed.index("Not shown") :]
    for words in (("seed_low", "shelved", "anna", "lorry at noon", "in 10m or once", "there"),
                  ("magazine_low", "out of service", "bo", "eye broken", "when returned"),
                  ("estop_lanes", "suppressed by design", "supply_BE1", "explains")):  # fmt: skip
        line = next(line for line in aside.splitlines() if line.startswith(words[0]))
        for word in words:
            assert word in line


def test_a_screen_of_a_hundred_columns_holds_it(listed):
    assert max(len(line.rstrip()) for line in listed.splitlines()) <= WIDTH


def test_no_alarm_is_said_so(linectl, answering):
    answering.answer = {"site": "small", "alarms": [], "counts": dict.fromkeys(LIST["counts"], 0)}
    assert "no alarm stands, 0 to acknowledge" in linectl("alarms", "config/small").out


@pytest.mark.parametrize(
    ("options", "name", "argument"),
    [
        (("--ack", "all"), "alarm-ack", "all"),
        (("--ack", "guard_seed"), "alarm-ack", "guard_seed"),
        (("--shelve", "seed_low", "--for", "30m", "--why", "lorry at noon"), "alarm-shelve",
         "seed_low 30m lorry at noon"),
        (("--shelve", "seed_low", "--once", "--why", "refilled"), "alarm-shelve",
         "seed_low once refilled"),
        (("--unshelve", "seed_low"), "alarm-unshelve", "seed_low"),
        (("--out-of-service", "seed_low", "--why", "eye broken"), "alarm-out-of-service",
         "seed_low eye broken"),
        (("--in-service", "seed_low"), "alarm-in-service", "seed_low"),
    ],
)  # fmt: skip
def test_each_act_is_a_command_under_a_name(linectl, answering, options, name, argument):
    answering.answer = {"accepted": True, "why": None}
    said = linectl("alarms", "config/small", *options, "--by", "anna")
    assert said.code == 0
    assert said.out.strip() == f"{name} {argument.split()[0]}: accepted"
    assert answering.asked == [
        {"ask": "command", "unit": "", "name": name, "argument": argument, "by": "anna"}
    ]


def test_a_refused_act_exits_1_and_says_why(linectl, answering):
    answering.answer = {"accepted": False, "why": "guard_seed is never hidden"}
    said = linectl("alarms", "config/small", "--unshelve", "guard_seed")
    assert said.code == 1
    assert "refused: guard_seed is never hidden" in said.out


@pytest.mark.parametrize(
    "options",
    [
        ("--shelve", "seed_low"),
        ("--shelve", "seed_low", "--for", "1h", "--once"),
        ("--ack", "all", "--rates"),
        ("--ack", "all", "--unshelve", "seed_low"),
    ],
)
def test_wrong_use_is_not_even_asked(linectl, answering, options):
    assert linectl("alarms", "config/small", *options).code == 2
    assert answering.asked == []


CHANGES = [Change(at * 1000, "seed_low", "low", "unacknowledged", True, True) for at in (1, 20, 40)]


def test_rates_are_computed_here_from_what_the_controller_kept(linectl, answering):
    answering.answer = {"site": "small", "from_ms": 0, "to_ms": 3_600_000, "changes": CHANGES}
    said = linectl("alarms", "config/small", "--rates", "--json")
    assert answering.asked == [{"ask": "alarm changes"}]
    assert said.json["alarms"] == 3
    assert said.json["chattering"] == [{"tag": "seed_low", "times": 3, "most_in_a_minute": 3}]


def test_rates_in_words_stand_beside_their_targets(capsys):
    print_rates(rates(CHANGES, 0, 3_600_000))
    said = capsys.readouterr().out
    assert "alarm rates over 1h, 3 alarms" in said
    assert "Chattering" in said
    assert "Floods none" in said
    assert "about 80%" in said

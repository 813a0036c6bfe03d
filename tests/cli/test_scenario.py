"""Scenario files say what happens and when; what is wrong in one is said at once, by line."""

from __future__ import annotations

from pathlib import Path

import pytest

from linectl.errors import SiteError
from linectl.line import commands
from linectl.site.faults import fault_kinds
from linectl.site.load import load_site
from linectl.site.scenario import COMMANDS, STALL, load_scenario

ROOT = Path(__file__).parents[2]
SCENARIOS = sorted((ROOT / "sim/scenarios").rglob("*.yaml"))


@pytest.fixture(scope="module")
def small():
    return load_site(ROOT / "config/small")


@pytest.fixture
def load(tmp_path, small):
    def load(text):
        path = tmp_path / "day.yaml"
        path.write_text(text)
        return load_scenario(path, small)

    return load


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_every_scenario_we_ship_can_be_played_on_the_small_site(path, small):
    assert load_scenario(path, small)


def test_the_stall_played_by_default_is_the_one_in_the_file(small):
    shipped = load_scenario(ROOT / "sim/scenarios/stall.yaml", small)
    assert [(a.at_ms, a.verb, a.part) for a in shipped] == [
        (a.at_ms, a.verb, a.part) for a in STALL
    ]


def test_times_are_durations_or_seconds_and_actions_come_in_their_order(load):
    actions = load(
        "- {at: 22m30s, do: harvest resumes}\n"
        "- {at: 1200, do: harvest stops}\n"
        "- {at: 0.25, do: open, guard: seed}\n"
    )
    assert [(a.at_ms, a.verb) for a in actions] == [
        (250, "open"),
        (1_200_000, "harvest stops"),
        (1_350_000, "harvest resumes"),
    ]


def test_what_the_plant_is_told_stands_beside_the_verb(load):
    fault, silence, select, hard = load(
        "- {at: 1, do: fault, part: fill.exit_eye, kind: stuck_on, for: 90s}\n"
        "- {at: 2, do: silence, device: meter, for: 4s}\n"
        "- {at: 3, do: select, zone: sowing, place: machine}\n"
        "- {at: 4, do: hard cut, on: false}\n"
    )
    assert (fault.part, dict(fault.options)) == (
        "fill.exit_eye",
        {"kind": "stuck_on", "for_ms": 90_000},
    )
    assert (silence.part, dict(silence.options)) == ("meter", {"for_ms": 4000})
    assert (select.part, dict(select.options)) == ("sowing", {"place": "machine"})
    assert dict(hard.options) == {"on": False}


def test_mistakes_in_the_wires_and_hands_at_sensors_come_with_what_they_need(load):
    actions = load(
        "- {at: 1, do: miswire, part: fill.entry_eye, kind: swapped, other: fill.exit_eye}\n"
        "- {at: 2, do: miswire, part: seed.vacuum, kind: scale, by: 0.1}\n"
        "- {at: 3, do: miswire, part: fill.run, kind: inverted}\n"
        "- {at: 4, do: fault, part: fill.run, kind: backwards}\n"
        "- {at: 5, do: hold sensor, part: seed.vacuum, value: 9.5}\n"
        "- {at: 6, do: hold sensor, part: turn.at_0, value: false}\n"
        "- {at: 7, do: break wire, part: seed.vacuum}\n"
    )
    assert [(action.part, dict(action.options)) for action in actions] == [
        ("fill.entry_eye", {"kind": "swapped", "other": "fill.exit_eye"}),
        ("seed.vacuum", {"kind": "scale", "by": 0.1}),
        ("fill.run", {"kind": "inverted"}),
        ("fill.run", {"kind": "backwards"}),
        ("seed.vacuum", {"value": 9.5}),
        ("turn.at_0", {"value": False}),
        ("seed.vacuum", {}),
    ]


def test_a_command_goes_to_its_unit_or_to_the_line(load):
    unit, line = load(
        "- {at: 1, do: command, unit: sowing, command: reset}\n"
        "- {at: 2, do: command, command: advance-empty, argument: 3, by: anna}\n"
    )
    assert (unit.part, dict(unit.options)) == ("sowing", {"command": "reset"})
    assert (line.part, dict(line.options)) == (
        "",
        {"command": "advance-empty", "argument": "3", "by": "anna"},
    )


WRONG = [
    (
        "- {at: 1, do: harvest stop}",
        "day.yaml:1: do: 'harvest stop' is not a verb",
        "harvest stops",
    ),
    ("- {do: harvest stops}", "day.yaml:1: at: is missing; write a duration", ""),
    ("- {at: soon, do: harvest stops}", "day.yaml:1: at: 'soon' is not a duration", "22m30s"),
    ("- {at: -5, do: harvest stops}", "day.yaml:1: at: -5 is no time", ""),
    ("- {at: true, do: harvest stops}", "day.yaml:1: at: True is no time", ""),
    (
        "- {at: 1, do: fault, part: fill.exit_eyes, kind: stuck_on}",
        "part: 'fill.exit_eyes' is not a part of this site that can fail",
        "nearest valid name: fill.exit_eye",
    ),
    (
        "- {at: 1, do: fault, part: tamp, kind: press_stick}",
        "kind: 'press_stick' is not a fault of tamp",
        "nearest valid name: press_sticks",
    ),
    ("- {at: 1, do: fault, part: tamp}", "kind: is missing; `fault` needs it", ""),
    ("- {at: 1, do: open, guard: seeds}", "guard: 'seeds' is not a guard", "seed"),
    ("- {at: 1, do: open, zone: sowing}", "zone: is not a key of `open`", ""),
    ("- {at: 1, do: press estop, zone: sower}", "zone: 'sower' is not a zone", "sowing"),
    ("- {at: 1, do: silence, device: metre, for: 1s}", "'metre' is not a device", "meter"),
    ("- {at: 1, do: take out, place: lane1.grow.8}", "'lane1.grow.8' is not a place", "lane1.grow"),
    (
        "- {at: 1, do: command, unit: sowing, command: unhol}",
        "command: 'unhol' is not a command",
        "unhold",
    ),
    ("- {at: 1, do: hard cut, on: maybe}", "on: must be true or false", ""),
    ("- {at: 1, do: miswire, part: fill.exit_ey, kind: dead}", "is not a part", "fill.exit_eye"),
    (
        "- {at: 1, do: miswire, part: seed.vacuum, kind: word_order}",
        "kind: 'word_order' is not a mistake in the wires of seed.vacuum",
        "",
    ),
    ("- {at: 1, do: miswire, part: fill.run, kind: swapped}", "other: is missing", ""),
    (
        "- {at: 1, do: miswire, part: fill.run, kind: swapped, other: turn.at_0}",
        "other: the wires of turn.at_0 cannot be swapped with those of fill.run",
        "",
    ),
    (
        "- {at: 1, do: miswire, part: fill.run, kind: dead, by: 10}",
        "by: is not a key of kind `dead`, only of `scale`",
        "",
    ),
    ("- {at: 1, do: miswire, part: seed.vacuum, kind: scale, by: 0}", "by: must be above 0", ""),
    ("- {at: 1, do: hold sensor, part: fill.exit_eye, value: 1}", "must be true or false", ""),
    ("- {at: 1, do: hold sensor, part: seed.vacuum, value: true}", "value: must be a number", ""),
    ("- {at: 1, do: fault, part: fill.speed, kind: stuck}", "can fail", "fill."),
    ("- harvest stops", "day.yaml:1: entry: must be a mapping", ""),
    ("at: 1", "day.yaml:1: file: must be a list, one entry a line", ""),
    ("- {at: 1, do: ", "day.yaml:2: file: is not YAML", ""),
]


@pytest.mark.parametrize(("text", "message", "hint"), WRONG, ids=[w[0][2:40] for w in WRONG])
def test_what_is_wrong_is_said_with_its_line_and_the_nearest_name(load, text, message, hint):
    with pytest.raises(SiteError) as caught:
        load(text + "\n")
    said = str(caught.value)
    assert message in said
    assert hint in said


def test_all_errors_come_at_once_in_order_of_line(load):
    with pytest.raises(SiteError) as caught:
        load("- {at: 1, do: opn, guard: seed}\n# a remark\n- {at: never, do: open, guard: sed}\n")
    assert [(f.line, f.key) for f in caught.value.findings] == [(1, "do"), (3, "at"), (3, "guard")]


def test_a_file_that_is_not_there_is_named(tmp_path, small):
    with pytest.raises(SiteError, match=r"nowhere\.yaml:1: file: cannot be read"):
        load_scenario(tmp_path / "nowhere.yaml", small)


def test_every_part_that_moves_and_every_device_can_fail(small):
    kinds = fault_kinds(small)
    for part in ("tamp", "infeed", "lane1.germ", "lane2.lift", "sowing", "meter", "turn.centred"):
        assert kinds[part]
    assert "skewed" in kinds["turnout"]
    assert "feeds_two" not in kinds["fill"]


def test_scenarios_know_exactly_the_commands_that_the_line_obeys():
    assert sorted(COMMANDS) == sorted(commands.NAMES)

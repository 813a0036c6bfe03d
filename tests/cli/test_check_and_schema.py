"""`check` says everything at once, and what the site can give; `schema` feeds an editor."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest


def test_a_good_site_is_said_to_be_good_with_all_that_was_promised(linectl):
    said = linectl("check", "config/small", "--json")
    report = said.json
    assert said.code == 0
    assert report["site"] == "small"
    assert report["ok"] is True
    assert (report["errors"], report["warnings"]) == ([], [])
    assert report["points"] > 200
    assert report["devices"] == 7
    for bus in report["buses"]:
        assert set(bus) >= {"name", "kind", "requests", "cycle_ms", "wire_ms"}
        assert 0 < bus["wire_ms"] <= bus["cycle_ms"]
    for row in report["reactions"]:
        assert set(row) >= {"cause", "effect", "worst_ms", "limit_ms", "ok"}
        assert row["ok"] is (row["worst_ms"] <= row["limit_ms"])
    stops = {(row["cause"], row["effect"]) for row in report["reactions"]}
    assert ("estop_sowing", "lanes_off") in stops


@pytest.mark.parametrize("site", ["fennmark", "small", "one_run", "counter_flow", "tiny"])
def test_a_person_reads_takt_buses_reactions_tools_and_eyes(linectl, site):
    said = linectl("check", f"config/{site}")
    assert said.code == 0
    for part in ("Takt: asked", "slowest: ", "Buses", "Reactions", "Tools", "Eyes", "gutters/h"):
        assert part in said.out


def test_a_broken_site_exits_1_with_file_line_key_and_the_nearest_name(linectl, broken_site):
    said = linectl("check", broken_site)
    assert said.code == 1
    assert "2 errors" in said.out
    assert re.search(r"site\.yaml:\d+: takt: '0s' must be above 0", said.out)
    assert "stations.fill.hoper_l: is not a key that this place knows" in said.out
    assert "nearest valid name: hopper_l" in said.out


def test_a_broken_site_in_json_carries_the_same_findings(linectl, broken_site):
    said = linectl("check", broken_site, "--json")
    assert said.code == 1
    assert said.json["ok"] is False
    assert {(e["file"], e["key"]) for e in said.json["errors"]} == {
        ("site.yaml", "takt"),
        ("site.yaml", "stations.fill.hoper_l"),
    }
    assert all(
        set(error) == {"file", "line", "key", "message", "hint"} for error in said.json["errors"]
    )


def test_a_reaction_slower_than_its_zone_allows_is_an_error_at_the_cause(linectl, tmp_path):
    for file in ("site.yaml", "io.csv", "interlocks.yaml", "crops.yaml"):
        text = Path("config/small", file).read_text()
        (tmp_path / file).write_text(text.replace("reaction_limit: 500ms", "reaction_limit: 90ms"))
    said = linectl("check", tmp_path)
    assert said.code == 1
    assert "interlocks.yaml:" in said.out
    assert "the zone allows 90 ms" in said.out


def test_commands_that_need_a_good_site_show_its_errors_and_start_nothing(linectl, broken_site):
    said = linectl("rehearse", broken_site, "--for", "1m")
    assert (said.code, said.out) == (1, "")
    assert "stations.fill.hoper_l" in said.err
    assert "2 errors. Nothing was started." in said.err


def test_a_folder_that_is_no_site_is_named(linectl):
    said = linectl("check", "config/nowhere")
    assert said.code == 1
    assert "config/nowhere:1: site: there is no such folder" in said.out


@pytest.mark.parametrize("file", ["site.yaml", "crops.yaml", "interlocks.yaml"])
def test_each_yaml_file_has_a_schema(linectl, file):
    assert linectl("schema", file).json["type"] == "object"


def test_all_schemas_are_written_into_a_folder(linectl, tmp_path):
    said = linectl("schema", "--into", tmp_path)
    assert said.code == 0
    written = sorted(path.name for path in tmp_path.iterdir())
    assert written == [
        "calibration.schema.json",
        "crops.schema.json",
        "interlocks.schema.json",
        "site.schema.json",
    ]
    assert json.loads((tmp_path / "site.schema.json").read_text())["properties"]["takt"]


def test_a_file_without_a_schema_is_wrong_use(linectl):
    said = linectl("schema", "sites.yaml")
    assert said.code == 2
    assert "nearest valid name: site.yaml" in said.err


def test_the_read_plan_is_shown_on_demand_with_addresses_both_ways(linectl):
    said = linectl("check", "config/fennmark", "--plan")
    assert said.code == 0
    assert "Reads of drives: 5 requests" in said.out
    assert re.search(r"meter +31 +4 +input 0–1 .*\n +30001–30002", said.out)
    assert re.search(r"All buses together: \d\.\d% of the bus time of one request", said.out)
    assert "Reads of" not in linectl("check", "config/fennmark").out


def test_the_plan_in_json_names_every_input_once(linectl):
    report = linectl("check", "config/fennmark", "--plan", "--json").json
    tags = [tag for request in report["plan"] for tag in request["points"]]
    assert len(tags) == len(set(tags)) > 200
    for request in report["plan"]:
        assert request["ms"] > 0
        assert f" {request['address']} (reference " in request["first"]
        assert (request["poll"], request["every"], request["phase"]) == ("", 1, 0)
    assert 0 < report["plan_fraction"] < 0.25
    assert "plan" not in linectl("check", "config/fennmark", "--json").json


def test_budgets_and_ages_are_in_the_report(linectl):
    report = linectl("check", "config/fennmark", "--json").json
    for bus in report["buses"]:
        spent = bus["wire_ms"] + bus["write_ms"]
        assert bus["headroom_ms"] == pytest.approx(bus["poll_ms"] - spent)
        assert bus["fits"] is (bus["headroom_ms"] >= 0)
    ages = {age["tag"]: age for age in report["ages"]}
    assert "estop_sowing" in ages["sowing.estop_ok"]["causes"]
    assert all(age["worst_ms"] > age["period_ms"] for age in ages.values())
    said = linectl("check", "config/fennmark")
    assert "Interlock inputs" in said.out
    assert "headroom" in said.out


def test_a_slow_class_that_makes_a_reaction_too_late_is_an_error_at_its_cause(linectl, tmp_path):
    """The turn-out's drive is read at each third poll of 100 ms: 200 ms more than at every one."""
    for file in ("site.yaml", "io.csv", "interlocks.yaml", "crops.yaml"):
        text = Path("config/small", file).read_text()
        if file == "io.csv":
            head, *rows = text.splitlines()
            rows = [row + ",,slow" * (",belts_harvest,input," in row) for row in rows]
            text = "\n".join([head + ",poll", *rows]) + "\n"
        text = text.replace("    poll: 100ms\n", "    poll: 100ms\n    polls: {slow: 300ms}\n")
        (tmp_path / file).write_text(text.replace("reaction_limit: 500ms", "reaction_limit: 480ms"))
    usual = linectl("check", "config/small", "--json").json["reactions"]
    slow = linectl("check", tmp_path, "--json")
    worst = {(row["cause"], row["effect"]): row for row in usual}["drive_turnout", "turnout_off"]
    late = {(row["cause"], row["effect"]): row for row in slow.json["reactions"]}
    assert late["drive_turnout", "turnout_off"]["worst_ms"] >= worst["worst_ms"] + 190
    assert slow.code == 1
    assert {error["key"] for error in slow.json["errors"]} == {"matrix.drive_turnout"}
    assert "slow: poll " in linectl("check", tmp_path, "--plan").out

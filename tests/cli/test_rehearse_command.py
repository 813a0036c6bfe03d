"""`rehearse` reports a shift: to a program as promised, to a person in words, on a page."""

from __future__ import annotations

import json
import re

import pytest

from linectl.errors import PlantMissing
from linectl.ledger import Ledger
from linectl.site.load import load_site

PROMISED = {
    "site": str, "seed": int, "simulated_s": float, "wall_s": float, "times_real": float,
    "ticks": int, "scans": int, "gutters": dict, "takt": dict, "waits": list, "alarms": list,
    "lanes": list, "violations": list,
}  # fmt: skip
GUTTERS = {
    "in_lanes_at_start", "wetted", "seeded", "indexed", "ejected", "rejected", "removed",
    "partial", "in_sower", "in_sower_seeded", "in_lanes",
}  # fmt: skip


@pytest.fixture(scope="module")
def stall(tmp_path_factory):
    path = tmp_path_factory.mktemp("scenario") / "stall.yaml"
    path.write_text("- {at: 4m, do: harvest stops}\n- {at: 9m, do: harvest resumes}\n")
    return path


def test_the_json_has_every_promised_key_and_kind(linectl, stall):
    said = linectl("rehearse", "config/small", "--for", "15m", "--scenario", stall, "--json")
    shift = said.json
    assert said.code == 0, shift["violations"]
    for key, kind in PROMISED.items():
        assert isinstance(shift[key], kind), key
    assert set(shift["gutters"]) >= GUTTERS
    assert set(shift["takt"]) >= {"possible_s", "achieved_s", "slowest"}
    for wait in shift["waits"]:
        assert set(wait) >= {"unit", "state", "reason", "lane", "from_s", "to_s"}
    for alarm in shift["alarms"]:
        assert set(alarm) >= {"tag", "priority", "first_out", "from_s", "to_s"}
    for lane in shift["lanes"]:
        assert set(lane) >= {"lane", "slots", "filled", "indexed", "ejected"}


def test_gutters_balance_and_the_sower_waited_for_harvest(linectl, stall):
    said = linectl("rehearse", "config/small", "--for", "15m", "--scenario", stall, "--json")
    shift, count = said.json, said.json["gutters"]
    assert count["in_lanes_at_start"] + count["indexed"] == count["ejected"] + count["in_lanes"]
    assert count["seeded"] == count["indexed"] + count["in_sower_seeded"]
    assert sum(lane["filled"] for lane in shift["lanes"]) == count["in_lanes"]
    waits = [w for w in shift["waits"] if (w["unit"], w["state"]) == ("sowing", "Suspended")]
    assert any(
        240 < w["from_s"] < 540 and "harvest" in w["reason"] and "lanes 1, 2" in w["reason"]
        for w in waits
    ), waits


def test_a_technician_reads_what_ran_who_waited_and_what_came_of_it(linectl, stall):
    said = linectl("rehearse", "config/small", "--for", "15m", "--scenario", stall)
    assert said.code == 0
    assert said.err == ""  # no bar where there is no terminal
    assert re.search(r"small: 15m rehearsed in [\d.]+ s \([\d,]+ × real time\), seed 1", said.out)
    assert "04:00 harvest stops" in said.out
    assert re.search(
        r"sowing +Suspended +\d\d:\d\d +\d\d:\d\d +\d+m?\d*s? +no freed slot", said.out
    )
    assert "no rule of the line was violated" in said.out
    assert not re.search(r"Traceback|None|\{|nan", said.out)


def test_what_would_come_after_the_end_is_said(linectl):
    said = linectl("rehearse", "config/small", "--for", "1m")
    assert "2 more of the scenario would have come after the end" in said.out


def test_the_page_stands_alone_and_says_states_by_word_and_pattern(linectl, stall, tmp_path):
    path = tmp_path / "shift.html"
    arguments = ("--for", "15m", "--scenario", stall, "--report", path)
    assert linectl("rehearse", "config/small", *arguments).code == 0
    page = path.read_text()
    assert "<svg" in page
    assert not re.search(r"(src|href)=|https?://(?!www\.w3\.org)|<script", page)
    assert 'fill="url(#wait)"' in page
    assert ">Suspended</text>" in page
    assert "04:00 harvest stops" in page


def test_the_ledger_kept_in_a_file_agrees_with_the_bodies(linectl, tmp_path):
    path = tmp_path / "shift.sqlite3"
    arguments = ("--for", "10m", "--ledger", path, "--json")
    shift = linectl("rehearse", "config/small", *arguments).json
    ledger = Ledger.open(str(path), load_site("config/small"))
    filled = [row["filled"] for row in ledger.lanes()]
    ledger.close()
    assert filled == [lane["filled"] for lane in shift["lanes"]]


def test_the_same_seed_gives_the_same_events_to_the_byte(linectl, tmp_path):
    for name in ("one", "two"):
        path = tmp_path / name
        linectl("rehearse", "config/small", "--for", "6m", "--seed", 5, "--events", path)
    assert (tmp_path / "one").read_bytes() == (tmp_path / "two").read_bytes()
    first = (tmp_path / "one").read_text().splitlines()[0]
    assert isinstance(json.loads(first), dict)


def test_a_violated_rule_exits_1_and_is_named(linectl, monkeypatch, stall):
    shift = linectl("rehearse", "config/small", "--for", "2m", "--json").json
    shift["violations"] = [
        {"rule": "two bodies in one place", "at_s": 61.5, "detail": "lane1.germ.0"}
    ]
    monkeypatch.setattr("linectl.cli.rehearse._on_bench", lambda *_: shift)
    said = linectl("rehearse", "config/small", "--for", "2m")
    assert said.code == 1
    assert "Auditor: 1 violation" in said.out
    assert re.search(r"01:01 +two bodies in one place +lane1\.germ\.0", said.out)


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        (("--for", "5"), 2, "is not a duration"),
        (("--for", "0s"), 2, "must be longer than nothing"),
        (("--lanes", "1.5"), 2, "neither full, empty nor a share"),
        (("--ripe-check", "maybe"), 2, "maybe"),
        (("--wire", "--every-tick"), 2, "leave out --wire"),
        (("--report", "nowhere/shift.html"), 2, "there is no folder nowhere"),
        (("--report", "config"), 2, "config: is a folder; name a file in it"),
        (("--events", "/proc/events.jsonl"), 3, "/proc/events.jsonl: cannot be written"),
        (("--scenario", "config"), 1, "config:1: file: cannot be read"),
        (("--scenario", "nowhere.yaml"), 1, "nowhere.yaml:1: file: cannot be read"),
        (("--ledger", "nowhere/l.sqlite3"), 3, "does its folder exist"),
    ],
)
def test_wrong_use_is_said_before_anything_runs(linectl, arguments, code, message):
    said = linectl("rehearse", "config/small", *arguments)
    assert (said.code, said.out) == (code, "")
    assert message in " ".join(said.err.replace("│", " ").split())


def test_without_a_plant_model_it_exits_3_and_says_what_to_install(linectl, monkeypatch):
    def missing(name):
        raise PlantMissing("no plant model is installed")

    monkeypatch.setattr("linectl.runtime.plant._load", missing)
    said = linectl("rehearse", "config/small", "--for", "1m")
    assert (said.code, said.err.strip()) == (3, "no plant model is installed")

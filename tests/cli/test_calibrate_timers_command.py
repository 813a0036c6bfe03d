"""`linectl calibrate SITE timers`: shown, written, taken back; from a file or a controller."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from linectl.cli.plots import canvas
from linectl.runtime.rehearsal import Options
from linectl.runtime.virtual import rehearse
from linectl.site.load import load_site

ROOT = Path(__file__).parents[2]
PROMISED = {
    "site", "steps", "timeouts", "drifted", "good", "left_out", "written", "diff", "kept",
}  # fmt: skip


@pytest.fixture(scope="module")
def events(tmp_path_factory):
    """What eight minutes of the small line told."""
    path = tmp_path_factory.mktemp("events") / "small.jsonl"
    rehearse(load_site(ROOT / "config/small"), Options(480_000, scenario=(), events=path))
    return path


@pytest.fixture
def folder(tmp_path):
    return Path(shutil.copytree(ROOT / "config/small", tmp_path / "small"))


def test_without_a_name_it_only_shows(linectl, events, folder):
    told = linectl("calibrate", folder, "timers", "--events", events, "--json").json
    assert set(told) == PROMISED and not told["written"]
    (pressing,) = (one for one in told["steps"] if one["step"] == "tamp.pressing")
    assert pressing["n"] >= 10 and pressing["path"] == "stations.tamp.press_timeout"
    said = linectl("calibrate", folder, "timers", "--events", events).out
    assert "nothing is written or recorded" in said and "lane1.lift.carrying" in said
    assert "Rule:" in said
    names = {path.name for path in folder.iterdir()}
    assert not names & {"timers.csv", "changes.csv", "site.yaml.previous"}


def test_it_is_written_under_a_name_and_taken_back_in_one_step(linectl, events, folder):
    before = (folder / "site.yaml").read_bytes()
    asked = ("calibrate", folder, "timers", "--events", events, "--by", "Ina Roth")
    told = linectl(*asked, "--yes", "--json").json
    assert told["written"] and "+    press_timeout: 3.9s" in told["diff"]
    assert Path(told["kept"]).read_bytes() == before
    back = linectl("calibrate", folder, "timers", "--undo", "--yes", "--by", "I. Roth").out
    assert "put back" in back and (folder / "site.yaml").read_bytes() == before


def test_a_script_answers_for_a_person(linectl, events, folder, tmp_path):
    script = tmp_path / "answers.yaml"
    script.write_text(
        "by: Ina Roth\nanswers:\n  - {when: which are taken, say: '2'}\n"
        "  - {when: write this, say: 'yes'}\n"
    )
    said = linectl("calibrate", folder, "timers", "--events", events, "--answers", script).out
    assert "written; as it was before" in said
    assert load_site(folder).file.stations["tamp"].press_timeout_ms == 3_900


@pytest.mark.skipif(not canvas.can_draw(), reason="needs the extra `report`")
def test_the_page_has_the_picture_and_the_tables(linectl, events, folder, tmp_path):
    page = tmp_path / "timers.html"
    linectl("calibrate", folder, "timers", "--events", events, "--html", page)
    text = page.read_text(encoding="utf-8")
    assert "<svg" in text and "tamp.pressing" in text and "the longest and a quarter" in text


def test_wrong_use_is_said_and_nothing_written(linectl, events, folder):
    asked = ("calibrate", folder, "timers", "--events", events)
    none = folder / "none.jsonl"
    none.write_text("{}\n")
    for said, *options in (
        ("say who does it", *asked, "--yes"),
        ("times of day", *asked, "--from", "06:00"),
        ("none.jsonl:1: is no event", "calibrate", folder, "timers", "--events", none),
    ):
        ended = linectl(*options)
        assert ended.code == 2 and said in ended.err


def reply(request, digest, rows):
    """A controller's, two stretches long."""
    since = request["since"]
    half = len(rows) // 2
    first, last = (0, half) if since < half else (half, len(rows))
    if since >= len(rows):
        first = last = len(rows)
    return {
        "site_digest": digest, "now_ms": 480_000, "number": last, "more": last < len(rows),
        "lost": False, "steps": rows[first:last],
    }  # fmt: skip


def test_a_running_controller_is_asked_for_all_that_it_has_kept(linectl, answering, events):
    lines = [json.loads(line) for line in events.read_text(encoding="utf-8").splitlines()]
    rows = [[one[key] for key in ("at", "kind", "source", "text", "data")]
            for one in lines if "move" not in one]  # fmt: skip
    digest = load_site(ROOT / "config/small").digest
    answering.answer = lambda request: reply(request, digest, rows)
    asked = ("calibrate", ROOT / "config/small", "timers", "--cycles", "10", "--json")
    told = linectl(*asked).json
    assert min(n for part, n in told["good"].items() if "lane" not in part) >= 10
    since = [one["since"] for one in answering.asked if one["ask"] == "steps"]
    assert since[1:] == [-1, len(rows) // 2]
    answering.answer = lambda request: reply(request, "another", rows)
    ended = linectl(*asked)
    assert ended.code == 2 and "other site files" in ended.err

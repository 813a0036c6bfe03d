"""`linectl report`: a shift for the supervisor, as text, JSON, CSV and a page with plots."""

from __future__ import annotations

import csv
import datetime as dt
import importlib
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import pytest

from linectl.cli import plots
from linectl.runtime.account import NO_CONTROLLER
from linectl.runtime.shift_calendar import Span
from linectl.runtime.shift_report import report
from linectl.site.load import load_site
from linectl.site.scenario import load_scenario

ROOT = Path(__file__).parents[2]
SITE = "config/small"
command = importlib.import_module("linectl.cli.report")


@pytest.fixture(scope="module")
def recorded(shift, tmp_path_factory):
    """A rehearsed shift with a guard opened in it, in a ledger, and from when to when."""
    path = tmp_path_factory.mktemp("report") / "ledger.sqlite3"
    opened = load_scenario(ROOT / "sim" / "scenarios" / "guard_opened.yaml", load_site(ROOT / SITE))
    made = shift("small", ledger=str(path), scenario=opened)
    start = made.rehearsal.ledger.started_ms
    made.run("12m").outcome  # noqa: B018 closes the ledger
    times = [dt.datetime.fromtimestamp(ms / 1000).isoformat() for ms in (start, start + 720_000)]
    return path, ("--ledger", path, "--from", times[0], "--to", times[1])


def test_the_json_object_has_every_part(linectl, recorded):
    told = linectl("report", SITE, *recorded[1], "--json").json
    parts = (
        "site", "ledger", "shift", "controller", "gutters", "crops", "blends", "lanes", "time",
        "kpi", "stands", "pareto", "waits", "trips", "takt", "alarms", "alarm_rates",
        "interventions", "states", "flow", "ages", "pace",
    )  # fmt: skip
    assert tuple(told) == parts
    for unit in told["kpi"]["units"]:
        assert [term["term"] for term in unit["terms"]] == ["PBT", "APT", "PRI", "PQ", "GQ"]
        assert all(term["here"] for term in unit["terms"]), "each with what it means on this line"
    assert told["gutters"]["indexed"] > 15


def test_the_text_has_the_figures_with_their_definitions(linectl, recorded):
    said = linectl("report", SITE, *recorded[1])
    assert said.code == 0
    for words in ("Figures", "ISO 22400-2", "Execute, or Completing", "Nothing is cut off at 100 %",
                  "Waits by reason", "Takt", "Sowing aborted", "guard at the seeder open",
                  "Ages by lane"):  # fmt: skip
        assert words in said.out, words


def test_the_page_has_four_plots_whose_text_is_text_and_whose_ids_are_their_own(
    linectl, recorded, tmp_path
):
    page = tmp_path / "shift.html"
    said = linectl("report", SITE, *recorded[1], "--html", page)
    assert (said.code, said.err) == (0, "")
    again = tmp_path / "again.html"
    linectl("report", SITE, *recorded[1], "--html", again)
    text = page.read_text(encoding="utf-8")
    assert again.read_text(encoding="utf-8") == text, "the same shift gives the same page"
    drawn = re.findall(r"<figure>(.*?)</figure>", text, re.S)
    assert len(drawn) == len(plots.SAYS)
    ids: list[str] = []
    for svg in drawn:
        root = ElementTree.fromstring(svg)
        mine = [node.get("id") for node in root.iter() if node.get("id")]
        ids += mine
        links = re.findall(r'(?:href="|url\()#([^")]+)', svg)
        assert set(links) <= set(mine), "what a plot refers to is in it"
    assert len(set(ids)) == len(ids)
    said_in = " ".join(re.findall(r"<text[^>]*>([^<]*)</text>", " ".join(drawn)))
    for words in ("sowing", "harvest", "possible takt", "lane 1", "lane 2", "minutes"):
        assert words in said_in, words


def test_what_people_wrote_is_drawn_as_they_wrote_it(recorded):
    """No formula, no markup, and no remark on a letter that the measuring font does not have."""
    path, options = recorded
    start, end = (dt.datetime.fromisoformat(options[n]).timestamp() for n in (3, 5))
    span = Span(round(start * 1000), round(end * 1000))
    shift = report(load_site(ROOT / SITE), str(path), span, span.to_ms)
    reason = "held by $x$ <b> & 陳"
    rows = [{**row, "reason": reason} for row in shift.told["pareto"]]
    drawn = plots.draw(replace(shift, told={**shift.told, "pareto": rows}), str)
    texts = [node.text or "" for node in ElementTree.fromstring(drawn["pareto"]).iter()]
    assert any(reason in text for text in texts)


def test_without_the_extra_the_page_comes_without_plots_and_says_which_extra(
    linectl, recorded, tmp_path, monkeypatch
):
    monkeypatch.setattr(plots, "can_draw", lambda: False)
    page = tmp_path / "shift.html"
    said = linectl("report", SITE, *recorded[1], "--html", page)
    assert said.code == 0
    assert "extra `report`" in said.err
    text = page.read_text(encoding="utf-8")
    assert "<figure>" not in text
    assert "Trips: what came first" in text
    assert "guard at the seeder open" in text
    assert "pip install" in text
    assert "linectl[report]" in text
    assert "Ages by lane" in text


def test_no_command_imports_matplotlib_unless_it_draws():
    code = "import linectl.cli, linectl.cli.plots, sys; sys.exit('matplotlib' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], check=False)
    assert done.returncode == 0


def test_every_table_is_a_csv_file(linectl, recorded, tmp_path):
    folder = tmp_path / "tables"
    told = linectl("report", SITE, *recorded[1], "--csv", folder, "--json").json

    def rows(name):
        with (folder / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            return list(csv.DictReader(file))

    assert {path.stem for path in folder.iterdir()} == {
        "gutters", "lanes", "blends", "waits_by_reason", "stands", "stops", "alarms", "takt",
        "gutter_times", "figures", "ages",
    }  # fmt: skip
    assert sum(int(row["indexed"]) for row in rows("gutters")) == told["gutters"]["indexed"]
    assert len(rows("gutter_times")) == told["gutters"]["indexed"] + told["gutters"]["ejected"]
    assert len(rows("ages")) == sum(lane["slots"] for lane in told["ages"]["lanes"])
    assert len(rows("stands")) == len(told["stands"])
    assert [row["first"] for row in rows("stops")] == [
        "guard at the seeder open (guard_seed.closed)"
    ]
    times = [dt.datetime.fromisoformat(row["at"]) for row in rows("gutter_times")]
    assert all(time.tzinfo is not None for time in times)


def test_time_after_the_controllers_end_is_told_as_without_one(
    linectl, recorded, tmp_path, monkeypatch
):
    path, options = recorded
    end = dt.datetime.fromisoformat(options[5])
    until = end + dt.timedelta(minutes=5)
    monkeypatch.setattr(command, "wall_ms", lambda: round(until.timestamp() * 1000) + 1)
    monkeypatch.setattr(plots, "can_draw", lambda: False)
    page, folder = tmp_path / "shift.html", tmp_path / "tables"
    asked = ("report", SITE, "--ledger", path, "--from", options[3], "--to", until.isoformat())
    said = linectl(*asked, "--html", page, "--csv", folder)
    assert "No controller" in said.out
    assert "counted from the last record" in said.out
    assert "no controller ran" in page.read_text(encoding="utf-8")
    told = linectl(*asked, "--json").json
    assert not told["shift"]["under_way"]
    (boot,) = told["controller"]
    assert boot["none_after_s"] == pytest.approx(300, abs=60)
    gone = [s for s in told["stands"] if s["state"] == NO_CONTROLLER]
    assert {s["unit"] for s in gone} == {"sowing", "harvest"}
    for row in told["time"]:
        assert row["production"] + row["planned"] + row["stand"] == pytest.approx(1020)


def test_a_shift_without_any_record_says_what_there_is(linectl, recorded):
    said = linectl("report", SITE, "--ledger", recorded[0], "--shift", "2020-01-01")
    assert said.code == 2
    assert "no controller ran from 2020-01-01 00:00:00 to 2020-01-02 00:00:00" in said.err
    assert "its record goes from" in said.err


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--shift", "2020-01-01", "--from", "06:00"), "leave one out"),
        (("--to", "06:00"), "add --from"),
        (("--from", "2020-01-02", "--to", "2020-01-01"), "not before"),
        (("--shift", "yesterday"), "is not a day"),
        (("--from", "noon"), "is not a time"),
    ],
)
def test_what_is_asked_wrongly_is_wrong_use(linectl, options, words):
    said = linectl("report", SITE, *options)
    assert said.code == 2
    assert words in re.sub(r"[\s│]+", " ", said.err)


def test_a_ledger_that_is_not_there_cannot_be_reached(linectl, tmp_path):
    said = linectl("report", SITE, "--ledger", tmp_path / "none.sqlite3")
    assert said.code == 3
    assert "there is no such file" in said.err

"""`linectl trips`: the kept stops as a list, and one of them drawn, on the screen and as a page."""

from __future__ import annotations

import re
import sqlite3

import pytest

from linectl.cli.trip_traces import BAD, BOTH, COLUMNS, LEVELS, OFF, ON, Trace, gaps, path, strip

SITE = "config/small"


@pytest.fixture(scope="module")
def ledger(tmp_path_factory, shift):
    """A ledger in which a guard was opened after 100 s."""
    file = tmp_path_factory.mktemp("kept") / "line.sqlite3"
    run = shift("small", ledger=str(file)).run("100s")
    run.do("open", "seed")
    run.run("110s")
    assert run.outcome["trips"][0]["first"] == ["guard_seed"]
    return file


def test_the_list_says_each_stop_in_one_line(linectl, ledger):
    said = linectl("trips", SITE, "--ledger", ledger)
    assert said.code == 0
    text = re.sub(r"\s+", " ", said.out)
    assert re.search(
        r"Sowing aborted \d\d:\d\d:\d\d\.\d{3} \(±\d+ ms\): guard at the seeder open"
        r" \(guard_seed\.closed\); after it: vacuum low",
        text,
    )
    assert "STANDS" in text


def test_one_trip_shows_its_causes_and_the_course_of_its_points(linectl, ledger):
    said = linectl("trips", SITE, 1, "--ledger", ledger)
    assert said.code == 0
    rows = {line.split()[0]: line for line in said.out.splitlines() if line.strip()}
    assert "guard at the seeder open" in rows["FIRST"]
    guard = rows["guard_seed.closed"]
    assert re.search(f"{ON}+.?{OFF}+", guard)
    assert "the line's own stop" in said.out and "seed.pump" in said.out


def test_as_json_it_is_one_object_with_the_window(linectl, ledger):
    listed = linectl("trips", SITE, "--ledger", ledger, "--json").json
    assert listed["site"] == "small" and [trip["id"] for trip in listed["trips"]] == [1]
    trip = linectl("trips", SITE, 1, "--ledger", ledger, "--json").json["trip"]
    assert trip["first"] == ["guard_seed"] and trip["complete"]
    window = trip["window"]
    assert window["to_ms"] - window["from_ms"] == 7_000
    assert {"before", "changes", "outputs", "outputs_before"} <= set(window)


def test_the_page_holds_every_course_and_the_line_for_a_person(linectl, ledger, tmp_path):
    page = tmp_path / "trip.html"
    trip = linectl("trips", SITE, 1, "--ledger", ledger, "--report", page, "--json").json["trip"]
    html = page.read_text(encoding="utf-8")
    changed = {row[1] for row in (*trip["window"]["changes"], *trip["window"]["outputs"])}
    assert html.count('<path d="M') >= len(changed)
    assert all(f">{tag}" in html for tag in changed)
    assert "guard at the seeder open (guard_seed.closed); after it: vacuum low" in html


def test_a_ledger_of_a_program_without_trips_has_none(linectl, ledger, tmp_path):
    older = tmp_path / "older.sqlite3"
    older.write_bytes(ledger.read_bytes())
    connection = sqlite3.connect(older)
    connection.execute("DROP TABLE trips")
    connection.commit()
    connection.close()
    assert "no trip is kept" in linectl("trips", SITE, "--ledger", older).out


def test_wrong_use_is_said_in_a_sentence(linectl, ledger, tmp_path):
    missing = linectl("trips", SITE, "--ledger", tmp_path / "none.sqlite3")
    assert missing.code == 3 and "cannot be opened" in missing.err
    unknown = linectl("trips", SITE, 9, "--ledger", ledger)
    assert unknown.code == 2 and "no trip 9" in unknown.err
    all_of_them = linectl("trips", SITE, "--ledger", ledger, "--report", tmp_path / "page.html")
    assert all_of_them.code == 2 and "name its number" in all_of_them.err


def test_a_course_is_drawn_where_it_was_on_off_unreadable_or_both():
    bit = Trace("a", False, ((-5_000, False), (-2_500, True), (0, None), (1_000, True)), 2_000)
    line = strip(bit, -5_000, 2_000)
    assert len(line) == COLUMNS
    assert line == OFF * 20 + ON * 20 + BAD * 8 + ON * 8
    pulse = Trace("a", False, ((-5_000, False), (-2_500, True), (-2_490, False)), 2_000)
    assert strip(pulse, -5_000, 2_000) == OFF * 20 + BOTH + OFF * 35


def test_a_number_is_drawn_between_its_lowest_and_highest_value():
    number = Trace("a", False, ((-5_000, 11.2), (0, 0.0)), 2_000)
    assert strip(number, -5_000, 2_000) == LEVELS[-1] * 40 + LEVELS[0] * 16
    assert path(number, -5_000, 2_000) == "M0.0 0.0H714.3L714.3 20.0H1000.0"
    assert gaps(number, -5_000, 2_000) == []


def test_the_drawn_line_has_a_gap_where_nobody_could_read():
    bit = Trace("a", False, ((-5_000, True), (0, None), (1_000, False)), 2_000)
    assert path(bit, -5_000, 2_000) == "M0.0 0.0H714.3M857.1 20.0H1000.0"
    assert gaps(bit, -5_000, 2_000) == [pytest.approx((714.29, 142.86), abs=0.01)]

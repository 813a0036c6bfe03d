"""The checkout sheet says of every point where it stands and why, on paper as for programs."""

from __future__ import annotations

import csv
import re

import pytest

from linectl.cli.checkout_page import MARKS, WORDS, page
from linectl.cli.checkout_sheet import sheet_now
from linectl.commission.changes_record import ChangeMade, append_change
from linectl.commission.checkout.record import append_try
from linectl.commission.checkout.sheet import COLUMNS, readings_of
from linectl.commission.kept_rows import FORMULA
from linectl.site.load import load_site


@pytest.fixture(scope="module")
def told(walked_once):
    return sheet_now(walked_once).as_json()


@pytest.fixture(scope="module")
def shown(walked_once):
    """The page, for tests that look at its form."""
    return page(sheet_now(walked_once))


def test_every_point_stands_in_exactly_one_state_and_the_counts_add_up(told):
    site_points = told["points"]
    assert (told["passed"], told["failed"], told["reopened"], told["open"]) == (
        site_points - 7, 1, 3, 3,
    )  # fmt: skip
    assert told["retested"] == 2
    for split in ("per_device", "per_station"):
        for key in ("points", "passed", "retested", "failed", "open", "reopened"):
            assert sum(one[key] for one in told[split]) == told[key], (split, key)


def test_a_station_with_all_points_passed_is_done_and_one_with_a_stuck_valve_is_not(walked):
    by_name = {one.name: one for one in sheet_now(walked).per_station}
    assert by_name["water"].done
    assert not by_name["tamp"].done
    assert (by_name["guards"].points, by_name["guards"].reopened) == (6, 1)


def test_each_reopened_point_says_what_changed_and_by_whom(told):
    why = {row["tag"]: row["why_open"] for row in told["rows"] if row["state"] == "reopened"}
    assert why == {
        "guard_seed.closed": "address 8 → 63",
        "magazine.speed": "replace belts_sower by C. Sample: drive died",
        "fill.speed": "replace belts_sower by C. Sample: drive died",
    }


def test_a_point_tried_again_after_its_change_is_no_longer_open(walked, try_of):
    site = load_site(walked)
    append_try(walked, try_of(site, "guard_seed.closed", 13, 0))
    assert "guard_seed.closed" not in {
        one.point.tag for one in sheet_now(walked).standing.of("reopened")
    }


def test_the_punch_list_has_the_open_deficiency_first_and_says_how_the_others_were_closed(told):
    first, second, third = told["punch_list"]
    assert (first["number"], first["tag"], first["open"]) == (3, "tamp.press", True)
    assert first["closed_by"] is None
    assert (second["number"], second["what"]) == (1, "fill.exit_eye moved instead")
    assert second["closed_as"] == "in order"
    assert second["closed_remark"] == "wires 3 and 4 of strip AE2 changed over"
    assert (second["opened_by"], second["closed_by"]) == ("A. Example", "C. Sample")
    assert (third["number"], third["open"]) == (2, False)


def test_a_deficiency_stays_open_when_its_retest_fails_and_when_its_point_has_changed(
    walked, try_of
):
    site = load_site(walked)
    again = try_of(site, "tamp.press", 13, 0, result="fail", found="still nothing", deficiency="3")
    append_try(walked, again)
    append_change(
        walked,
        ChangeMade("2026-03-14T05:00:00+01:00", "remap", "tamp.press", "5", "9", "burned channel",
                   "C. Sample", "tamp.press", "0" * 64, "1.0"),
    )  # fmt: skip
    (first, *_) = sheet_now(walked).punch_list
    assert (first.number, first.what, first.closed) == (3, "nothing moved", None)


def test_a_tag_that_the_list_no_longer_has_is_told_apart(told):
    assert [one["tag"] for one in told["gone"]] == ["fill.third_eye"]
    assert "fill.third_eye" not in {row["tag"] for row in told["rows"]}


def test_a_row_that_cannot_be_read_counts_for_nothing_and_is_told(linectl, walked):
    path = walked / "checkout.csv"
    path.write_bytes(path.read_bytes() + b"2026-03-13T17:00:00+01:00,turn.at_0,maybe\r\n")
    said = linectl("checkout-sheet", walked)
    assert said.code == 0
    assert "checkout.csv:" in said.err
    assert "turn.at_0" in said.out.split("Never tried")[1]


def test_the_page_has_every_point_with_both_addresses_terminal_and_normal_state(
    linectl, walked, tmp_path
):
    path = tmp_path / "io.html"
    assert linectl("checkout-sheet", walked, "--html", path).code == 0
    text, site = path.read_text(encoding="utf-8"), load_site(walked)
    listed = text.split('<section class="station"', 1)[1]
    assert sorted(re.findall(r'<td><span class="tag">([^<]+)</span>', listed)) == sorted(site.tags)
    row = re.search(r"fill\.exit_eye</span>.*?</tbody>", listed, re.S)[0]
    for words in (
        "io_sower", "discrete 19 (reference 10020)", "AE2:4", "AE2", "passed on retest",
        "wires 3 and 4 of strip AE2 changed over", "fill.entry_eye moved instead", "C. Sample",
        "witness A. Example", "2026-03-11 17:01 +01:00", "1 at +0 ms, 0 at +2310 ms",
    ):  # fmt: skip
        assert words in row, words
    assert "travel 480 ms" in text
    assert "200 → 201.2 l" in text
    assert site.digest in text
    assert f"not done: 7 of {len(site.points)} points to go" in text


def test_the_page_prints_on_any_paper_with_heads_repeated_and_no_row_cut(shown):
    css = shown.split("</style>")[0]
    assert re.search(r"@page \{ size: landscape;", css)  # the printer's paper: A4 or letter
    assert "thead { display: table-header-group; }" in css
    assert ".points tbody { break-inside: avoid; }" in css
    assert re.search(r"@media print \{.*\btr, svg, .*break-inside: avoid", css, re.S)
    greys = {c for c in re.findall(r"#([0-9a-f]{3,6})\b", css) if len(set(c)) > 1}
    assert greys == set(), "a colour that is no grey"


def test_no_state_is_told_by_its_look_alone(shown):
    for state, word in WORDS.items():
        assert f'<span class="state {state}">{MARKS[state]} {word}</span>' in shown


def test_the_page_shows_what_people_wrote_without_the_mark_for_spreadsheets(shown):
    assert "<td>=valve+stuck</td>" in shown
    assert "&#39;=valve" not in shown


def test_people_of_the_record_find_their_line_to_sign(walked):
    sheet = sheet_now(walked)
    names = {one.name: (one.tried, one.witnessed) for one in sheet.signers}
    tried = sheet.whole.points - sheet.whole.open
    assert names == {"A. Example": (tried - 2, 2), "C. Sample": (2, 0)}


def test_a_spreadsheet_shows_every_cell_and_calculates_none(linectl, walked, tmp_path):
    text = (walked / "io.csv").read_text(encoding="utf-8").replace(",AE2:4,", ",=AE2+4,")
    (walked / "io.csv").write_text(text, encoding="utf-8")
    path = tmp_path / "io.csv"
    assert linectl("checkout-sheet", walked, "--csv", path).code == 0
    assert path.read_bytes().startswith(b"\xef\xbb\xbf")
    with path.open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert tuple(rows[0]) == COLUMNS
    assert {row["tag"] for row in rows} == set(load_site(walked).tags)
    by_tag = {row["tag"]: row for row in rows}
    assert by_tag["fill.exit_eye"]["note"] == "'=AE2+4"
    assert by_tag["tamp.press"]["remark"] == "'=valve+stuck"
    assert not [c for row in rows for c in row.values() if c and c.startswith(FORMULA)]


@pytest.mark.parametrize("text", ["", "nonsense", "[[1, 2]]", "[1, 2, 3]", '{"a": 1}', "7"])
def test_readings_that_are_none_are_left_out(text):
    assert readings_of(text) == ()


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--csv", "{site}/checkout.csv"), "the site's folder holds the records"),
        (("--html", "sheet.pdf"), "ends in .html"),
        (("--csv", "nowhere/sheet.csv"), "there is no folder nowhere"),
    ],
)
def test_the_record_itself_is_never_written_over(linectl, walked, options, says):
    before = (walked / "checkout.csv").read_bytes()
    said = linectl("checkout-sheet", walked, *(one.format(site=walked) for one in options))
    assert (said.code, said.out) == (2, "")
    assert says in said.err
    assert (walked / "checkout.csv").read_bytes() == before


def test_a_site_that_nobody_has_walked_is_open_from_end_to_end(linectl):
    told = linectl("checkout-sheet", "config/small", "--json").json
    assert (told["open"], told["passed"]) == (told["points"], 0)
    assert (told["punch_list"], told["tries"]) == ([], {})

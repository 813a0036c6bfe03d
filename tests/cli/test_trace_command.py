"""`trace` as a person types it, on the ledger of a rehearsed shift."""

from __future__ import annotations

import csv

import pytest

from linectl.ledger.key_data import CAUTION, columns


@pytest.fixture(scope="module")
def shift(tmp_path_factory):
    """The ledger of a quarter of an hour of the small site, with what the plant's bodies say."""
    from linectl.runtime.rehearsal import Options
    from linectl.runtime.virtual import rehearse
    from linectl.site.load import load_site

    path = str(tmp_path_factory.mktemp("shift") / "shift.sqlite3")
    outcome = rehearse(load_site("config/small"), Options(for_ms=900_000, ledger=path))
    return path, outcome.as_json()


def test_a_rehearsed_shift_is_traced_forth_and_back_and_agrees_with_the_bodies(linectl, shift):
    path, said = shift
    forth = linectl("trace", "rehearsed-seed-green_oakleaf", "--ledger", path, "--json").json
    back = linectl("trace", "rehearsed-packing", "--ledger", path, "--json").json
    (seed,), (packing,) = forth["lots"], back["lots"]
    assert forth["site"] == "small"
    assert seed["gutters"] == said["gutters"]["seeded"]
    assert packing["gutters"] == said["ledger"]["handed_over"]
    (share,) = seed["shares"]["packing"]
    (other,) = [
        row for row in packing["shares"]["seed"] if row["name"] == "rehearsed-seed-green_oakleaf"
    ]
    assert share["gutters"] == other["gutters"] == seed["now"]["packing"] > 0
    assert seed["now"]["lanes"] + seed["now"]["packing"] <= seed["gutters"]


def test_a_lot_in_words_says_where_from_where_to_and_what_is_not_named(linectl, shift):
    done = linectl("trace", "rehearsed-packing", "--ledger", shift[0], "--gutters")
    said = " ".join(done.out.split())
    assert done.code == 0
    assert "packing lot rehearsed-packing: since" in said
    assert "by the rehearsal" in said
    assert "rehearsed-seed" in said
    assert "lane1.grow 0–7" in said
    assert "NOT NAMED" in said  # those that stood in the lanes at the start
    assert "nothing was weighed of it" in said


def test_a_gutter_in_words_has_its_path(linectl, shift):
    gutter = linectl("trace", "rehearsed-seed-green_oakleaf", "--ledger", shift[0], "--json").json[
        "lots"
    ][0]
    number = gutter["ranges"][0][0]
    said = " ".join(linectl("trace", number, "--ledger", shift[0]).out.split())
    assert f"gutter {number}: green oakleaf" in said
    assert "lane2.germ insert" in said or "lane1.germ insert" in said
    assert "process water" in said


def test_the_csv_opens_in_a_spreadsheet_as_one_table(linectl, shift, tmp_path):
    file = tmp_path / "lot.csv"
    done = linectl("trace", "rehearsed-packing", "--ledger", shift[0], "--csv", file)
    assert done.code == 0
    assert CAUTION.split(".")[0] in done.err
    assert file.read_bytes().startswith(b"\xef\xbb\xbf")
    with file.open(encoding="utf-8-sig", newline="") as handle:
        rows = list(csv.reader(handle))
    assert rows[0] == columns()
    assert {len(row) for row in rows} == {len(columns())}
    assert {row[0] for row in rows[1:]} == {
        "harvesting", "cooling before initial packing", "initial packing",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("typed", "code", "why"),
    [(("P-1",), 2, "--site SITE, or --ledger FILE"),
     (("P-1", "--ledger", "no/such.sqlite3"), 3, "no such file"),
     (("P-1", "--site", "config/small"), 3, "ledger.sqlite3")],
)  # fmt: skip
def test_a_trace_of_nothing_says_what_is_wrong(linectl, typed, code, why):
    done = linectl("trace", *typed)
    assert (done.code, done.out) == (code, "")
    assert why in " ".join(done.err.split())


def test_a_lot_that_is_not_there_and_a_csv_of_a_gutter_are_wrong_use(linectl, shift, tmp_path):
    done = linectl("trace", "rehearsed-sed-green_oakleaf", "--ledger", shift[0])
    assert (done.code, "rehearsed-seed-green_oakleaf" in done.err) == (2, True)
    done = linectl("trace", "7", "--ledger", shift[0], "--csv", tmp_path / "x.csv")
    assert (done.code, "wants a lot" in done.err) == (2, True)


def test_help_has_the_caution_and_the_compliance_date_as_proposed(linectl):
    said = " ".join(linectl("trace", "--help").out.split())
    assert "operator's" in said
    assert "90 FR 38084" in said

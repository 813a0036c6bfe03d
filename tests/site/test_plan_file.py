"""A sowing plan as people and spreadsheets write it, and what of it cannot be followed."""

from __future__ import annotations

import datetime as dt
from functools import cache
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linectl.errors import SiteError
from linectl.site.load import load_site
from linectl.site.missed_file import Missed, read_missed, write_missed
from linectl.site.plan_file import Allot, Day, plan_text, read_plan, write_plan

CONFIG = Path(__file__).parents[2] / "config"
HEAD = "day,act,lane,crop,gutters\n"


@cache
def fennmark():
    return load_site(CONFIG / "fennmark")


@cache
def weekdays():
    """The same line with shifts from Monday to Friday."""
    site = fennmark()
    days = ("monday", "tuesday", "wednesday", "thursday", "friday")
    shift = site.file.shift.model_copy(update={"days": days})
    return site.model_copy(update={"file": site.file.model_copy(update={"shift": shift})})


def _read(tmp_path: Path, text: str, site=None) -> tuple[Day, ...]:
    path = tmp_path / "plan.csv"
    path.write_text(text, encoding="utf-8")
    return read_plan(path, site or fennmark())


def _refused(tmp_path: Path, text: str, site=None) -> list[str]:
    with pytest.raises(SiteError) as refused:
        _read(tmp_path, text, site)
    return [str(finding) for finding in refused.value.findings]


def test_rows_of_a_day_keep_their_order_of_work(tmp_path: Path) -> None:
    days = _read(
        tmp_path,
        HEAD + "# first the rocket\n2026-06-01,pull,1,green_oakleaf,20\n"
        "2026-06-01,sow,2,rocket,8\n2026-06-01,sow,1,rocket,12\n\n2026-06-02,sow,1,frisee,4\n",
    )
    assert days == (
        Day(
            dt.date(2026, 6, 1),
            sow=(Allot(2, "rocket", 8), Allot(1, "rocket", 12)),
            pull=(Allot(1, "green_oakleaf", 20),),
        ),
        Day(dt.date(2026, 6, 2), sow=(Allot(1, "frisee", 4),)),
    )


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ("2026-06-01,sow,1,rockett,20", "crop: 'rockett' is no crop (nearest valid name: rocket)"),
        ("2026-06-01,sew,1,rocket,20", "act: 'sew' is no act (nearest valid name: sow)"),
        ("2026-06-01,sow,7,rocket,20", "lane: '7' is no lane (valid: 1, 2, 3, 4, 5, 6)"),
        ("2026-06-01,sow,4,rocket,20", "crop: lane 4 does not accept rocket (it accepts: red_oak"),
        ("2026-06-01,sow,1,rocket,0", "gutters: '0' is not a whole number from 1 to 1,000,000"),
        ("2026-06-01,sow,1,rocket,2.5", "gutters: '2.5' is not a whole number from 1 to 1,000"),
        ("01.06.2026,sow,1,rocket,2", "day: '01.06.2026' is not a day"),
        ("20260601,sow,1,rocket,2", "day: '20260601' is not a day"),
        ("2026-06-01,sow,1,,2", "crop: is empty"),
        ("2026-06-01,sow,1,rocket,2,9", "row: has 6 cells, the header has 5"),
        ("2026-06-01,sow,1,rocket,#REF!", "gutters: '#REF!' is what a spreadsheet shows"),
    ],
)
def test_what_cannot_be_followed_is_said_with_its_line_and_what_would_be_right(
    tmp_path: Path, row: str, says: str
) -> None:
    (said,) = _refused(tmp_path, HEAD + row + "\n")
    assert said.startswith(f"plan.csv:2: {says}")


def test_every_error_is_said_at_once_in_the_order_of_the_file(tmp_path: Path) -> None:
    said = _refused(
        tmp_path,
        HEAD + "2026-06-02,sow,1,rocket,1\n2026-06-01,sow,1,rocket,1\n2026-06-03,sow,1,leek,1\n",
    )
    assert [line.split(":")[1] for line in said] == ["3", "4"]
    assert "stands below 2026-06-02 (days follow each other: sort the file)" in said[0]


def test_a_day_without_a_shift_has_no_work(tmp_path: Path) -> None:
    (said,) = _refused(tmp_path, HEAD + "2026-06-06,sow,1,rocket,1\n", weekdays())
    assert "no shift begins on 2026-06-06, a saturday" in said
    assert "monday, tuesday, wednesday, thursday, friday" in said


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "plan.csv:1: file: is empty (its first row names the columns: day,act,lane,crop,"),
        ("day,act,lane,crop\n", "plan.csv:1: gutters: the header lacks this column"),
        ("day,act,lane,crop,gutters,row\n", "plan.csv:1: row: is not a column here"),
        ("day,act,lane,crop,crop,gutters\n", "plan.csv:1: crop: stands twice in the header"),
    ],
)
def test_a_header_that_is_not_a_plans_is_refused(tmp_path: Path, text: str, says: str) -> None:
    (said, *_) = _refused(tmp_path, text)
    assert said.startswith(says)


def test_a_spreadsheet_may_save_it_with_semicolons_and_its_columns_in_another_order(
    tmp_path: Path,
) -> None:
    days = _read(tmp_path, "Gutters;Crop;Lane;Act;Day\r\n3;rocket;1;sow;2026-06-01\r\n")
    assert days == (Day(dt.date(2026, 6, 1), sow=(Allot(1, "rocket", 3),)),)


def _allots(act: str) -> st.SearchStrategy[tuple[Allot, ...]]:
    crops = tuple(fennmark().crops.crops)
    pairs = [
        (lane.id, crop)
        for lane in fennmark().file.lanes
        for crop in (lane.crops if act == "sow" else crops)
    ]
    made = st.builds(
        lambda pair, gutters: Allot(*pair, gutters), st.sampled_from(pairs), st.integers(1, 1000)
    )
    return st.lists(made, max_size=6).map(tuple)


_DATES = st.dates(dt.date(2020, 1, 1), dt.date(2040, 1, 1))
_WORK = st.builds(Day, _DATES, _allots("sow"), _allots("pull"))
_DAYS = st.lists(
    _WORK.filter(lambda day: day.sow or day.pull), max_size=5, unique_by=lambda day: day.date
).map(lambda days: tuple(sorted(days, key=lambda day: day.date)))


@given(_DAYS)
def test_what_is_written_is_read_back_as_the_same_days(tmp_path_factory, days) -> None:
    path = tmp_path_factory.getbasetemp() / "plan.csv"
    write_plan(path, days)
    assert path.read_text(encoding="utf-8") == plan_text(days)
    assert read_plan(path, fennmark()) == days


def test_what_a_plan_misses_is_read_back_to_the_gram(tmp_path: Path) -> None:
    path = tmp_path / "missed.csv"
    missed = (
        Missed(dt.date(2026, 6, 4), "rocket", 3, 7.2, 'nothing ripe, "so far"'),
        Missed(dt.date(2026, 6, 5), "frisee", 0, 0.001),
    )
    write_missed(path, missed)
    assert read_missed(path, fennmark()) == missed


def test_a_miss_that_cannot_be_read_is_said_by_line_and_column(tmp_path: Path) -> None:
    path = tmp_path / "missed.csv"
    path.write_text("day,crop,short_gutters,short_kg,why\n2026-06-04,roket,-1,much,\n")
    with pytest.raises(SiteError) as refused:
        read_missed(path, fennmark())
    assert [finding.key for finding in refused.value.findings] == [
        "crop",
        "short_gutters",
        "short_kg",
    ]

"""Where each point's checkout stands: what was tried, what has changed since, why it is open."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from linectl import __version__
from linectl.commission.changes_record import ChangeMade, append_change
from linectl.commission.checkout.record import (
    FILE,
    Try,
    append_try,
    checkout_standing,
    read_tries,
    row_of,
)
from linectl.errors import Unreachable
from linectl.site.load import load_site

SMALL = Path(__file__).parents[2] / "config/small"
EYE = "fill.exit_eye"


@pytest.fixture
def folder(tmp_path):
    return shutil.copytree(SMALL, tmp_path / "small")


def tried(folder, tag: str, result: str = "pass", hour: int = 9, **more: str) -> None:
    site = load_site(folder)
    point = site.points[site.tags[tag]]
    text = dict.fromkeys(Try.__dataclass_fields__, "") | more
    text |= {
        "at": f"2026-03-31T{hour:02}:00:00+02:00", "tag": tag, "result": result, "by": "anna",
        "row": row_of(point), "site_digest": site.digest[:12], "version": __version__,
    }  # fmt: skip
    append_try(Path(folder), Try(**text))


def stands(folder, tag: str = EYE):
    standing = checkout_standing(load_site(folder))
    return next(one for one in standing.points if one.point.tag == tag)


def replaced(folder, hour: int) -> None:
    append_change(
        Path(folder),
        ChangeMade(f"2026-03-31T{hour:02}:00:00+02:00", "replace", "io_sower", "", "", "wet",
                   "ben", f"{EYE} fill.entry_eye", "", __version__),
    )  # fmt: skip


def test_a_point_that_nobody_tried_is_open(folder):
    assert stands(folder).state == "open"
    assert not checkout_standing(load_site(folder)).done


def test_the_last_try_counts_and_a_pass_after_a_failure_is_a_retest(folder):
    tried(folder, EYE, "fail", deficiency="1", found="dead")
    assert stands(folder).state == "failed"
    tried(folder, EYE, "pass", hour=10, deficiency="1")
    assert stands(folder).state == "passed"
    assert stands(folder).retested


def test_a_point_moved_to_another_channel_is_open_again_and_says_from_where_to_where(folder):
    tried(folder, EYE)
    sheet = folder / "io.csv"
    point = load_site(folder).points[load_site(folder).tags[EYE]]
    old = f"{EYE},{point.device},discrete,{point.address},"
    assert old in sheet.read_text()
    sheet.write_text(sheet.read_text().replace(old, f"{EYE},{point.device},discrete,60,"))
    assert stands(folder).state == "reopened"
    assert stands(folder).why_open == f"address {point.address} → 60"


def test_a_new_note_opens_nothing(folder):
    tried(folder, EYE)
    sheet = folder / "io.csv"
    lines = [
        line.replace("AE1:", "cabinet left AE1:") if line.startswith(EYE) else line
        for line in sheet.read_text().splitlines(True)
    ]
    sheet.write_text("".join(lines))
    assert stands(folder).state == "passed"


def test_a_replaced_device_opens_what_was_tried_before_it_and_nothing_tried_since(folder):
    tried(folder, EYE, hour=9)
    tried(folder, "fill.entry_eye", hour=12)
    replaced(folder, hour=11)
    assert stands(folder).state == "reopened"
    assert stands(folder).why_open == "replace io_sower by ben: wet"
    assert stands(folder, "fill.entry_eye").state == "passed"


def test_numbers_of_deficiencies_are_never_used_again(folder):
    tried(folder, EYE, "fail", deficiency="7", found="dead")
    tried(folder, EYE, hour=10, deficiency="7")
    assert checkout_standing(load_site(folder)).next_deficiency == 8


def test_the_number_of_a_point_that_is_gone_is_not_used_again_either(folder):
    tried(folder, EYE, "fail", deficiency="7", found="dead")
    tried(folder, EYE, hour=10)
    path = folder / FILE
    path.write_text(path.read_text().replace(EYE, "fill.gone_eye"))
    standing = checkout_standing(load_site(folder))
    assert [one.tag for one in standing.gone] == ["fill.gone_eye"]
    assert standing.next_deficiency == 8


def test_the_state_as_json_counts_every_point_once(folder):
    tried(folder, EYE, "fail", deficiency="3", found="guard_fill.closed moved instead")
    tried(folder, "fill.entry_eye")
    told = checkout_standing(load_site(folder)).as_json()
    assert told["points"] == len(load_site(folder).points)
    assert told["passed"] + told["failed"] + told["open"] + told["reopened"] == told["points"]
    assert told["deficiencies"] == [
        {"tag": EYE, "found": "guard_fill.closed moved instead", "number": 3}
    ]


def test_a_row_torn_at_a_power_cut_counts_for_nothing_and_the_next_one_is_whole(folder):
    tried(folder, EYE)
    path = Path(folder) / FILE
    path.write_bytes(path.read_bytes()[:-40])
    tries, findings = read_tries(Path(folder))
    assert tries == ()
    assert findings[0].line == 2
    tried(folder, "fill.entry_eye", hour=10)
    tries, _ = read_tries(Path(folder))
    assert [one.tag for one in tries] == ["fill.entry_eye"]
    assert stands(folder).state == "open"


def test_a_row_torn_inside_quotes_takes_no_other_row_with_it(folder):
    tried(folder, EYE, remark='loose, "hums"')
    path = Path(folder) / FILE
    whole = path.read_bytes()
    (one,), _ = read_tries(Path(folder))
    append_try(Path(folder), one)
    twice = path.read_bytes()
    for end in range(len(whole) + 1, twice.rindex(b",") + 1):
        path.write_bytes(twice[:end])
        assert len(read_tries(Path(folder))[0]) == 1, twice[:end]
        append_try(Path(folder), one)
        tries, unreadable = read_tries(Path(folder))
        assert (len(tries), len(unreadable)) == (2, 1), twice[:end]
        assert tries[-1] == one


def test_of_a_row_that_the_disk_took_in_part_nothing_stays(folder, monkeypatch):
    tried(folder, EYE)
    before = (Path(folder) / FILE).read_bytes()
    write = os.write
    monkeypatch.setattr(os, "write", lambda handle, data: write(handle, data[:9]))
    with pytest.raises(Unreachable, match="make room"):
        tried(folder, "fill.entry_eye")
    assert (Path(folder) / FILE).read_bytes() == before


def test_nothing_a_person_typed_is_calculated_by_a_spreadsheet(folder):
    tried(folder, EYE, remark="=HYPERLINK(1)")
    assert stands(folder).last.remark.startswith("'=")

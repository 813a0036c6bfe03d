"""An approved matrix: what counts as a difference, how it is told, who may approve."""

from __future__ import annotations

import datetime as dt
import shutil
from pathlib import Path

import pytest

from linectl.commission.approve import approve_site
from linectl.commission.check_site import check_site
from linectl.errors import SiteError, UsageError
from linectl.site.approval import FILE, NEVER, approval_line, differences, standing
from linectl.site.load import load_site
from linectl.site.matrix_rows import matrix_rows

CONFIG = Path(__file__).parents[2] / "config"
DAY = dt.date(2026, 3, 2)
AIR = "when: [{point: sowing.air_ok, is: false}]\n    on_delay: 400ms"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The small site, approved."""
    folder = tmp_path / "small"
    shutil.copytree(CONFIG / "small", folder)
    approve_site(folder, "A. Person", DAY)
    return folder


def _edit(folder: Path, file: str, old: str, new: str) -> None:
    path = folder / file
    text = path.read_text(encoding="utf-8")
    assert text.count(old) >= 1
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def _rows(folder: Path) -> dict[str, str]:
    return {f"{d.section}.{d.row}": d.text for d in differences(load_site(folder))}


def test_an_approved_site_has_no_differences_and_says_by_whom_and_when(folder: Path) -> None:
    site = load_site(folder)
    assert differences(site) == ()
    assert approval_line(site) == "approved by A. Person on 2026-03-02, unchanged since"
    assert check_site(folder).warnings == ()


def test_a_changed_row_is_told_old_to_new_in_words(folder: Path) -> None:
    _edit(folder, "interlocks.yaml", AIR, AIR.replace("400ms", "450ms"))
    assert _rows(folder) == {"causes.air_sowing": "comes after 400ms → comes after 450ms"}
    (warning,) = check_site(folder).warnings
    assert (warning.file, warning.key) == (FILE, "approval.causes.air_sowing")
    assert "approved by A. Person on 2026-03-02" in warning.message
    assert "--approve" in (warning.hint or "")
    lines = (folder / FILE).read_text(encoding="utf-8").splitlines()
    assert lines[warning.line - 1].startswith("  air_sowing:")


@pytest.mark.parametrize(
    ("file", "old", "new", "row", "says"),
    [
        ("io.csv", "sowing.air_ok,io_sower,discrete,4,", "sowing.air_ok,io_sower,discrete,104,",
         "causes.air_sowing", "discrete 104 (reference 10105)"),
        ("site.yaml", "unit: 1, turnaround: 1ms, silent_after: 250ms",
         "unit: 1, turnaround: 1ms, silent_after: 240ms", "devices.io_sower",
         "silent after 250ms → silent after 240ms"),
        ("interlocks.yaml", "air_lanes: [hold_sowing, hold_harvest]", "air_lanes: [hold_sowing]",
         "causes.air_lanes", "hold_harvest acts → nothing"),
        ("interlocks.yaml", "sowing_air_off: {outputs: [magazine.gate, tamp.press,",
         "sowing_air_off: {outputs: [magazine.gate,", "effects.sowing_air_off",
         "tamp.press → nothing"),
        ("interlocks.yaml", "below: 1}", "below: 2}", "causes.seed_empty", "below 1 "),
        ("interlocks.yaml", "hysteresis: 5}", "hysteresis: 6}", "causes.hopper_low",
         "ends 6 l beyond"),
        ("io.csv", "AK1:16", "AK1:17", "", ""),
        ("io.csv", "AE1:7,AE1", "AE1:7,", "supplies.AE1", "sowing.beacon_on → nothing"),
        ("io.csv", "stops,no,1000,sto_sowing,0,axis 2", "stops,no,1000,sto_peat,0,axis 2",
         "outputs.fill.run", "cut by sto_sowing → cut by sto_peat"),
        ("site.yaml", "reaction_limit: 500ms", "reaction_limit: 510ms", "zones.sowing",
         "outputs off within 510ms"),
        ("interlocks.yaml", "text: no air at the sower", "text: the air is gone", "", ""),
        ("interlocks.yaml", "do: fill the hopper\n", "do: call for substrate\n", "", ""),
    ],
)  # fmt: skip
def test_behaviour_counts_and_texts_for_people_do_not(
    folder: Path, file: str, old: str, new: str, row: str, says: str
) -> None:
    _edit(folder, file, old, new)
    found = _rows(folder)
    assert list(found) == ([row] if row else [])
    assert says in "".join(found.values())


def test_a_row_that_is_new_and_one_that_is_gone_are_told_whole(folder: Path) -> None:
    _edit(folder, "interlocks.yaml", "  magazine_low:\n    text", "  magazine_few:\n    text")
    _edit(folder, "interlocks.yaml", "  magazine_low: []", "  magazine_few: []")
    found = _rows(folder)
    assert found["causes.magazine_few"].startswith("is new: when magazine.not_low is false;")
    assert found["causes.magazine_low"].startswith("is gone; it was: when magazine.not_low is")
    said = approval_line(load_site(folder))
    assert said.endswith("; 2 rows since: magazine_few (added), magazine_low (removed)")


def test_the_order_of_causes_in_the_file_does_not_count(folder: Path) -> None:
    text = (folder / "interlocks.yaml").read_text(encoding="utf-8")
    start, end = text.index("  estop_sowing:\n"), text.index("  estop_harvest:\n")
    moved = text[:start] + text[end:].replace("\neffects:", text[start:end] + "\neffects:", 1)
    (folder / "interlocks.yaml").write_text(moved, encoding="utf-8")
    assert _rows(folder) == {}


def test_approving_anew_ends_the_differences_and_keeps_the_approval_before(folder: Path) -> None:
    _edit(folder, "interlocks.yaml", AIR, AIR.replace("400ms", "450ms"))
    approve_site(folder, "  B.  Person ", dt.date(2026, 3, 3))
    assert (
        approval_line(load_site(folder)) == "approved by B. Person on 2026-03-03, unchanged since"
    )
    assert "A. Person" in (folder / f"{FILE}.previous").read_text(encoding="utf-8")


def test_nobody_approves_without_a_name_nor_a_site_that_is_wrong(folder: Path) -> None:
    before = (folder / FILE).read_bytes()
    with pytest.raises(UsageError, match="needs the name"):
        approve_site(folder, " ", DAY)
    _edit(folder, "interlocks.yaml", "guard_fill: [sowing_off, abort_sowing]", "guard_fill: []")
    with pytest.raises(SiteError):
        approve_site(folder, "A. Person", DAY)
    assert (folder / FILE).read_bytes() == before


def test_an_approval_altered_by_hand_is_told_and_compares_nothing(folder: Path) -> None:
    _edit(folder, FILE, "comes after 400ms", "comes after 450ms")
    now = standing(load_site(folder))
    assert (now.approval, now.differences) == (None, ())
    assert "altered by hand" in now.line
    (warning,) = check_site(folder).warnings
    assert warning.key == "approval.digest"


@pytest.mark.parametrize("text", ["causes: [", "approved_by: x\n", ""])
def test_an_approval_that_cannot_be_read_is_told_in_a_sentence(folder: Path, text: str) -> None:
    (folder / FILE).write_text(text, encoding="utf-8")
    (warning,) = check_site(folder).warnings
    assert warning.file == FILE
    assert warning.key.startswith("approval.")


def test_a_site_over_an_approved_one_needs_an_approval_of_its_own(folder: Path) -> None:
    yours = folder.parent / "yours"
    yours.mkdir()
    (yours / "site.yaml").write_text("extends: ../small\nname: yours\n", encoding="utf-8")
    assert approval_line(load_site(yours)) == NEVER
    (warning,) = check_site(yours).warnings
    assert (warning.key, warning.message) == ("approval", NEVER)
    approve_site(yours, "A. Person", DAY)
    assert check_site(yours).warnings == ()


def test_every_cause_effect_zone_and_moving_output_has_a_row(folder: Path) -> None:
    site = load_site(folder)
    rows = matrix_rows(site)
    assert list(rows["causes"]) == list(site.interlocks.causes)
    assert list(rows["effects"]) == list(site.interlocks.effects)
    assert list(rows["zones"]) == list(site.file.zones)
    assert len(rows["outputs"]) > 40

"""A hole in a map goes into site.yaml alone: one line changes, and the old file is kept."""

from __future__ import annotations

import os
import shutil
import stat
from pathlib import Path

import pytest

from linectl.commission.holes import planned_hole
from linectl.commission.whole_file import write_whole
from linectl.errors import Unreachable, UsageError
from linectl.site.load import load_site

CONFIG = Path(__file__).parents[2] / "config"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return Path(shutil.copytree(CONFIG / "fennmark", tmp_path / "fennmark"))


def spelt(folder: Path, old: str, new: str) -> str:
    """site.yaml with a stretch spelt otherwise; the text."""
    path = folder / "site.yaml"
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1
    path.write_text(text.replace(old, new), encoding="utf-8")
    return text.replace(old, new)


METER = (
    "  meter: {bus: drives, unit: 31, word_order: little, turnaround: 3ms, silent_after: 600ms}\n"
)
BLOCK = """\
  meter:
    bus: drives  # the second line
    # by its switches
    unit: 31
    word_order: little

    silent_after: 600ms
# ---- zones ----
"""


def test_the_diff_comes_first_and_nothing_is_written(folder: Path) -> None:
    before = (folder / "site.yaml").read_bytes()
    diff = planned_hole(folder, "meter", "input", "8-9").diff
    changed = [line for line in diff.splitlines()[2:] if line[0] in "+-"]
    assert changed == [f"-{METER[:-1]}", f"+{METER[:-2]}, holes: {{input: [8-9]}}}}"]
    assert (folder / "site.yaml").read_bytes() == before
    assert not (folder / "site.yaml.previous").exists()


def test_one_line_changes_the_rest_stays_to_the_letter_and_the_old_file_is_kept(
    folder: Path,
) -> None:
    before = (folder / "site.yaml").read_text(encoding="utf-8")
    planned_hole(folder, "meter", "input", "8-9").write()
    after = (folder / "site.yaml").read_text(encoding="utf-8")
    assert after == before.replace(METER, METER[:-2] + ", holes: {input: [8-9]}}\n")
    assert (folder / "site.yaml.previous").read_text(encoding="utf-8") == before
    assert load_site(folder).file.devices["meter"].holes == {"input": ("8-9",)}


def test_a_second_hole_joins_the_first_and_a_known_one_changes_nothing(folder: Path) -> None:
    planned_hole(folder, "meter", "input", "8-9").write()
    planned_hole(folder, "meter", "input", "12").write()
    assert load_site(folder).file.devices["meter"].holes == {"input": ("8-9", "12")}
    text = (folder / "site.yaml").read_bytes()
    assert planned_hole(folder, "meter", "input", "9").write() is None
    assert (folder / "site.yaml").read_bytes() == text


def test_comments_stay_where_they_were_in_a_device_with_a_line_for_each_key(folder: Path) -> None:
    text = spelt(folder, METER, BLOCK)
    planned_hole(folder, "meter", "input", "8-9").write()
    after = (folder / "site.yaml").read_text(encoding="utf-8")
    added = "    holes: {input: [8-9]}\n"
    assert after.replace(added, "") == text
    lines = after.splitlines()
    assert lines.index("    # by its switches") + 1 == lines.index("    unit: 31")
    assert lines.index("    silent_after: 600ms") + 1 == lines.index("# ---- zones ----")


def test_windows_line_ends_and_a_byte_order_mark_stay(folder: Path) -> None:
    path = folder / "site.yaml"
    dos = b"\xef\xbb\xbf" + path.read_bytes().replace(b"\n", b"\r\n")
    path.write_bytes(dos)
    planned_hole(folder, "meter", "input", "8-9").write()
    added = b", holes: {input: [8-9]}}\r\n"
    assert path.read_bytes() == dos.replace(
        METER.encode()[:-2] + b"}\r\n", METER.encode()[:-2] + added
    )


def test_a_site_over_another_gets_the_hole_in_its_own_file(folder: Path, tmp_path: Path) -> None:
    mine = tmp_path / "mine"
    mine.mkdir()
    (mine / "site.yaml").write_text("extends: ../fennmark\nname: mine\n", encoding="utf-8")
    planned_hole(folder, "meter", "input", "8-9").write()
    below = (folder / "site.yaml").read_bytes()
    planned_hole(mine, "meter", "input", "12").write()
    assert load_site(mine).file.devices["meter"].holes == {"input": ("8-9", "12")}
    assert (folder / "site.yaml").read_bytes() == below


def test_a_file_spelt_unlike_any_writer_is_left_alone_with_what_to_write_by_hand(
    folder: Path,
) -> None:
    odd = "  meter:\n      bus: drives\n      unit: 31\n      word_order: little\n"
    text = spelt(folder, METER, odd + "      silent_after: 600ms\n")
    with pytest.raises(UsageError, match=r"by hand: devices: \{meter: \{holes: \{input: \[8-9\]"):
        planned_hole(folder, "meter", "input", "8-9").write()
    assert (folder / "site.yaml").read_text(encoding="utf-8") == text


@pytest.mark.parametrize(
    ("device", "table", "text", "says"),
    [
        ("metre", "input", "8", "nearest valid name: meter"),
        ("meter", "inputs", "8", "nearest valid name: input"),
        ("meter", "input", "9-8", "runs backwards"),
        ("meter", "input", "70000", "outside 0–65535"),
    ],
)
def test_what_cannot_be_a_hole_is_said_and_nothing_written(
    folder: Path, device: str, table: str, text: str, says: str
) -> None:
    before = (folder / "site.yaml").read_bytes()
    with pytest.raises(UsageError, match=says):
        planned_hole(folder, device, table, text).write()
    assert (folder / "site.yaml").read_bytes() == before


def test_a_file_keeps_its_rights_and_no_half_file_is_left(tmp_path: Path) -> None:
    path = tmp_path / "site.yaml"
    assert write_whole(path, b"one") is None
    path.chmod(0o640)
    assert write_whole(path, b"two") == tmp_path / "site.yaml.previous"
    assert path.read_bytes() == b"two"
    assert stat.S_IMODE(path.stat().st_mode) == 0o640
    assert sorted(os.listdir(tmp_path)) == ["site.yaml", "site.yaml.previous"]


def test_a_folder_that_is_gone_is_told_in_words(tmp_path: Path) -> None:
    with pytest.raises(Unreachable, match="cannot be written"):
        write_whole(tmp_path / "gone" / "site.yaml", b"")

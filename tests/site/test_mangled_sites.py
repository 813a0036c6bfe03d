"""Whatever is done to a site's files, a person gets findings and never a traceback."""

from __future__ import annotations

import random
import shutil
from pathlib import Path

import pytest

from linectl.commission.check_site import check_site

CONFIG = Path(__file__).parents[2] / "config"
FILES = ("site.yaml", "io.csv", "interlocks.yaml", "crops.yaml")
BITS = (
    "~", "[]", "{}", "true", "-1", "1e400", "0", '""', "{a: b}", "[1, 2]", "9" * 20, "2026-01-01",
    ".nan", "&a", "*a", "!tag x", "06:00", "\t", ":", ",", ";", '"',
)  # fmt: skip


def _mangle(text: str, rng: random.Random) -> str:
    """One line lost, doubled, lengthened, or given another value."""
    lines = text.split("\n")
    at = rng.randrange(len(lines))
    match rng.randrange(5):
        case 0:
            del lines[at]
        case 1:
            lines.insert(at, rng.choice(lines))
        case 2:
            lines[at] += rng.choice(BITS)
        case 3:
            lines[at] = lines[at].rpartition(":")[0] + ": " + rng.choice(BITS)
        case _:
            cells = lines[at].split(",")
            cells[rng.randrange(len(cells))] = rng.choice(BITS)
            lines[at] = ",".join(cells)
    return "\n".join(lines)


@pytest.mark.parametrize("seed", range(40))
def test_a_mangled_site_is_refused_with_findings_or_still_whole(seed: int, tmp_path: Path) -> None:
    rng = random.Random(seed)
    folder = tmp_path / "small"
    shutil.copytree(CONFIG / "small", folder)
    for _ in range(rng.randint(1, 3)):
        path = folder / rng.choice(FILES)
        path.write_text(_mangle(path.read_text(encoding="utf-8"), rng), encoding="utf-8")
    report = check_site(folder)
    assert (report.site is None) <= bool(report.errors)
    assert all(found.file in FILES and found.line >= 1 for found in report.errors)
    assert all(found.message and found.key for found in report.errors)


def _site_with(tmp_path: Path, file: str, old: str, new: str) -> Path:
    """The small site with every `old` in one file replaced; an empty `old` replaces the file."""
    folder = tmp_path / "small"
    shutil.copytree(CONFIG / "small", folder)
    path = folder / file
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new) if old else new, encoding="utf-8")
    return folder


def _aliases(depth: int) -> str:
    """A dozen lines that stand for 9 ** depth values."""
    lines = [f"a0: &a0 [{', '.join('x' * 9)}]"]
    lines += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 9)}]" for n in range(1, depth)]
    return "\n".join(lines) + "\n"


VACUUM = "seed.vacuum,io_sower,input,1,,u16,,0.01"
HOSTILE = [
    ("crops.yaml", "", _aliases(9), "file", "stands for more values"),
    ("crops.yaml", "", "a: " + "[" * 3000, "file", "stands for more values, or deeper ones"),
    ("site.yaml", "hopper_l: 200", "hopper_l: " + "9" * 5000, "file", "a value cannot be read"),
    ("site.yaml", "    gate: 2s", "    gate: 2026-99-99", "file", "a value cannot be read: month"),
    ("site.yaml", "    gate: 2s", f"    gate: {'9' * 400}d", "stations.magazine.gate",
     "is longer than a hundred million days"),
    ("site.yaml", "takt: 30s", "takt: \0 30s", "file", "is not YAML: unacceptable character"),
    ("io.csv", "sowing.horn,", '"' + "x" * 200_000, "file", "cannot be read as CSV"),
    ("io.csv", VACUUM, VACUUM.replace("0.01", '"0,01"'),
     "seed.vacuum.scale", "'0,01' is not a number; write 0.01"),
    ("io.csv", VACUUM, VACUUM.replace("0.01", "nan"),
     "seed.vacuum.scale", "'nan' is not a number that can be counted with"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("file", "old", "new", "key", "says"), HOSTILE, ids=[case[4] for case in HOSTILE]
)
def test_what_would_break_a_reader_is_one_finding_of_its_file(
    tmp_path: Path, file: str, old: str, new: str, key: str, says: str
) -> None:
    errors = check_site(_site_with(tmp_path, file, old, new)).errors
    there = [found for found in errors if (found.file, found.key) == (file, key)]
    assert [says in found.message for found in there] == [True]
    assert "\n" not in there[0].message


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("smal", "there is no such folder"),
        (".", "holds no file of a site"),
        ("small/io.csv", "is a file; name the site's folder"),
    ],
)
def test_a_folder_that_is_no_site_is_one_finding_that_names_the_sites_near(
    name: str, says: str
) -> None:
    (found,) = check_site(CONFIG / name).errors
    assert says in found.message
    assert name == "small/io.csv" or "fennmark, one_run, small" in (found.hint or "")

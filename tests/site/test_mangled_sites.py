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

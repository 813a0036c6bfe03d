"""S01: no moving output goes without a hard-wired cut and a device watchdog that is fast enough.

Every moving output of the small site in turn, not a sample: which ones move is the table of
roles, so an output added there is held to the rule the same day.
"""

from __future__ import annotations

import csv
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from linectl.site.load import load_site, read_site
from linectl.site.parts import needs_of

CONFIG = Path(__file__).parents[2] / "config"
SMALL = load_site(CONFIG / "small")
MOVING = {tag for tag, need in needs_of(SMALL.file).items() if need.role.moves}


def _edited(tmp_path: Path, edit: Callable[[dict[str, str]], None]) -> Path:
    """The small site with `edit` done to every row of its IO list."""
    folder = tmp_path / "small"
    shutil.copytree(CONFIG / "small", folder)
    path = folder / "io.csv"
    with path.open(encoding="utf-8", newline="") as file:
        reader = csv.DictReader(file)
        columns, rows = list(reader.fieldnames or ()), list(reader)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, columns)
        writer.writeheader()
        for row in rows:
            edit(row)
            writer.writerow(row)
    return folder


@pytest.mark.parametrize("column", ["cut_by", "device_watchdog_ms"])
def test_each_moving_output_is_refused_without_it_and_only_those(
    tmp_path: Path, column: str
) -> None:
    errors = read_site(_edited(tmp_path, lambda row: row.update({column: ""}))).errors
    assert len(MOVING) > 40
    assert {found.key for found in errors} == {f"{tag}.{column}" for tag in MOVING}


def test_each_moving_output_is_refused_when_its_watchdog_is_slower_than_its_zone_allows(
    tmp_path: Path,
) -> None:
    folder = _edited(tmp_path, lambda row: None)
    path = folder / "site.yaml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("watchdog_limit: 1s", "watchdog_limit: 990ms"), encoding="utf-8")
    errors = read_site(folder).errors
    assert {found.key for found in errors} == {f"{tag}.device_watchdog_ms" for tag in MOVING}
    assert all("slower than zone" in found.message for found in errors)

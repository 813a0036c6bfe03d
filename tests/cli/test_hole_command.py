"""`hole`: the change is shown, made only on request, and the old file is kept."""

from __future__ import annotations

import shutil
from pathlib import Path

from linectl.site.load import load_site

SMALL = Path(__file__).parents[2] / "config" / "small"


def test_a_hole_is_shown_first_and_written_on_request(linectl, tmp_path):
    folder = tmp_path / "small"
    shutil.copytree(SMALL, folder)
    before = (folder / "site.yaml").read_text(encoding="utf-8")
    shown = linectl("hole", str(folder), "io_sower", "discrete", "200-201")
    assert shown.code == 0
    assert "200-201" in shown.out
    assert (folder / "site.yaml").read_text(encoding="utf-8") == before
    written = linectl("hole", str(folder), "io_sower", "discrete", "200-201", "--write")
    assert written.code == 0
    assert load_site(folder).file.devices["io_sower"].holes == {"discrete": ("200-201",)}
    kept = (folder / "site.yaml.previous").read_text(encoding="utf-8")
    assert kept == before
    again = linectl("hole", str(folder), "io_sower", "discrete", "200-201")
    assert "stands there already" in again.out


def test_an_unknown_device_is_told_with_the_nearest_name(linectl):
    said = linectl("hole", str(SMALL), "io_sowr", "discrete", "9")
    assert said.code == 2
    assert "io_sower" in said.err

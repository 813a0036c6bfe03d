"""A gutter whose head came to rest at the entry eye is drawn on from a standstill: its way to the
tool takes longer than on a belt that runs, and the tool waits for it."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from random import Random

import pytest
from cutting import seen
from cutting.boot import Boot
from cutting.life import open_plant
from kills.quick_site import write_site

from linectl.site.model import Site

BEFORE_MS = (80, 140)
"""From the cut to when the entry eye would have lit: the belt's run-down brings it there."""


def start(boot: Boot) -> None:
    for name in ("reset", "start"):
        for unit in ("sowing", "harvest"):
            boot.command(unit, name)
        boot.bench.run(boot.bench.now + 100)


def _lit_ms(site: Site, folder: Path) -> int:
    """When the first gutter lights the entry eye, uncut."""
    plant = open_plant(site, 1)
    boot = Boot(site, plant, str(folder / "uncut.sqlite3"), Random(1))
    with closing(boot.ledger):
        boot.bench.run(1_500)
        start(boot)
        assert boot.bench.until(60_000, lambda: plant.read(site.index("fill.entry_eye")))
    return boot.bench.now


@pytest.mark.parametrize("before_ms", BEFORE_MS)
def test_the_tool_waits_for_a_head_that_starts_from_rest(tmp_path: Path, before_ms: int) -> None:
    site = write_site(tmp_path / "site")
    eye = site.index("fill.entry_eye")
    plant, path = open_plant(site, 1), str(tmp_path / "ledger.sqlite3")
    first = Boot(site, plant, path, Random(1))
    first.bench.run(1_500)
    start(first)
    first.kill(_lit_ms(site, tmp_path) - before_ms)
    for device in site.file.devices:
        plant.fall_safe(device)
    rest_ms = plant.now + 2_000
    while plant.now < rest_ms:
        plant.run_until(rest_ms)
    plant.take_changed()
    assert plant.read(eye)
    boot = Boot(site, plant, path, Random(1))
    with closing(boot.ledger):
        assert boot.bench.until(10_000, lambda: seen.judged(boot.line))
        fill = boot.line.stations["fill"]
        assert fill.back == "leading"
        start(boot)
        boot.bench.run(boot.bench.now + 12_000)
    assert plant.report()["violations"] == []
    assert fill.state in ("done", "giving", "empty")

"""An emergency stop reset very soon, with devices that answer and with one that does not."""

from __future__ import annotations

from pathlib import Path

import pytest

from linectl.site.load import load_site

SMALL = load_site(Path(__file__).parents[2] / "config" / "small")
SILENT_MS = 3_000


def _stop_and_reset(shift, after_ms: int, silent: str = "") -> list[dict]:
    """The outfeed carriage travels; a stop is pressed, and reset `after_ms` later."""
    run = shift("small", site=SMALL, seed=3)
    bench = run.rehearsal.bench
    travelling = SMALL.index("outfeed.run")
    bench.run(30_000)
    while not run.plant.read(travelling):
        bench.run(bench.now + 50)
    bench.run(bench.now + 300)
    if silent:
        run.do("silence", silent, for_ms=SILENT_MS)
    run.do("press estop", "harvest")
    bench.run(bench.now + after_ms)
    run.do("release estop", "harvest")
    run.do("safety reset", "harvest")
    bench.run(bench.now + 5_000)
    return run.plant.report()["violations"]


@pytest.mark.parametrize("after_ms", [300, 500, 1_000, 2_000])
def test_while_devices_answer_a_stop_reset_early_starts_nothing(shift, after_ms):
    assert _stop_and_reset(shift, after_ms) == []


def test_a_silent_drive_is_off_by_its_own_watchdog_before_a_later_reset(shift):
    watchdog_ms = SMALL.file.devices["axis_outfeed"].watchdog_ms
    assert _stop_and_reset(shift, watchdog_ms + 100, "axis_outfeed") == []


def test_a_silent_drive_reset_before_its_watchdog_starts_again_so_that_must_be_hard_wired(shift):
    # S16: nothing can be written to a device that does not answer. This is a limit, shown on
    # purpose: a drive with restart lock-out, or a relay slower than the watchdog, must close it.
    rules = {row["rule"] for row in _stop_and_reset(shift, 300, "axis_outfeed")}
    assert rules == {"motion_without_warning"}

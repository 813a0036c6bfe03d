"""The doser calibrated on a line in virtual time, against what the plant hides."""

from __future__ import annotations

import time

from linectl.commission.calibrate import doser


def test_a_calibrated_doser_is_written_with_who_when_and_with_what(
    site_folder, benched, working, weighed
) -> None:
    line = benched(site_folder)
    line.do("hidden factors", seed=5)
    work = working(line, weighed["fill"])
    t0 = time.perf_counter()
    outcome = doser.calibrate(work)
    print("\n".join(work.person.said))
    print(time.perf_counter() - t0, line.plant.hidden(), outcome)
    assert outcome.result == "written"

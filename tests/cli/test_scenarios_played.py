"""Every scenario we ship, played: no rule is violated, and work goes on after it."""

from __future__ import annotations

from pathlib import Path

import pytest

from linectl.runtime.rehearsal import Options
from linectl.runtime.virtual import rehearse
from linectl.site.load import load_site
from linectl.site.scenario import load_scenario

ROOT = Path(__file__).parents[2]
STANDS = {"taken_by_hand"}
"""After these a person must walk round first: nobody in the scenario does."""


LONG = {"stall"}
"""A quarter of an hour: longer than the small site's limit for starting by itself."""


@pytest.mark.parametrize(
    "path", sorted((ROOT / "sim/scenarios").glob("*.yaml")), ids=lambda path: path.stem
)
def test_a_shipped_scenario_violates_no_rule_and_work_goes_on(path):
    site = load_site(ROOT / "config" / ("fennmark" if path.stem in LONG else "small"))
    actions = load_scenario(path, site)
    last_s = actions[-1].at_ms / 1000
    options = Options(for_ms=round(last_s + 480) * 1000, scenario=actions)
    shift = rehearse(site, options).as_json()
    assert shift["violations"] == []
    if path.stem not in STANDS:
        states = {row["unit"]: row["state"] for row in shift["states"]}
        assert states == {"sowing": "Execute", "harvest": "Execute"}
        late = [row for row in shift["flow"] if row["from_s"] >= last_s + 60]
        assert sum(row["indexed"] for row in late) >= 3, shift["waits"][-4:]

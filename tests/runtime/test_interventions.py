"""Bypasses, forces and overrides over a shift: leaping or not the same, and told in the account."""

from __future__ import annotations

from pathlib import Path

import pytest

from linectl.site.interlocks import Bypass
from linectl.site.load import load_site

MINUTE_MS = 60_000
ACTS = (
    (20_000, "bypass", "water_supply 90s valve is changed"),
    (25_500, "force", "turn.centred 0 15s eye is cleaned"),
    (30_000, "override", "water-dose 700 2m crust on the peat"),
    (41_130, "bypass", "hopper_empty 37s sensor is dirty"),
    (150_000, "bypass", "drive_seed 1h contact is loose"),
    (200_000, "bypass-end", "drive_seed"),
    (210_000, "force", "infeed.flag 1 1h wiring is tested"),
    (230_000, "force-end", "all"),
)
WORLD = (
    (35_000, "fault", "water", {"kind": "supply_lost", "for_ms": 20_000}),
    (45_000, "fault", "fill", {"kind": "hopper_empty", "for_ms": 60_000}),
    (160_000, "fault", "seed", {"kind": "trips", "for_ms": 5_000}),
    (215_000, "fault", "seed", {"kind": "trips", "for_ms": 5_000}),
)


def _site():
    site = load_site(Path(__file__).parents[2] / "config" / "small")
    bypass = Bypass.model_validate({"limit": "2h"})
    causes = {
        name: cause.model_copy(update={"bypass": bypass})
        for name, cause in site.interlocks.causes.items()
    }
    interlocks = site.interlocks.model_copy(update={"causes": causes})
    return site.model_copy(update={"interlocks": interlocks})


def _history(shift, attendant, every_tick):
    run = shift("small", site=_site(), every_tick=every_tick)
    attendant(run)
    for at, name, argument in ACTS:
        run.rehearsal.command_at(at, "", name, argument, "anna")
    for at, verb, part, options in WORLD:
        run.rehearsal.bench.at(
            at, lambda v=verb, p=part, o=options: run.plant.do(v, p, **o)
        )  # fmt: skip
    told, digests = [], []
    record = run.rehearsal.bench.recorder.record

    def listen(moves, events):
        told.extend((e.at, e.kind, e.source, e.text, sorted(e.data.items())) for e in events)
        record(moves, events)

    run.rehearsal.bench.recorder.record = listen
    for minute in range(1, 6):
        run.run(f"{minute}m")
        digests.append(run.line.digest())
    return told, digests, run


@pytest.fixture(scope="module")
def leapt(shift, attendant):
    return _history(shift, attendant, every_tick=False)


def test_leaping_and_every_tick_tell_the_same_of_what_people_set(shift, attendant, leapt):
    ticked = _history(shift, attendant, every_tick=True)
    for one, other in zip(leapt[0], ticked[0], strict=False):
        assert one == other
    assert len(leapt[0]) == len(ticked[0])
    assert leapt[1] == ticked[1]
    assert leapt[2].rehearsal.bench.scans < ticked[2].rehearsal.bench.scans / 3


def test_the_account_has_each_from_beginning_to_end_and_whether_it_was_tried(leapt):
    rows = leapt[2].outcome["interventions"]
    seen = {(row["kind"], row["name"]): row for row in rows}
    assert len(rows) == len(seen) == 6
    water = seen["bypass", "water_supply"]
    assert (water["from_s"], water["to_s"], water["ended_by"]) == (
        pytest.approx(20.0, abs=0.1), pytest.approx(110.0, abs=0.1), "expiry",
    )  # fmt: skip
    assert (water["came"], water["tried"]) == (1, False)
    drive = seen["bypass", "drive_seed"]
    assert (drive["ended_by"], drive["came"], drive["tried"]) == ("anna", 1, True)
    assert seen["force", "turn.centred"]["ended_by"] == "expiry"
    assert seen["force", "infeed.flag"]["ended_by"] == "anna"
    assert seen["override", "water-dose"]["to_s"] == pytest.approx(150.0, abs=0.1)
    alarms = {row["tag"] for row in leapt[2].outcome["alarms"]}
    assert {"bypass.water_supply", "force.turn.centred", "override.water-dose"} <= alarms


def test_while_its_empty_hopper_is_bypassed_the_filler_goes_on(leapt):
    told = leapt[0]
    kept = [at for at, kind, source, text, _ in told
            if kind == "unit" and source == "sowing" and "Hold" in text]  # fmt: skip
    assert not [at for at in kept if 45_000 <= at < 78_000]

"""Ten planted time bugs: each makes leaping and scanning every tick tell different histories.

Without a bug the two agree on the very same scenario, so that it is the bug that is found.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from linectl.line.causes import Causes
from linectl.line.inputs import NEVER, Inputs
from linectl.line.line import Line
from linectl.line.part import Part
from linectl.line.sower import Tamp
from linectl.line.units import Unit
from linectl.line.waiting import Waiting
from linectl.site.load import load_site

SMALL = load_site(Path(__file__).parents[2] / "config" / "small")


# scenarios: short ones in which the due in question is what wakes the line -----------------------


def _plain(run) -> None:
    run.run("3m")


def _delayed(run) -> None:
    run.run("3m")


def _no_air(run) -> None:
    run.run("60s")
    run.do("fault", "harvest", kind="air_lost", for_ms=20_000)
    run.run("80s")


def _nothing_fed(run) -> None:
    run.rehearsal.bench.at(3_000, lambda: run.plant.do("fault", "magazine", kind="feeds_none"))
    run.run("60s")


def _unripe(run) -> None:
    for record in run.line.gutters.values():
        record.ripe_at = 20_003  # between two ticks: its scan is the next one
    run.run("60s")


def _starved(run) -> None:
    run.do("harvest stops")
    run.run("7m")


def _stuck(run) -> None:
    run.line.crop_in_drum = "rocket"
    run.line.order._strict = ("green_oakleaf",)
    run.line.ends.outfeed.run_out = False
    run.run("6m")


def _wet(run) -> None:
    run.run("52s")
    run.do("fault", "infeed", kind="grips_nothing")
    run.run("4m")


def _eye_gone(run) -> None:
    run.run("40s")
    run.do("take out", "fill")
    run.run("60s")


# bugs --------------------------------------------------------------------------------------------


def _leave_out(owner: type, name: str):
    return lambda patch: patch.setattr(owner, name, lambda self: NEVER)


def _no_act_at(patch) -> None:
    def due(self) -> int:
        return min(part.due for part in self.parts)

    patch.setattr(Line, "_part_due", due)


def _no_time_outs(patch) -> None:
    def due(self) -> int:
        return min(part.act_at for part in self.parts)

    patch.setattr(Line, "_part_due", due)


def _no_mutual(patch) -> None:
    original = Waiting.next_due

    def next_due(self) -> int:
        kept, self.mutual_due = self.mutual_due, NEVER
        try:
            return original(self)
        finally:
            self.mutual_due = kept

    patch.setattr(Waiting, "next_due", next_due)


def _dwell_in_scans(patch) -> None:
    counts: dict[int, int] = {}

    def dwelling(self, now: int) -> None:
        counts[id(self)] = counts.get(id(self), 0) + 1
        if counts[id(self)] >= 60:
            counts[id(self)] = 0
            self.go("dwelt", now + self.timeout("rising"))

    patch.setattr(Tamp, "_dwelling", dwelling)


def _warning_in_scans(patch) -> None:
    original = Unit._warn
    counts: dict[int, int] = {}

    def warn(self, now: int) -> bool:
        counts[id(self)] = counts.get(id(self), 0) + 1
        if counts[id(self)] >= 250 and not self.warned:
            self.warned = True
            self.line.changed = True
        return original(self, now)

    patch.setattr(Unit, "_warn", warn)


def _silent_change(patch) -> None:
    original = Part.go

    def go(self, event: str, due: int = NEVER) -> None:
        before = self.line.changed
        original(self, event, due)
        self.line.changed = before

    patch.setattr(Part, "go", go)


BUGS = {
    "an input's delay is left out of next_due": (_leave_out(Inputs, "next_due"), _delayed),
    "a cause's delay is left out of next_due": (_leave_out(Causes, "next_due"), _no_air),
    "the parts' time-outs are left out of next_due": (_no_time_outs, _nothing_fed),
    "the parts' planned acts are left out of next_due": (_no_act_at, _plain),
    "the units' dues are left out of next_due": (_leave_out(Line, "_unit_due"), _starved),
    "ripening is left out of next_due": (_leave_out(Waiting, "_ripe_due"), _unripe),
    "the wet limit is left out of next_due": (_leave_out(Waiting, "_wet_due"), _wet),
    "the mutual wait is left out of next_due": (_no_mutual, _stuck),
    "the tamp's dwell is a count of scans": (_dwell_in_scans, _plain),
    "the start warning is a count of scans": (_warning_in_scans, _plain),
    "a change of state is not told": (_silent_change, _plain),
}


def _site(scenario):
    """The small site; with a wet limit of two minutes, or with eyes that are filtered."""
    if scenario is _delayed:
        points = tuple(
            point.model_copy(update={"on_delay_ms": 70, "off_delay_ms": 70})
            if point.tag.endswith("_eye")
            else point
            for point in SMALL.points
        )
        return SMALL.model_copy(update={"points": points})
    if scenario is not _wet:
        return SMALL
    limits = SMALL.file.limits.model_copy(update={"wet_limit_ms": 120_000})
    return SMALL.model_copy(update={"file": SMALL.file.model_copy(update={"limits": limits})})


def _history(shift, scenario, every_tick: bool) -> list[object]:
    run = shift("small", site=_site(scenario), seed=3, every_tick=every_tick)
    told: list[object] = []
    record = run.rehearsal.bench.recorder.record

    def listen(moves, events) -> None:
        told.extend(moves)
        told.extend((e.at, e.kind, e.source, e.text) for e in events)
        record(moves, events)

    run.rehearsal.bench.recorder.record = listen
    scenario(run)
    told.append(run.line.digest())
    return told


@pytest.mark.parametrize(
    "scenario", sorted({scenario for _, scenario in BUGS.values()}, key=lambda f: f.__name__)
)
def test_without_a_bug_leaping_and_ticking_agree(shift, scenario):
    assert _history(shift, scenario, False) == _history(shift, scenario, True)


@pytest.mark.parametrize("bug", BUGS)
def test_a_planted_time_bug_is_found(shift, monkeypatch, bug):
    plant, scenario = BUGS[bug]
    plant(monkeypatch)
    assert _history(shift, scenario, False) != _history(shift, scenario, True)


def test_a_gutter_taken_out_is_missed_at_the_same_time(shift):
    assert _history(shift, _eye_gone, False) == _history(shift, _eye_gone, True)

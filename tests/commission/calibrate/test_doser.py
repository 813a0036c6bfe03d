"""The doser calibrated on a line in virtual time: what is said, refused, written, put back.

SAFETY.md S41, S42.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from linectl.commission.calibrate import doser, water
from linectl.commission.calibrate.record import FILE, read_calibrations
from linectl.commission.changes_record import read_changes
from linectl.commission.person import Ended
from linectl.commission.site_change import Words, make
from linectl.commission.tune import tuning_of
from linectl.crop import setpoints
from linectl.errors import UsageError
from linectl.site.load import load_site

VOLUME = {"when": "what came", "weigh": "fill", "say": "{l}l"}
NO = {"when": "write it", "say": "no"}
STAYS_ASKED = ["at", "what", "result", "why"]


@pytest.fixture
def line(site_folder, benched):
    made = benched(site_folder)
    made.do("hidden factors", seed=3)  # its doser gives 6 % too much
    return made


def said(work) -> str:
    return "\n".join(work.person.said)


def text_of(folder: Path, file: str = "calibration.yaml") -> str:
    return (folder / file).read_text(encoding="utf-8")


def test_as_found_is_told_before_the_new_factor_and_as_left_after_it(line, working) -> None:
    work = working(line, VOLUME, NO)
    outcome = doser.calibrate(work)
    told = said(work)
    places = [told.index(words) for words in ("as found", "new factor", "as left", "The change")]
    assert places == sorted(places)
    truth = line.plant.hidden()["doser"]
    assert outcome.told["as_found"] == pytest.approx(truth - 1, abs=0.02)
    assert outcome.told["as_left"] == pytest.approx(0, abs=0.04)
    assert (outcome.result, outcome.fine) == ("left", True)


def test_cautions_come_before_anything_and_want_a_yes(line, working) -> None:
    work = working(line, {"when": "all of it is so", "say": "perhaps"})
    with pytest.raises(Ended):
        doser.calibrate(work)
    assert "isolate, lock, dissipate, try first" in said(work)
    assert line.commanded == []


def test_what_is_written_says_who_when_with_what_and_keeps_every_comment(
    line, working, site_folder
) -> None:
    before = text_of(site_folder)
    outcome = doser.calibrate(working(line, VOLUME))
    assert outcome.result == "written"
    assert text_of(site_folder).startswith(before)
    entry = load_site(site_folder).calibration.doser
    assert (entry.by, entry.on.isoformat(), entry.lot) == ("ann", "2027-03-31", "P-7")
    assert entry.valid_until.isoformat() == "2028-03-30"
    assert text_of(site_folder, "calibration.yaml.previous") == before


def test_set_points_follow_the_new_factor(line, working, site_folder) -> None:
    before = setpoints.doser(line.site, "green_oakleaf").value
    doser.calibrate(working(line, VOLUME))
    site = load_site(site_folder)
    factor = site.calibration.doser_factor
    assert setpoints.doser(site, "green_oakleaf").value == pytest.approx(before / factor)
    assert factor == pytest.approx(line.plant.hidden()["doser"], rel=0.02)


def test_the_running_line_takes_it_over_if_it_is_told(line, working, site_folder) -> None:
    work = working(line, VOLUME, {"when": "tell the running controller", "say": "yes"})
    doser.calibrate(work)
    assert line.line.site.digest == load_site(site_folder).digest
    assert "from the next gutter on" in said(work)


def test_a_controller_that_cannot_be_told_is_named_with_what_follows(line, working) -> None:
    line.deaf = "tune"
    work = working(line, VOLUME, {"when": "tell the running controller", "say": "yes"})
    assert doser.calibrate(work).result == "written"
    assert "when it is started anew" in said(work)


def test_each_round_is_one_row_on_record_with_its_runs(line, working, site_folder) -> None:
    doser.calibrate(working(line, VOLUME, NO))
    doser.calibrate(working(line, VOLUME))
    (first, second), findings = read_calibrations(site_folder)
    assert findings == ()
    assert (first.result, second.result) == ("left", "written")
    runs = json.loads(second.runs)
    assert len(runs) == 6 and {run["seconds"] for run in runs} == {20.0}
    assert len(json.loads(second.residuals)) == 6
    assert second.instrument == "scale no. 4" and second.as_found.startswith("off by")
    (change,), _ = read_changes(site_folder)
    assert (change.kind, change.what) == ("calibrate", "calibration.doser.factor")


def test_undo_puts_the_file_back_in_one_step_and_only_once(line, working, site_folder) -> None:
    before = text_of(site_folder)
    doser.calibrate(working(line, VOLUME))
    again = working(line, {"when": "put it back", "say": "yes"})
    assert doser.undo(again).result == "undone"
    assert text_of(site_folder) == before
    with pytest.raises(UsageError, match="no calibration of doser has been written"):
        doser.undo(again)
    assert [row.result for row in read_calibrations(site_folder)[0]] == ["written", "undone"]


@pytest.mark.parametrize("ways", [1, 2])
def test_undo_puts_no_file_back_that_is_not_the_one_from_before(
    line, working, site_folder, ways
) -> None:
    # S42: tuned there and back, the file kept beside it is the tuned one
    doser.calibrate(working(line, VOLUME))
    written = text_of(site_folder)
    words = Words("tune", "calibration.doser.factor", "", "", "trial", "ben")
    for to in (1.05, load_site(site_folder).calibration.doser.factor)[:ways]:
        site = load_site(site_folder)
        make(tuning_of(site, "calibration.doser.factor", str(to), running=False), words)
    before = text_of(site_folder)
    assert (before == written) is (ways == 2)
    with pytest.raises(UsageError, match="were changed since doser was calibrated"):
        doser.undo(working(line, {"when": "put it back", "say": "yes"}))
    assert text_of(site_folder) == before


def test_undo_takes_nothing_of_another_device_back(line, working, site_folder) -> None:
    doser.calibrate(working(line, VOLUME))
    with pytest.raises(UsageError, match="the last one written was of doser"):
        water.undo(working(line))


# refused ----------------------------------------------------------------------------------------


def came(*amounts: str):
    return {"when": "what came", "say": list(amounts)}


def test_too_much_spread_is_refused_with_what_may_be_wrong(line, working, site_folder) -> None:
    before = text_of(site_folder)
    # what came for each one asked: 1.06 ± 8 % in turn, no run farther out than the others
    noisy = came("9.52l", "15.66l", "11.17l", "13.34l", "9.52l", "15.66l")
    work = working(line, noisy, {"when": "when it is mended", "say": "q"})
    outcome = doser.calibrate(work)
    assert outcome.result == "refused" and not outcome.fine
    assert "more than 3%: bridging" in outcome.why
    assert text_of(site_folder) == before
    (row,), _ = read_calibrations(site_folder)
    assert (row.result, row.new) == ("refused", "") and row.why == outcome.why


def test_a_set_that_was_refused_stands_when_it_was_taken_again(line, working) -> None:
    noisy = came("9.52l", "15.66l", "11.17l", "13.34l", "9.52l", "15.66l", *["10.3l", "14.44l"] * 3)
    steady = {"when": "verification run: what came", "say": "12.4l"}
    work = working(line, steady, noisy, {"when": "when it is mended", "say": ""}, NO)
    outcome = doser.calibrate(work)
    assert outcome.result == "left"
    assert len(outcome.told["left_out"]) == 6


def test_a_factor_out_of_bounds_is_refused_as_the_wrong_unit(line, working, site_folder) -> None:
    tenth = came(*["1.03l", "1.44l"] * 3)
    outcome = doser.calibrate(working(line, tenth))
    assert outcome.result == "refused" and "outside 0.5 to 2" in outcome.why
    assert load_site(site_folder).calibration.doser is None


def test_nothing_is_written_when_the_verification_run_is_off(line, working, site_folder) -> None:
    off = {"when": "verification run: what came", "say": "10.5l"}
    outcome = doser.calibrate(working(line, off, VOLUME))
    assert outcome.result == "refused" and "verification run is off" in outcome.why
    assert load_site(site_folder).calibration.doser is None


def test_what_cannot_be_read_is_asked_again_with_the_right_form(line, working) -> None:
    typed = {"when": "run 1 of 6: what came", "say": ["10.3", "-4l", "10.3l"]}
    work = working(line, typed, VOLUME, NO)
    doser.calibrate(work)
    assert "'10.3' has no unit; write 12.4l, 870ml, 2.1kg" in said(work)
    assert "'-4l' is no amount" in said(work)


def test_a_run_that_was_cut_short_does_not_count_and_is_done_again(line, working) -> None:
    work = working(line, VOLUME, NO)
    acts = []
    doing = line.do

    def do(verb: str, part: str = "", **options) -> None:
        acts.append(verb)
        doing(verb, part, **options)
        if verb == "enable" and acts.count("enable") == 2:  # in the first run after the prime
            at = line.bench.now + 15_000
            line.bench.at(at, lambda: line.plant.do("disable", part))

    line.do = do
    outcome = doser.calibrate(work)
    assert "the enabling device was not held. That run does not count" in said(work)
    assert len(outcome.told["runs"]) == 6
    assert {run["seconds"] for run in outcome.told["runs"]} == {20.0}


def test_a_hopper_that_would_run_dry_is_filled_first(line, working) -> None:
    line.do("fault", "fill", kind="hopper_empty")
    work = working(line, VOLUME, NO)
    doser.calibrate(work)
    assert "fill.hopper_level reads 0 l: Enter when it is filled" in said(work)
    assert line.look(-1).points["fill.hopper_level"] > 50


def test_who_leaves_before_the_verification_leaves_the_runs_on_record(
    line, working, site_folder
) -> None:
    with pytest.raises(Ended):
        doser.calibrate(working(line, {"when": "verification run at", "say": "q"}, VOLUME))
    (row,), _ = read_calibrations(site_folder)
    assert (row.result, row.why) == ("left", "ended by the person")
    assert len(json.loads(row.runs)) == 6


def test_the_line_must_work_with_the_files_that_are_changed(line, working, site_folder) -> None:
    text = text_of(site_folder).replace("factor: 0.992", "factor: 0.98")
    (site_folder / "calibration.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(UsageError, match="other site files"):
        doser.calibrate(working(line, VOLUME, site=load_site(site_folder)))


def test_nobody_is_run_out_of_maintenance(line, working) -> None:
    with pytest.raises(UsageError, match="without maintenance"):
        doser.calibrate(working(line, {"when": "put into maintenance", "say": "no"}))
    assert line.commanded == []


def test_a_weight_is_turned_into_litres_by_the_density_that_is_asked(line, working) -> None:
    density = {"when": "bulk density", "say": ["5000", "100"]}
    work = working(line, density, {"when": "what came", "weigh": "fill", "say": "{kg}kg"}, NO)
    outcome = doser.calibrate(work)
    assert "a number from 20 to 1500" in said(work)
    truth = line.plant.hidden()["doser"]
    assert abs(outcome.told["as_found"] - (truth - 1)) < 0.02


def test_the_record_is_named_in_the_sites_folder(line, working, site_folder) -> None:
    doser.calibrate(working(line, VOLUME, NO))
    assert (site_folder / FILE).read_text(encoding="utf-8-sig").split(",")[:4] == STAYS_ASKED


def test_somebody_elses_pulse_is_never_taken_for_the_run(line, working) -> None:
    work = working(line, VOLUME, NO)
    told, between = line.status, []

    def status():
        found = told()
        if found["pulse"] is None and found["last_pulse"] and not between:
            between.append(found["last_pulse"])
            found = {**found, "last_pulse": {**found["last_pulse"], "by": "ben"}}
        return found

    line.status = status
    outcome = doser.calibrate(work)
    assert "another pulse came between, fill.doser by ben: that run does not count" in said(work)
    assert len(outcome.told["runs"]) == 6


def test_a_controller_without_pulses_is_asked_for_nothing(line, working) -> None:
    line.status = lambda: {"units": {}}
    with pytest.raises(UsageError, match="knows no pulses"):
        doser.calibrate(working(line))

"""Time-outs learnt from a line that runs: in virtual time, on the plant model, into real files.

SAFETY.md S43.
"""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from linectl.commission.answers import AnswersFile, Rule, Scripted
from linectl.commission.calibrate.step_cycles import StepCycles
from linectl.commission.calibrate.timed_steps import StepName, timed_parts, timed_steps
from linectl.commission.calibrate.timers import TimersFound, found
from linectl.commission.calibrate.timers_guide import choose, take_all, take_back
from linectl.commission.calibrate.timers_record import FILE, read_kept
from linectl.commission.calibrate.timers_write import Signed, planned, planned_undo
from linectl.commission.changes_record import read_changes
from linectl.errors import LinectlError, SiteError, UsageError
from linectl.image import Event, Move
from linectl.runtime.plant import open_plant
from linectl.runtime.rehearsal import Options
from linectl.runtime.step_log import StepLog
from linectl.runtime.virtual import Rehearsal
from linectl.site.load import load_site
from linectl.site.model import Site
from linectl.site.scenario import Action

CONFIG = Path(__file__).parents[3] / "config"
MINUTE = 60_000
WHO = Signed("Ina Roth", "2026-04-01T05:10:00+02:00", "good cycles")
PRESSING = StepName("tamp", "", "pressing")
PRESS = "stations.tamp.press_timeout"


def altered(site: Site, station: str, **facts: object) -> Site:
    """The site with facts of one station replaced."""
    stations = dict(site.file.stations)
    stations[station] = stations[station].model_copy(update=facts)
    file = site.file.model_copy(update={"stations": stations})
    return site.model_copy(update={"file": file})


def watched(
    site: Site, minutes: float = 8, plant: Site | None = None, *scenario: Action
) -> StepCycles:
    """Good cycles of a line that ran on the model. plant: a machine other than the site says."""
    shift = Rehearsal(site, Options(scenario=scenario), open_plant(plant or site, 1))
    log, record = StepLog(), shift.bench.recorder.record

    def keep(moves: Sequence[Move], events: Sequence[Event]) -> None:
        log.take(events)
        record(moves, events)

    shift.bench.recorder.record = keep  # type: ignore[method-assign]
    shift.start()
    shift.run(round(minutes * MINUTE))
    shift.finish(0.0)
    cycles = StepCycles(timed_parts(site))
    answer = log.answer(-1, shift.bench.now)
    cycles.take(answer["steps"])
    while answer["more"]:
        answer = log.answer(answer["number"], shift.bench.now)
        cycles.take(answer["steps"])
    return cycles


@pytest.fixture(scope="module")
def as_built() -> StepCycles:
    """Eight minutes of the small line: some twenty gutters."""
    return watched(load_site(CONFIG / "small"))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    shutil.copytree(CONFIG / "one_run", tmp_path / "one_run")
    return Path(shutil.copytree(CONFIG / "small", tmp_path / "small"))


def of(timers: TimersFound, name: str) -> int | None:
    return next(one.proposal.ms for one in timers.timeouts if one.name == name)


def limited(folder: Path, text: str) -> Site:
    """The site with a jam limit written at the tamp's press."""
    path = folder / "site.yaml"
    old = "    press_timeout: 5s\n"
    said = path.read_text(encoding="utf-8")
    assert said.count(old) == 1
    path.write_text(said.replace(old, f"{old}    jam_limits: {{{text}}}\n"), encoding="utf-8")
    return load_site(folder)


# which step rests on which key ------------------------------------------------------------------


def test_every_time_out_that_is_named_is_the_one_that_bounds_its_steps() -> None:
    site = load_site(CONFIG / "small")
    before = timed_steps(site)
    paths = {step.path for step in before.values() if step.path and step.path[0] == "stations"}
    for path in paths:
        assert path is not None
        key = f"{path[2]}_ms"
        longer = altered(site, str(path[1]), **{key: 99_000})
        moved = {n for n, step in timed_steps(longer).items() if step != before[n]}
        assert moved == {name for name, step in before.items() if step.path == path}


def test_every_state_with_a_time_out_of_its_own_is_watched() -> None:
    site = load_site(CONFIG / "small")
    known = {(name.part, name.state) for name in timed_steps(site)}
    seen = {(name.part, name.state) for name in watched(site, 3).durations}
    # What is asked of the record has the ledger's time-out; the rest waits for other stations.
    waits = {
        "asked", "asked_pick", "asked_put", "asked_stroke", "asked_home", "asked_transfer",
        "giving", "done", "offered", "at_pick", "at_put", "loaded", "dwelling", "taken_by_sowing",
        "taken_by_harvest",
    }  # fmt: skip
    assert {pair for pair in seen - known if pair[1] not in waits} == set()


# what good cycles say ---------------------------------------------------------------------------


def test_steps_take_what_the_machine_takes(as_built: StepCycles) -> None:
    # The model's press: 3 s in all, two fifths of it down; seen a poll later.
    timers = found(load_site(CONFIG / "small"), as_built)
    (pressing,) = (one for one in timers.steps if one.step.name == PRESSING)
    assert pressing.spread is not None and pressing.spread.n >= 10
    assert 1_200 <= pressing.spread.median <= 1_260
    assert not timers.drifted and not timers.left_out


def test_proposals_leave_room_and_stay_legal(as_built: StepCycles, folder: Path) -> None:
    timers = found(load_site(folder), as_built)
    assert of(timers, PRESS) == 3_900  # 3 s by the file, a quarter, 120 ms to be seen
    take_all(timers, WHO)
    load_site(folder)  # `check` demands no more
    assert {one.name for one in timers.timeouts if one.proposal.ms is None} == set()


def test_a_press_slower_than_the_file_says_gets_the_time_it_takes(folder: Path) -> None:
    site = limited(folder, "press_timeout: 9s")
    slow = altered(site, "tamp", press_ms=9_000)
    timers = found(site, watched(site, 8, slow))
    assert of(timers, PRESS) == 4_700  # two fifths of 9 s and 40 ms, a quarter, 120 ms


def test_a_jam_limit_is_never_passed_by_a_proposal(folder: Path) -> None:
    site = limited(folder, "press_timeout: 5s")
    timers = found(site, watched(site, 8, altered(site, "tamp", press_ms=11_500)))
    (press,) = (one for one in timers.timeouts if one.name == PRESS)
    assert press.longest_ms is not None and press.longest_ms > 4_500
    assert (press.proposal.ms, press.proposal.why) == (5_000, "the jam limit")


def test_check_refuses_a_time_out_beyond_its_jam_limit_and_a_limit_of_nothing(folder: Path) -> None:
    with pytest.raises(SiteError, match="longer than its jam limit, 4s"):
        limited(folder, "press_timeout: 4s")
    path = folder / "site.yaml"
    path.write_text(path.read_text().replace("{press_timeout: 4s}", "{pres_timeout: 9s}"))
    with pytest.raises(SiteError, match=r"no time-out of this station[\s\S]*press_timeout"):
        load_site(folder)


def test_runs_and_transfers_have_jam_limits_too(folder: Path) -> None:
    path = folder / "site.yaml"
    text = path.read_text(encoding="utf-8")
    old = "travel: 3s, timeout: 6s}"
    assert text.count(old) == 2
    path.write_text(text.replace(old, "travel: 3s, timeout: 6s, jam_limit: 7s}"))
    assert {t.jam_limit_ms for lane in load_site(folder).file.lanes for t in lane.transfers} == {
        7_000
    }
    path.write_text(text.replace(old, "travel: 3s, timeout: 6s, jam_limit: 5s}"))
    with pytest.raises(SiteError, match="6s is longer than its jam limit, 5s"):
        load_site(folder)


def test_a_press_that_stuck_once_leaves_nothing_in_the_sample() -> None:
    site = load_site(CONFIG / "small")
    scenario = (
        Action(3 * MINUTE, "fault", "tamp", {"kind": "press_sticks", "for_ms": 40_000}),
        Action(240_000, "command", "sowing", {"command": "unhold"}),
    )
    cycles = watched(site, 12, None, *scenario)
    out = {why for (part, why) in cycles.left_out if part == "tamp"}
    assert out and all("tamp.press" in why or why in ("faulted", "partial") for why in out)
    assert max(cycles.durations[PRESSING]) < 1_300  # the one that stuck stood there for 5 s


# drift ------------------------------------------------------------------------------------------


def test_a_press_that_has_grown_slow_since_last_time_is_found_and_nothing_else(
    as_built: StepCycles, folder: Path
) -> None:
    site = load_site(folder)
    person = Scripted(AnswersFile(answers=(Rule(say="none"),)))
    choose(person, found(site, as_built), WHO, lambda edit: None)
    slow = altered(site, "tamp", press_ms=4_000)
    timers = found(site, watched(site, 8, slow))
    assert {str(one.step.name) for one in timers.drifted} == {"tamp.pressing", "tamp.rising"}
    assert not found(site, watched(site, 9)).drifted


# the file ---------------------------------------------------------------------------------------


def answered(*said: str) -> Scripted:
    return Scripted(AnswersFile(answers=(Rule(say=said),)))


def test_the_diff_is_shown_and_only_what_was_taken_changes(
    as_built: StepCycles, folder: Path
) -> None:
    timers = found(load_site(folder), as_built)
    place = 1 + [one.name for one in timers.proposals].index(PRESS)
    before = (folder / "site.yaml").read_text(encoding="utf-8")
    shown: list[str] = []
    done = choose(answered(str(place), "yes"), timers, WHO, lambda edit: shown.append(edit.diff))
    after = (folder / "site.yaml").read_text(encoding="utf-8")
    assert after == before.replace("    press_timeout: 5s\n", "    press_timeout: 3.9s\n")
    assert done.written and "+    press_timeout: 3.9s" in shown[0]
    (change,), _ = read_changes(folder)
    assert (change.kind, change.what, change.old, change.new) == ("timers", PRESS, "5s", "3.9s")
    assert change.by == WHO.by and change.site_digest == load_site(folder).digest
    rows, findings = read_kept(folder)
    (row,) = (row for row in rows if row.step == "tamp.pressing")
    assert (row.timeout, row.found_ms, row.left_ms, row.by) == (PRESS, "5000", "3900", WHO.by)
    assert not findings


def test_all_of_them_change_their_lines_and_undo_gives_the_file_back_to_the_letter(
    as_built: StepCycles, folder: Path
) -> None:
    before = (folder / "site.yaml").read_bytes()
    done = take_all(found(load_site(folder), as_built), WHO)
    lines = [line for line in done.edit.diff.splitlines()[2:] if line[0] in "+-"]
    assert all("timeout" in line for line in lines) and len(lines) > 20
    assert (folder / "site.yaml").read_bytes() != before
    take_back(None, folder, WHO, lambda edit: None)
    assert (folder / "site.yaml").read_bytes() == before
    changes, _ = read_changes(folder)
    undone = [one for one in changes if one.kind == "undo"]
    assert {(one.what, one.new) for one in undone} == {
        (one.what, one.old) for one in changes if one.kind == "timers"
    }
    with pytest.raises(UsageError, match="not the last"):
        planned_undo(folder)


def test_undo_goes_no_further_than_to_what_it_wrote(as_built: StepCycles, folder: Path) -> None:
    take_all(found(load_site(folder), as_built), WHO)
    path = folder / "site.yaml"
    path.write_text(path.read_text().replace("takt: 30s", "takt: 31s"))
    with pytest.raises(UsageError, match="Nothing is taken back"):
        planned_undo(folder)


def test_nothing_is_written_unless_it_is_said(as_built: StepCycles, folder: Path) -> None:
    timers = found(load_site(folder), as_built)
    before = (folder / "site.yaml").read_bytes()
    for said in (("none",), ("all", "no"), ("q",), ("99", "x", "q"), ("all", "q")):
        assert not choose(answered(*said), timers, WHO, lambda edit: None).written
    assert (folder / "site.yaml").read_bytes() == before
    assert (folder / FILE).exists() and not read_changes(folder)[0]


def test_a_file_changed_meanwhile_is_left_alone(as_built: StepCycles, folder: Path) -> None:
    timers = found(load_site(folder), as_built)
    path = folder / "site.yaml"

    def meddle(edit: object) -> None:
        path.write_text(path.read_text().replace("takt: 30s", "takt: 29s"))

    with pytest.raises(UsageError, match="changed by somebody else"):
        choose(answered("all", "yes"), timers, WHO, meddle)


def test_a_site_that_extends_gets_its_time_outs_in_its_own_file(
    as_built: StepCycles, folder: Path
) -> None:
    base = (folder / "site.yaml").read_bytes()
    own = folder.parent / "yours"
    own.mkdir()
    text = (
        "# ours\nextends: ../small\nname: yours\n\nlanes:\n  - id: 2\n    crops: [rocket]  # only\n"
    )
    (own / "site.yaml").write_text(text, encoding="utf-8")
    shutil.copy(folder / "approval.yaml", own)
    timers = found(load_site(own), as_built)
    wanted = [one for one in timers.proposals if one.path[0] == "lanes" or one.name == PRESS]
    planned(timers, wanted).write()
    after = load_site(own)
    assert after.file.stations["tamp"].press_timeout_ms == 3_900  # type: ignore[union-attr]
    assert {run.timeout_ms for lane in after.file.lanes for run in lane.runs} == {4_000}
    assert [lane.crops for lane in after.file.lanes][1] == ("rocket",)
    assert (
        "# ours\n" in (own / "site.yaml").read_text()
        and "# only" in (own / "site.yaml").read_text()
    )
    assert (folder / "site.yaml").read_bytes() == base


def test_a_change_that_check_would_refuse_is_put_back(
    as_built: StepCycles, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    timers = found(load_site(folder), as_built)
    (press,) = (one for one in timers.timeouts if one.name == PRESS)
    short = replace(press, proposal=press.proposal._replace(ms=1_000))
    before = (folder / "site.yaml").read_bytes()
    from linectl.commission.calibrate.timers_write import write

    with pytest.raises(LinectlError, match="shorter than its own motion"):
        write(timers, planned(timers, [short]), [short], WHO)
    assert (folder / "site.yaml").read_bytes() == before

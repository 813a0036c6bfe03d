"""A shift told from its ledger: the same as the rehearsal that wrote it, and over power cuts."""

from __future__ import annotations

import json
import shutil
import sqlite3
from pathlib import Path
from types import SimpleNamespace

import pytest

from linectl.crop.pace import DAY_MS
from linectl.errors import LedgerUnreachable, UsageError
from linectl.image import Event, Move, Slot
from linectl.ledger import Ledger
from linectl.ledger.archive import archive
from linectl.ledger.clock import Clock
from linectl.runtime.account import NO_CONTROLLER
from linectl.runtime.shift_calendar import Span
from linectl.runtime.shift_report import report
from linectl.site.scenario import load_scenario

HOUR = 3_600_000
NOON = 1_780_000_000_000
"""Some time on the wall, Unix ms."""


@pytest.fixture(scope="module")
def rehearsed(shift, tmp_path_factory):
    """A guard opened, a gutter left partial under the valve, and work again."""
    path = tmp_path_factory.mktemp("shift") / "ledger.sqlite3"
    made = shift("small", ledger=str(path), scenario=())
    site = made.rehearsal.site
    for action in load_scenario(_scenario("guard_opened"), site):
        made.rehearsal._play(action)
    outcome = made.run("16m").outcome
    start = made.rehearsal.ledger.started_ms
    told = report(site, str(path), Span(start, start + outcome["simulated_s"] * 1000), start)
    return SimpleNamespace(site=site, path=path, start=start, outcome=outcome, told=told.told)


def _scenario(name):
    return Path(__file__).parents[2] / "sim" / "scenarios" / f"{name}.yaml"


def test_the_counts_are_those_of_the_rehearsal(rehearsed):
    told, ledger = rehearsed.told["gutters"], rehearsed.outcome["ledger"]
    for name in ("fed", "seeded", "indexed", "ejected", "handed_over", "rejected", "removed"):
        assert told[name] == ledger[name], name
    assert told["indexed"] == sum(row["indexed"] for row in rehearsed.told["crops"]) > 20
    assert told["indexed"] == sum(row["indexed"] for row in rehearsed.told["lanes"])
    assert told["ejected"] == sum(row["ejected"] for row in rehearsed.told["lanes"])


def test_waits_alarms_and_stops_are_those_of_the_rehearsal(rehearsed):
    end_s = rehearsed.outcome["simulated_s"]
    for name in ("waits", "alarms"):
        expected = [
            {**row, "to_s": end_s if row["to_s"] is None else row["to_s"]}
            for row in rehearsed.outcome[name]
        ]
        found = [{k: row[k] for k in expected[0]} for row in rehearsed.told[name]]
        assert found == expected
    assert rehearsed.told["trips"] == rehearsed.outcome["trips"]
    for name in ("alarms", "per_10min", "per_hour", "floods", "chattering", "top", "priorities"):
        assert rehearsed.told["alarm_rates"][name] == rehearsed.outcome["alarm_rates"][name], name
    assert rehearsed.told["flow"] == rehearsed.outcome["flow"]


def test_every_second_of_a_unit_is_accounted_for_once(rehearsed):
    end_s = rehearsed.told["shift"]["told_s"]
    for row in rehearsed.told["time"]:
        assert row["production"] + row["planned"] + row["stand"] == pytest.approx(end_s)
        stood = [s for s in rehearsed.told["stands"] if s["unit"] == row["unit"]]
        assert sum(s["to_s"] - s["from_s"] for s in stood) == pytest.approx(row["stand"])


def test_the_stop_by_the_guard_leads_the_pareto_of_the_sower(rehearsed):
    first = next(row for row in rehearsed.told["pareto"] if row["unit"] == "sowing")
    assert (first["state"], first["reason"]) == ("Aborted", "guard at the seeder open")
    assert first["all_s"] == pytest.approx(127, abs=3)
    last = [row for row in rehearsed.told["pareto"] if row["unit"] == "sowing"][-1]
    assert last["cumulative"] == pytest.approx(1)


def test_who_stood_because_of_whom_is_told(rehearsed):
    harvest = next(s for s in rehearsed.told["stands"] if s["state"] == "Suspended")
    assert harvest["unit"] == "harvest"
    assert harvest["meanwhile"] == "sowing aborted: guard at the seeder open"


def test_a_gutter_whose_process_was_partial_is_produced_and_not_good(rehearsed):
    assert rehearsed.told["gutters"]["partial"] == 1
    sowing = rehearsed.told["kpi"]["units"][0]
    terms = {term["term"]: term["value"] for term in sowing["terms"]}
    assert terms["PQ"] == rehearsed.told["gutters"]["indexed"]
    assert terms["GQ"] == terms["PQ"] - 1
    assert sowing["quality_ratio"] == pytest.approx(terms["GQ"] / terms["PQ"])
    assert sowing["availability"] == pytest.approx(terms["APT"] / terms["PBT"])


def test_the_takt_outside_waits_is_the_possible_one(rehearsed):
    found = rehearsed.told["takt"]["sowing"]
    assert found["left_out"] >= 1  # across the stop
    counted = found["intervals"] + found["with_short_wait"]["intervals"] + found["left_out"]
    assert counted == rehearsed.told["gutters"]["indexed"] - 1
    both = sum(row["count"] + row["with_short_wait"] for row in found["classes"])
    assert both == found["intervals"] + found["with_short_wait"]["intervals"]
    # Lanes lie at different distances, so single intervals differ; the middle does not.
    possible_s = rehearsed.told["takt"]["possible_s"]
    assert found["median_s"] == pytest.approx(possible_s, rel=0.05)


def test_half_a_shift_has_half_of_its_moves_and_keeps_what_had_begun_before(rehearsed):
    """The stop began at 8:00; seen from 9:00 on it was there already."""
    later = Span(rehearsed.start + 9 * 60_000, rehearsed.start + 16 * 60_000)
    told = report(rehearsed.site, str(rehearsed.path), later, rehearsed.start).told
    first = next(s for s in told["stands"] if s["unit"] == "sowing")
    assert (first["state"], first["from_s"], first["began_before"]) == ("Aborted", 0, True)
    before = Span(rehearsed.start, later.from_ms)
    earlier = report(rehearsed.site, str(rehearsed.path), before, rehearsed.start).told
    assert earlier["stands"][-1]["ongoing"]
    whole = rehearsed.told["gutters"]
    for name in ("fed", "seeded", "indexed", "ejected", "handed_over", "partial"):
        assert told["gutters"][name] + earlier["gutters"][name] == whole[name], name


def test_a_time_without_a_record_says_what_there_is(rehearsed):
    day_before = Span(rehearsed.start - 20 * HOUR, rehearsed.start - 10 * HOUR)
    with pytest.raises(UsageError, match=r"no controller ran from .* its record goes from"):
        report(rehearsed.site, str(rehearsed.path), day_before, rehearsed.start)


def test_another_sites_ledger_and_a_missing_one_are_refused(rehearsed, tmp_path):
    other = rehearsed.site.model_copy(
        update={"file": rehearsed.site.file.model_copy(update={"name": "elsewhere"})}
    )
    with pytest.raises(LedgerUnreachable, match="belongs to site"):
        report(other, str(rehearsed.path), Span(0, 1), 1)
    with pytest.raises(LedgerUnreachable, match="no such file"):
        report(rehearsed.site, str(tmp_path / "none"), Span(0, 1), 1)


def test_a_ledger_of_other_tables_and_another_programs_file_are_refused(rehearsed, tmp_path):
    path = tmp_path / "copy.sqlite3"
    shutil.copy(rehearsed.path, path)
    for pragma, words in (
        ("user_version = 1", "start the controller on it once"),
        ("user_version = 99", "written by a newer linectl"),
        ("application_id = 1", "it is no ledger"),
    ):
        with sqlite3.connect(path) as connection:
            connection.execute(f"PRAGMA {pragma}")
        connection.close()
        with pytest.raises(LedgerUnreachable, match=words):
            report(rehearsed.site, str(path), Span(0, 1), 1)


# over boots ------------------------------------------------------------------------------------


class Life:
    """Controllers one after another on one ledger, told by hand. Times: ms from NOON."""

    def __init__(self, path, site) -> None:
        self.path, self.site, self.number = path, site, 0
        self.clock_off = 0

    def boot(self, at: int) -> None:
        self.at = at
        clock = Clock(wall=lambda: NOON + self.now + self.clock_off, uptime=lambda: self.now)
        self.ledger = Ledger.open(str(self.path), self.site, clock)

    @property
    def now(self) -> int:
        return self.at

    def unit(self, at: int, unit: str, state: str, reason: str = "") -> None:
        data = {"mode": "production", "state": state, "reason": reason}
        self.ledger.record([], [Event(at - self.at, "unit", unit, f"{unit} {state}", data)])

    def insert(self, at: int, gutter: int) -> None:
        self.number += 1
        move = Move(
            self.number, "insert", gutter, "infeed", "lane1.germ.0", "green_oakleaf", False,
            at - self.at - 500,
        )  # fmt: skip
        self.ledger.record([move, move._replace(done=True, at=at - self.at)], [])

    def power_cut(self) -> None:
        """The process is gone; nothing is said. After a close it does nothing."""
        self.ledger._connection.close()
        self.ledger._owner.close()

    def told(self, start: int, end: int, now: int):
        return report(self.site, str(self.path), Span(NOON + start, NOON + end), NOON + now).told


@pytest.fixture
def life(tmp_path, rehearsed):
    life = Life(tmp_path / "ledger.sqlite3", rehearsed.site)
    yield life
    life.power_cut()


MIN = 60_000


def test_a_power_cut_in_a_shift_is_time_without_a_controller(life):
    life.boot(0)
    life.unit(0, "sowing", "Execute")
    life.unit(0, "harvest", "Execute")
    life.insert(10 * MIN, 1)
    life.power_cut()
    life.boot(25 * MIN)
    life.unit(30 * MIN, "sowing", "Execute")
    life.insert(40 * MIN, 2)
    life.at = 60 * MIN
    life.ledger.close()
    told = life.told(0, 60 * MIN, 70 * MIN)
    gone = [s for s in told["stands"] if s["state"] == NO_CONTROLLER and s["unit"] == "sowing"]
    assert [(s["from_s"], s["to_s"]) for s in gone] == [(600, 1500)]
    assert gone[0]["reason"].startswith("power cut or crash: last record")
    assert told["time"][0]["production"] == 600 + 1800
    assert told["gutters"]["indexed"] == 2
    assert [(c["in_order"], c["none_after_s"]) for c in told["controller"]] == [
        (False, 900.0), (True, 0.0),
    ]  # fmt: skip
    assert told["takt"]["sowing"]["left_out"] == 1, "an interval across a cut says nothing of takt"
    ranked = {row["reason"]: row["all_s"] for row in told["pareto"] if row["unit"] == "sowing"}
    assert ranked["power cut or crash"] == 900
    assert ranked["not started since power-up"] == 300


def test_a_wall_clock_set_back_while_the_power_was_off_is_told_and_no_time_is_counted_twice(life):
    life.boot(0)
    life.unit(0, "sowing", "Execute")
    life.insert(10 * MIN, 1)
    life.power_cut()
    life.clock_off = -3 * HOUR
    life.boot(20 * MIN)
    started = life.ledger.started_ms - NOON
    assert started == pytest.approx(10 * MIN, abs=10), "ledger time goes on from the last record"
    life.at = started
    life.unit(15 * MIN, "sowing", "Execute")
    life.insert(20 * MIN, 2)
    life.at = 30 * MIN
    life.power_cut()
    told = life.told(0, 20 * MIN, 20 * MIN)
    first, second = told["controller"]
    assert first["clock"] is None
    assert "behind the ledger's time" in second["clock"]
    assert told["time"][0]["production"] == pytest.approx((10 + 5) * 60, abs=0.01)
    assert told["time"][0]["stand"] == pytest.approx(5 * 60, abs=0.01)


def test_a_shift_that_a_running_unit_began_before_knows_its_state(life):
    life.boot(0)
    life.unit(0, "sowing", "Suspended", "magazine empty")
    life.unit(200 * MIN, "sowing", "Execute")
    life.at = 260 * MIN
    life.ledger.close()
    told = life.told(190 * MIN, 250 * MIN, 300 * MIN)
    stood = [s for s in told["stands"] if s["unit"] == "sowing"]
    assert [(s["state"], s["to_s"], s["began_before"]) for s in stood] == [("Suspended", 600, True)]
    assert told["time"][0] == {"unit": "sowing", "production": 3000, "planned": 0, "stand": 600}


def test_a_unit_that_has_not_changed_for_weeks_is_still_known(life):
    life.boot(0)
    life.unit(0, "sowing", "Held", "drive fault")
    for day in range(30):
        life.unit(day * DAY_MS + 1, "harvest", "Stopped")
    life.at = 30 * DAY_MS
    life.ledger.close()
    told = life.told(29 * DAY_MS, 29 * DAY_MS + 60 * MIN, 30 * DAY_MS)
    assert next(s for s in told["stands"] if s["unit"] == "sowing")["reason"] == "drive fault"


def test_stops_of_two_controllers_do_not_hide_each_other(life):
    told_trip = {
        "number": 1, "began_ms": 1000, "what": "Sowing aborted", "first_words": ["guard"],
        "marks": [], "ended": False,
    }  # fmt: skip
    for start in (0, 20 * MIN):
        life.boot(start)
        life.ledger.record([], [Event(1000, "trip", "sowing", "Sowing aborted", told_trip)])
        life.power_cut()
    trips = life.told(0, 60 * MIN, 60 * MIN)["trips"]
    assert [trip["at_s"] for trip in trips] == [1, 1201]


def test_an_alarm_does_not_outlive_the_controller_that_raised_it(life):
    on = {"priority": "high", "first_out": True, "do": "look"}
    state = {"priority": "high", "was": "normal", "state": "unacknowledged", "in_force": True}
    life.boot(0)
    life.ledger.record(
        [],
        [
            Event(MIN, "alarm_on", "air", "air lost", on),
            Event(MIN, "alarm_state", "air", "", state),
            Event(9 * MIN, "unit", "sowing", "", {"mode": "production", "state": "Execute"}),
        ],
    )
    life.power_cut()
    life.boot(20 * MIN)
    life.at = 30 * MIN
    life.ledger.close()
    told = life.told(0, 30 * MIN, 40 * MIN)
    (alarm,) = told["alarms"]
    assert (alarm["from_s"], alarm["to_s"], alarm["ongoing"]) == (60, 540, False)
    assert told["alarm_rates"]["alarms"] == 1
    assert told["alarm_rates"]["now"]["unacknowledged"] == 0


def test_a_shift_is_read_while_the_controller_writes(life):
    life.boot(0)
    life.unit(0, "sowing", "Execute")
    life.insert(5 * MIN, 1)
    told = life.told(0, 60 * MIN, 20 * MIN)
    assert told["shift"]["under_way"]
    assert told["shift"]["told_s"] == 1200
    assert told["controller"][0]["running"]
    assert told["time"][0]["production"] == 1200
    life.insert(21 * MIN, 2)  # it was not kept from writing
    life.ledger.close()


def test_a_unit_that_was_never_started_stood_all_the_shift(life):
    life.boot(0)
    life.at = 300 * MIN
    life.ledger.close()
    told = life.told(100 * MIN, 200 * MIN, 300 * MIN)
    assert [(s["unit"], s["state"], s["to_s"] - s["from_s"]) for s in told["stands"]] == [
        ("harvest", "Stopped", 6000), ("sowing", "Stopped", 6000),
    ]  # fmt: skip


def test_what_was_archived_is_asked_of_the_archive(rehearsed, tmp_path):
    path = tmp_path / "ledger.sqlite3"
    shutil.copy(rehearsed.path, path)
    cut_ms = archive(str(path), 4 * MIN, str(tmp_path)).to_ms
    (kept,) = tmp_path.glob("ledger-until-*.sqlite3")
    early = Span(rehearsed.start, rehearsed.start + 4 * MIN)
    assert early.to_ms < cut_ms < rehearsed.start + 13 * MIN
    with pytest.raises(UsageError, match=f"moved to the archive {kept.name}"):
        report(rehearsed.site, str(path), early, early.to_ms)
    whole = report(rehearsed.site, str(rehearsed.path), early, early.to_ms).told
    told = report(rehearsed.site, str(kept), early, early.to_ms).told
    assert told["gutters"]["indexed"] == whole["gutters"]["indexed"] > 5
    for part in ("stands", "pareto", "kpi"):
        assert told[part] == whole[part], part
    late = Span(cut_ms, rehearsed.start + 16 * MIN)
    rest = report(rehearsed.site, str(path), late, late.to_ms).told
    assert rest["stands"][0]["state"] == "Unknown"
    for row in rest["time"]:
        assert row["production"] + row["stand"] == pytest.approx(rest["shift"]["told_s"])


def test_completed_work_is_planned_and_leaves_availability_whole(life):
    life.boot(0)
    life.unit(0, "sowing", "Execute")
    life.unit(30 * MIN, "sowing", "Complete", "run out: nothing left inside")
    life.at = 60 * MIN
    life.ledger.close()
    told = life.told(0, 60 * MIN, 60 * MIN)
    assert told["kpi"]["units"][0]["availability"] == 1
    assert told["time"][0]["planned"] == 1800


def test_ages_tell_who_is_ahead_and_who_behind_and_where_holes_are(life):
    site = life.site
    lane = site.file.lanes[0]
    total = sum(run.slots for run in lane.runs)
    days = site.crops.crops["green_oakleaf"].days_ms
    run = lane.runs[-1]
    tail = f"{lane.prefix}.{run.name}.{run.slots - 1}"
    mouth = f"{lane.prefix}.{lane.runs[0].name}.0"
    second = f"{lane.prefix}.{lane.runs[0].name}.1"
    life.boot(0)
    life.ledger.seed_lanes(
        [
            Slot(mouth, 1, "green_oakleaf", -3 * DAY_MS, 0),
            Slot(second, -1, "green_oakleaf", -days // total, 0),
            Slot(tail, 2, "green_oakleaf", -days + 2 * DAY_MS, 0),
        ]
    )
    life.at = MIN
    life.ledger.close()
    ages = life.told(0, MIN, MIN)["ages"]["lanes"][0]
    assert (ages["filled"], ages["holes"], ages["unknown"]) == (3, total - 3, 1)
    assert (ages["behind"], ages["ahead"], ages["on_pace"]) == (1, 1, 1)
    assert ages["tail_days"] == pytest.approx(days / DAY_MS - 2, abs=0.01)


def test_the_report_reads_and_alters_nothing(rehearsed):
    before = rehearsed.path.read_bytes()
    span = Span(rehearsed.start, rehearsed.start + HOUR)
    report(rehearsed.site, str(rehearsed.path), span, rehearsed.start)
    assert rehearsed.path.read_bytes() == before
    connection = sqlite3.connect(rehearsed.path)
    assert connection.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    connection.close()
    assert json.dumps(rehearsed.told)

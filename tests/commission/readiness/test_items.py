"""The list of commissioning: ready when all is done, and each of its items can be wrong."""

from __future__ import annotations

import re

import pytest

from linectl.commission import device_record
from linectl.commission.calibrate import record as calibrations
from linectl.commission.calibrate.timers_record import FILE as TIMERS
from linectl.commission.changes_record import COLUMNS as CHANGED
from linectl.commission.changes_record import ChangeMade, append_change
from linectl.commission.checkout.record import append_try
from linectl.commission.field_record import FieldTest, append_test
from linectl.commission.readiness.items import STAGES
from linectl.site.approval import FILE as APPROVAL

from .conftest import a_proof, a_test, a_try


def a_row(columns, **more):
    """Of a record: the next day, by ben, empty where nothing is said."""
    return dict.fromkeys(columns, "") | {"at": "2026-06-02T05:00:00+00:00", "by": "ben"} | more


def withdrawn(name):
    return lambda bench: bench.withdraw(name)


def failed_try(tag, **more):
    """The point was tried once more, and failed."""
    fails = {"result": "fail", "found": "nothing moved"} | more
    return lambda bench: append_try(bench.folder, a_try(bench.site, tag, **fails))


def failed_field_test(cause):
    def spoil(bench):
        append_test(bench.folder, FieldTest(**a_test(bench.site, cause, result="fail")))

    return spoil


def says(**more):
    return lambda bench: bench.status.update(more)


def of_device(bench):
    bench.status["buses"][0]["devices"][0]["good"] = False


def proof_failed(bench):
    with (bench.folder / "proof.jsonl").open("a", encoding="utf-8") as file:
        file.write(a_proof(bench.site, "guard_fill", "fail"))


def carriage_again(result, **more):
    row = a_row(calibrations.COLUMNS, what="carriage", result=result, **more)
    return lambda bench: calibrations.append_calibration(
        bench.folder, calibrations.Calibrated(**row)
    )


def replacing(bench):
    row = a_row(device_record.COLUMNS, device="io_sower", act="begun")
    device_record.append_act(bench.folder, device_record.DeviceAct(**row))


def torn_withdrawal(bench):
    """A withdrawal that a disk spoilt: whose it was is not known any more."""
    bench.withdraw("estop.sowing")
    path = bench.folder / "signed.csv"
    head, row = path.read_text(encoding="utf-8").rsplit(",withdraw,", 1)
    path.write_text(f"{head},withdra,{row}", encoding="utf-8")


def edits(file, old, new):
    return lambda bench: bench.edit(file, old, new)


def drop_guard(bench):
    """A guard of a zone is taken out of the files."""
    text = bench.folder.joinpath("io.csv").read_text(encoding="utf-8")
    kept = [line for line in text.splitlines() if not line.startswith("guard_turn.closed")]
    bench.folder.joinpath("io.csv").write_text("\n".join(kept) + "\n", encoding="utf-8")
    text = bench.folder.joinpath("interlocks.yaml").read_text(encoding="utf-8")
    text = text.replace("guard_turn.closed", "guard_seed.closed")
    bench.folder.joinpath("interlocks.yaml").write_text(text, encoding="utf-8")
    bench.edit("site.yaml", "guards: [fill, seed, turn]", "guards: [fill, seed]")


FORCE = {"name": "fill.exit_eye", "by": "ben", "reason": "dirty", "left_s": 60}
BYPASS = {"cause": "magazine_empty", "by": "ben", "reason": "dirty", "left_s": 60}
SPOILT = {
    "site_check": (edits("site.yaml", "takt: 30s", "takt: 9s"), "errors: site.yaml"),
    "devices_confirmed": (replacing, "io_sower: its replacement was begun by ben"),
    "signatures_readable": (torn_withdrawal, "signed.csv:[0-9]+ act: 'withdra' is none of"),
    "lock_out": (withdrawn("lock_out"), "not signed"),
    "local_codes": (withdrawn("local_codes"), "not signed"),
    "controller": (says(version="0.0.0"), "it is version 0.0.0"),
    "devices": (of_device, "6 of 7 answer; not io_sower"),
    "ledger": (
        says(alarm_list=[{"tag": "ledger.disk", "text": "the disk is full"}]), "the disk is full",
    ),
    "clock": (
        says(clock={"ahead_s": 90, "finding": None, "text": "was the clock set?"}),
        "was the clock set",
    ),
    "clock_set": (lambda bench: setattr(bench, "clock_kept", False), "not signed"),
    "estop": (failed_try("sowing.estop_ok"), r"0 of 1 passed; sowing\.estop_ok failed"),
    "guard": (failed_try("guard_fill.closed"), r"guard_fill\.closed failed"),
    "enabling": (failed_try("sowing.enabling"), r"sowing\.enabling failed"),
    "inputs": (failed_try("fill.exit_eye"), r"fill\.exit_eye failed \(nothing moved\)"),
    "start_warning": (failed_try("sowing.horn"), r"3 of 4 passed; sowing\.horn failed"),
    "outputs": (failed_try("fill.run"), r"fill\.run failed"),
    "watchdog": (withdrawn("watchdog.io_sower"), "not signed"),
    "proven": (proof_failed, "the proof failed for guard_fill"),
    "approved": (lambda bench: (bench.folder / APPROVAL).unlink(), "has not been approved"),
    "field_tests.protective": (failed_field_test("guard_seed"), r"guard_seed \(failed\)"),
    "field_tests": (failed_field_test("air_sowing"), r"air_sowing \(failed\)"),
    "guards_in_place": (withdrawn("guards_in_place"), "not signed"),
    "people_instructed": (withdrawn("people_instructed"), "not signed"),
    "area_clear": (withdrawn("area_clear"), "not signed"),
    "no_force": (says(force_list=[FORCE]), r"stands: fill\.exit_eye by ben"),
    "no_bypass": (says(bypass_list=[BYPASS]), "listed: magazine_empty by ben"),
    "dry_cycle_seen": (withdrawn("dry_cycle_seen"), "not signed"),
    "calibration.doser": (
        edits("calibration.yaml", "on: 2026-05-30, with", "on: 2026-05-30, valid_until: 2026-05-31,"
              " with"),
        "good until 2026-05-31: over",
    ),
    "calibration.carriage": (carriage_again("refused", why="no flag"), "refused no flag"),
    "calibration.water": (edits("calibration.yaml", "water: {", "# water: {"), "nobody has"),
    "calibration.drum": (
        edits("calibration.yaml", "on: 2026-03-02", "on: 2026-03-02\n  valid_until: 2026-04-01"),
        "good until 2026-04-01: over",
    ),
    "calibration.drives": (
        edits("calibration.yaml", "2027-05-30", "2026-05-31"), r"no longer good: drives\.fill",
    ),
    "timers": (lambda bench: (bench.folder / TIMERS).unlink(), "nobody has looked"),
    "first_gutter": (withdrawn("first_gutter"), "not signed"),
    "first_hour": (withdrawn("first_hour"), "not signed"),
}  # fmt: skip
"""Item, or how items begin, → what makes it wrong, and what it says then."""
AFTER = ("first_gutter", "first_hour")
LATER = (*AFTER, "timers")
"""Items that no mode waits for."""
GUARD = "guard_seed.closed,io_sower,discrete,8"


def spoiler_of(name: str) -> str:
    return name if name in SPOILT else name.partition(".")[0]


def test_a_line_that_is_done_is_ready_and_released(done):
    listed = done.list()
    assert [(item.name, item.why) for item in listed.items if not item.ok] == []
    assert (listed.ready, listed.barred(before_start=True)) == (True, {})
    told = listed.as_json()
    assert (told["done"], told["next"], told["overrides"]) == (True, None, [])


def test_every_item_has_something_here_that_makes_it_wrong(done):
    assert {spoiler_of(item.name) for item in done.list().items} == set(SPOILT)


def test_each_item_can_be_wrong_says_why_and_what_to_do_and_the_modes_wait_for_it(done):
    """All at once, for a look takes its time: every spoiler finds its own item and no other."""
    for spoil, _ in SPOILT.values():
        spoil(done)
    listed = done.list()
    for name, (_, why) in SPOILT.items():
        wrong = [item for item in listed.items if not item.ok and spoiler_of(item.name) == name]
        assert len(wrong) == 1, (name, [item.name for item in wrong])
        assert re.search(why, wrong[0].why), (name, wrong[0].why)
        assert wrong[0].do.startswith("linectl "), name
    waits = {spoiler_of(item.name) for item in listed.missing("production")}
    assert waits == set(SPOILT) - set(LATER)
    assert not listed.ready


@pytest.mark.parametrize("name", ["area_clear", "calibration.water", "estop", "field_tests"])
def test_one_item_is_enough_to_bar_production(done, name):
    SPOILT[name][0](done)
    listed = done.list()
    assert len(listed.left) == 1
    assert not listed.ready
    assert "production" in listed.barred(before_start=True)


def test_a_site_as_it_comes_has_nearly_all_to_do_power_on_first(fresh):
    listed = fresh.list()
    assert [item.name for item in listed.items if item.ok] == [
        "site_check", "devices_confirmed", "signatures_readable", "clock_set", "approved",
        "calibration.drum",
    ]  # fmt: skip
    assert listed.left[0].name == "lock_out"
    stages = [item.stage for item in listed.items]
    assert stages == sorted(stages, key=list(STAGES).index)
    assert set(listed.barred(before_start=True)) == {"dry_cycle", "production"}
    assert "next lock_out: not signed" in listed.barred(before_start=True)["dry_cycle"]


def test_the_dry_cycle_waits_for_less_than_production(done):
    for name in ("dry_cycle_seen", "first_gutter", "first_hour"):
        withdrawn(name)(done)
    SPOILT["field_tests"][0](done)
    SPOILT["calibration.water"][0](done)
    assert list(done.list().barred(before_start=True)) == ["production"]


def test_a_row_of_io_csv_that_changes_opens_its_item_again_with_the_reason(done):
    done.edit("io.csv", f"{GUARD},", f"{GUARD}0,")
    item = done.item("guard.seed")
    assert not item.ok
    assert "guard_seed.closed is open again (address 8 → 80)" in item.why


def test_a_force_bars_a_line_that_is_being_commissioned_and_not_one_at_its_daily_work(done):
    done.status["force_list"] = [FORCE]
    assert done.list().barred(before_start=False) == {}
    assert not done.list().ready
    withdrawn("first_hour")(done)
    barred = done.list().barred(before_start=False)
    assert "no_force" in barred["dry_cycle"] and "no_force" in barred["production"]
    assert done.list().barred(before_start=True) == {}  # none can stand yet


def test_a_timer_or_a_dose_keeps_every_proof_and_signature(done):
    done.edit("site.yaml", "    press: 3s", "    press: 2900ms")
    done.edit("calibration.yaml", "0.98", "0.97")
    assert done.list().ready


def test_a_changed_interlock_is_neither_proven_nor_approved(done):
    done.edit("interlocks.yaml", "    on_delay: 400ms", "    on_delay: 300ms")
    assert not done.is_ok("proven")
    assert not done.is_ok("approved")
    assert not done.is_ok("field_tests")


def test_a_proof_of_another_version_or_torn_by_a_power_cut_proves_nothing(done):
    done.folder.joinpath("proof.jsonl").write_text(
        a_proof(done.site, "guard_fill", version="0.0.0") + '{"cause": "guard_se', encoding="utf-8"
    )
    assert len(done.item("proven").lacks) > 50


FALLS = [
    ("guards_in_place", edits("io.csv", f"{GUARD},", f"{GUARD}0,")),
    (
        "people_instructed",
        edits("site.yaml", "# limits: ", "limits: {auto_resume: {limit: 0s}}\n# "),
    ),
    (
        "watchdog.io_sower",
        edits("io.csv", "magazine.gate,io_sower,coil,3,", "magazine.gate,io_sower,coil,43,"),
    ),
    ("lock_out", edits("io.csv", "dump_sowing", "dump_sower")),
]


@pytest.mark.parametrize(("name", "change"), FALLS)
def test_a_signature_falls_when_what_it_rests_on_changes(done, name, change):
    change(done)
    item = done.item(name)
    assert not item.ok
    assert item.why == "signed by anna on 2026-06-01, but what it rests on has changed since"


def test_what_was_signed_of_the_whole_machine_falls_when_its_shape_changes(done):
    drop_guard(done)
    listed = done.list()
    for name in ("local_codes", "area_clear", "dry_cycle_seen", *AFTER):
        assert "what it rests on has changed since" in listed.item(name).why


def test_a_device_that_was_replaced_has_its_watchdog_to_prove_anew(done):
    made = a_row(CHANGED, kind="replace", what="io_sower")
    append_change(done.folder, ChangeMade(**made))
    item = done.item("watchdog.io_sower")
    assert (item.ok, item.why) == (
        False,
        "signed by anna on 2026-06-01, but it was replaced by ben on 2026-06-02",
    )
    assert done.is_ok("watchdog.io_lanes")
    done.now = done.now.replace(day=3)
    done.sign("watchdog.io_sower", measured_ms=700)
    assert "measured 700 ms" in done.item("watchdog.io_sower").why


def test_files_that_were_changed_since_want_the_controller_started_again(done):
    done.status["site_digest"] = "another"
    assert "start it again" in done.item("controller").why

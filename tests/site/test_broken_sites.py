"""Broken sites: each is the small site with one edit, and must give one message at one line.

A site with one mistake gives one finding: no mistake hides another, and none breeds others
(where two rows really are at odds with the machine, the table says how many findings).
"""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import NamedTuple

import pytest

from linectl.commission.check_site import check_site
from linectl.errors import Finding

CONFIG = Path(__file__).parents[2] / "config"


class Break(NamedTuple):
    """In `file`, `old` (once) becomes `new`; the finding stands at the line holding `at`."""

    name: str
    file: str
    old: str
    new: str
    at: str
    key: str
    says: str
    hint: str = ""
    findings: int = 1
    where: str = ""
    """File of the finding, if it is not the edited one."""


FILL_RUN = "fill.run,belts_sower,coil,1,,bool,,,,,,,sowing,stops,no,1000,sto_sowing,0,axis 2"
SLOW = "silent_after: 400ms, watchdog: 1s, refresh: "
LIFT = "{kind: lift_up, name: lift, belt: 2s, travel: 3s, timeout: 6s}"
TARGET = "infeed.target,axis_infeed,holding,0,,i32,big"

BREAKS = [
    # the text of the files
    Break("tabs in yaml", "site.yaml", "takt: 30s", "takt:\n\t30s", "\t30s", "file", "is not YAML"),
    Break("key twice", "site.yaml", "scan: 10ms", "scan: 10ms\nscan: 20ms", "scan: 20ms", "scan",
          "is written twice"),
    Break("unknown key", "site.yaml", "    hopper_l: 200", "    hoper_l: 200", "hoper_l",
          "stations.fill.hoper_l", "is not a key", "hopper_l", findings=2),
    Break("missing key", "site.yaml", "    hopper_l: 200\n", "", "  fill:",
          "stations.fill.hopper_l", "is missing"),
    Break("field name for key", "site.yaml", "scan: 10ms", "scan_ms: 10ms", "scan_ms",
          "scan_ms", "is not a key", "scan"),
    Break("duration without unit", "site.yaml", "    gate: 2s", "    gate: 2", "gate: 2",
          "stations.magazine.gate", "write the unit"),
    Break("bad duration", "site.yaml", "    gate: 2s", "    gate: 2 sec", "gate: 2 sec",
          "stations.magazine.gate", "is not a duration; write 250ms"),
    Break("timer of zero", "site.yaml", "    gate: 2s", "    gate: 0s", "gate: 0s",
          "stations.magazine.gate", "must be above 0"),
    Break("unknown kind", "site.yaml", "    kind: tamp", "    kind: tampp", "kind: tampp",
          "stations.tamp.kind", "'tampp' is not a kind", "tamp"),
    Break("truth for number", "site.yaml", "bus: io, unit: 2", "bus: io, unit: true", "io_lanes:",
          "devices.io_lanes.unit", "is not a whole number"),
    Break("text for number", "site.yaml", "length_mm: 1800", "length_mm: \"1800\"",
          "\"1800\"", "gutter.length_mm", "'1800' is not a whole number"),
    Break("unknown column", "io.csv", "word_order", "wordorder", "tag,device", "wordorder",
          "is not a column", "word_order", findings=2),
    # names across files
    Break("unknown bus", "site.yaml", "belts_harvest: {bus: drives", "belts_harvest: {bus: drive",
          "bus: drive,", "devices.belts_harvest.bus", "bus 'drive' is not", "drives"),
    Break("unknown zone", "site.yaml", "kind: turnout\n    zone: harvest",
          "kind: turnout\n    zone: harvets", "zone: harvets", "stations.turnout.zone",
          "zone 'harvets' is not", "harvest"),
    Break("unit twice on a bus", "site.yaml", "bus: drives, unit: 12", "bus: drives, unit: 11",
          "belts_harvest: {bus", "devices.belts_harvest.unit", "is belts_sower already"),
    Break("unknown tag", "io.csv", "fill.exit_eye,", "fill.exit_eie,", "fill.exit_eie",
          "fill.exit_eie.tag", "no part of the site has this point", "fill.exit_eye", findings=2),
    Break("station lacks a point", "io.csv", "tamp.clamped,", "#tamp.clamped,", "tamp.speed,",
          "tamp.clamped", "tamp needs this point (clamp closed on a gutter)", "add a row",
          where="io.csv"),
    Break("duplicate tag", "io.csv", "fill.entry_eye,", "fill.exit_eye,",
          "fill.exit_eye,io_sower,discrete,19", "fill.exit_eye", "the tag stands twice",
          findings=2),
    Break("unknown device", "io.csv", FILL_RUN, FILL_RUN.replace("belts_sower", "belt_sower"),
          "fill.run,", "fill.run.device", "device 'belt_sower' is not in site.yaml", "belts_sower"),
    Break("unknown crop in a lane", "site.yaml", "crops: [green_oakleaf, red_oakleaf]",
          "crops: [green_oakleaf, red_oaklaef]", "red_oaklaef", "lanes[0].crops",
          "crop 'red_oaklaef' is not in crops.yaml", "red_oakleaf"),
    Break("crop in the drum unknown", "site.yaml", "sowing:\n  crop: green_oakleaf",
          "sowing:\n  crop: green_oaklef", "crop: green_oaklef", "sowing.crop",
          "is not in crops.yaml", "green_oakleaf"),
    Break("no lane for the drum", "site.yaml", "sowing:\n  crop: green_oakleaf",
          "sowing:\n  crop: spare", "crop: spare", "sowing.crop", "is not in crops.yaml"),
    Break("lane without crops", "site.yaml", "crops: [green_oakleaf, red_oakleaf]", "crops: []",
          "crops: []", "lanes[0].crops", "accepts no crop"),
    Break("unknown point in a cause", "interlocks.yaml", "point: tamp.drive_ok",
          "point: tamp.drive_okay", "tamp.drive_okay", "causes.drive_tamp.when[0].point",
          "has no tag 'tamp.drive_okay'", "tamp.drive_ok"),
    Break("unknown effect in the matrix", "interlocks.yaml",
          "guard_seed: [sowing_off, abort_sowing]", "guard_seed: [sowing_off, abort_sowin]",
          "abort_sowin]", "matrix.guard_seed", "no effect 'abort_sowin'", "abort_sowing"),
    Break("unknown cause that follows", "interlocks.yaml",
          "text: drive of the tamper tripped", "text: drive tripped\n    follows: [isolator_tmap]",
          "follows: [iso", "causes.drive_tamp.follows", "no cause 'isolator_tmap'",
          "isolator_tamp"),
    Break("a cause that follows from itself", "interlocks.yaml",
          "text: drive of the tamper tripped", "text: drive tripped\n    follows: [drive_tamp]",
          "follows: [drive", "causes.drive_tamp.follows", "follows from itself"),
    # addresses
    Break("address out of range", "io.csv", "tamp.press_up,io_sower,discrete,27",
          "tamp.press_up,io_sower,discrete,70000", "tamp.press_up", "tamp.press_up.address",
          "address 70000 is outside 0–65535 (protocol address; the manual's 10001 is 0)"),
    Break("two inputs on one address", "io.csv", "tamp.press_up,io_sower,discrete,27",
          "tamp.press_up,io_sower,discrete,28", "tamp.press_down", "tamp.press_down.address",
          "is taken by tamp.press_up"),
    Break("one output, two owners", "io.csv", "belts_sower,coil,1,", "belts_sower,coil,0,",
          "fill.run,", "fill.run.address", "is one output with two owners: magazine.run"),
    Break("two points on one bit", "io.csv", "fill.running,belts_sower,input,1,1",
          "fill.running,belts_sower,input,1,0", "fill.running", "fill.running.address",
          "input 1 (reference 30002) bit 0 of belts_sower is taken by fill.drive_ok"),
    Break("registers overlap", "io.csv", "infeed.position,axis_infeed,input,1,",
          "infeed.position,axis_infeed,input,0,", "infeed.position", "infeed.position.address",
          "input 0–1 (reference 30001–30002) of axis_infeed overlaps infeed.drive_ok"),
    Break("32 bits past the end", "io.csv", TARGET, TARGET.replace("holding,0", "holding,65535"),
          "infeed.target", "infeed.target.address", "goes past 65535"),
    Break("no word order", "io.csv", "seed.seed_counter,io_sower,input,3,,u32,big",
          "seed.seed_counter,io_sower,input,3,,u32,", "seed.seed_counter",
          "seed.seed_counter.word_order", "takes two registers, and neither"),
    Break("bool in a register without bit", "io.csv", "tamp.running,belts_sower,input,2,1",
          "tamp.running,belts_sower,input,2,", "tamp.running", "tamp.running.bit",
          "say which bit", findings=2),
    Break("output in a read-only table", "io.csv", "tamp.press,io_sower,coil",
          "tamp.press,io_sower,discrete", "tamp.press,", "tamp.press.table",
          "table discrete cannot be written", "coil or holding", findings=2),
    # outputs
    Break("output without cut_by", "io.csv", FILL_RUN, FILL_RUN.replace("sto_sowing", ""),
          "fill.run,", "fill.run.cut_by", "no hard-wired circuit"),
    Break("output without watchdog", "io.csv", FILL_RUN, FILL_RUN.replace("1000", ""),
          "fill.run,", "fill.run.device_watchdog_ms", "watchdog is not given"),
    Break("output without on_loss", "io.csv", FILL_RUN, FILL_RUN.replace("stops", ""),
          "fill.run,", "fill.run.on_loss", "an output must say this"),
    Break("watchdog too slow for the zone", "site.yaml",
          "guards: [turnout]\n    watchdog_limit: 1s",
          "guards: [turnout]\n    watchdog_limit: 800ms",
          "outfeed.extend", "outfeed.extend.device_watchdog_ms", "slower than zone harvest allows",
          findings=7, where="io.csv"),
    Break("heartbeat too slow", "site.yaml", f"unit: 12, {SLOW}400ms",
          f"unit: 12, heartbeat: {{address: '9', every: 700ms}}, {SLOW}400ms", "every: 700ms",
          "devices.belts_harvest.heartbeat.every", "one lost beat would drop its outputs",
          "at most 500ms"),
    Break("unit beyond the serial line's", "site.yaml", f"unit: 12, {SLOW}", f"unit: 255, {SLOW}",
          "unit: 255", "devices.belts_harvest.unit", "is outside 1–247"),
    Break("refresh too slow", "site.yaml", f"unit: 12, {SLOW}400ms", f"unit: 12, {SLOW}900ms",
          "refresh: 900ms",
          "devices.belts_harvest.refresh", "one lost refresh would drop its outputs"),
    Break("watchdog acts before the silence is known", "site.yaml",
          "unit: 12, silent_after: 400ms, watchdog: 1s",
          "unit: 12, silent_after: 1s, watchdog: 1s", "unit: 12, silent_after: 1s",
          "devices.belts_harvest.silent_after", "before the line knows that it was away",
          "below 1s"),
    # times and lengths
    Break("time-out shorter than its motion", "site.yaml", "    press_timeout: 5s",
          "    press_timeout: 2s", "press_timeout: 2s", "stations.tamp.press_timeout",
          "2s is shorter than its own motion: the press takes 3s"),
    Break("poll off the scan's grid", "site.yaml", "poll: 100ms", "poll: 105ms", "poll: 105ms",
          "buses.drives.poll", "is not a multiple of the scan (10 ms)", "100ms or 110ms"),
    Break("takt that a station cannot give", "site.yaml", "takt: 30s", "takt: 20s", "takt: 20s",
          "takt", "20s is asked, but tamp needs 22.4 s"),
    Break("auto-resume unsigned", "site.yaml", "shift:\n",
          "limits:\n  auto_resume: {limit: 6m}\nshift:\n", "limit: 6m",
          "limits.auto_resume.limit", "more than the default 5m, and signed_by is missing"),
    Break("entry eye never clears", "site.yaml", "gutter:\n  length_mm: 1800",
          "gutter:\n  length_mm: 2100", "exit_eye_mm: 2150", "stations.magazine.exit_eye_mm",
          "the entry eye would not change", findings=10),
    Break("eye too slow for its pulse", "io.csv",
          "lane1.lift.low_clear,io_lanes,discrete,48,,bool,,,,,",
          "lane1.lift.low_clear,io_lanes,discrete,48,,bool,,,,,700",
          "lane1.lift.low_clear", "lane1.lift.low_clear",
          "pulse or gap is 1200 ms, under twice its worst age of 730 ms"),
    Break("transfer missing", "site.yaml", f"    transfers:\n      - {LIFT}\n  - id: 2",
          "    transfers: []\n  - id: 2", "transfers: []", "lanes[0].transfers",
          "lane 1 has 2 runs and 0 transfers", findings=12),
    # interlocks
    Break("effect of nothing", "interlocks.yaml", "  lanes_off: {zone: lanes}",
          "  lanes_off: {unit: sowing, zone: lanes, action: hold}", "lanes_off: {unit",
          "effects.lanes_off", "names zone and unit; an effect names one of", findings=1),
    Break("stop that spares the lanes", "interlocks.yaml",
          "estop_sowing: [sowing_off, harvest_off, lanes_off, abort_sowing, abort_harvest]",
          "estop_sowing: [sowing_off, harvest_off, abort_sowing, abort_harvest]",
          "estop_sowing: [sowing_off, harvest_off, abort", "matrix.estop_sowing",
          "leaves lane1.germ.stroke running"),
    Break("guard nobody reads", "interlocks.yaml", "point: guard_seed.closed",
          "point: guard_fill.closed", "causes:", "causes.guard_seed.closed",
          "no cause reads guard_seed.closed"),
    Break("guard whose cause spares an output", "interlocks.yaml",
          "guard_seed: [sowing_off, abort_sowing]", "guard_seed: [fill_off, abort_sowing]",
          "guard_seed: [fill_off", "matrix.guard_seed",
          "leaves magazine.gate running and 16 outputs more: a guard stops everything",
          "give it sowing_off"),
    Break("drive fault that spares its own run", "interlocks.yaml",
          "drive_fill: [fill_off, hold_sowing]", "drive_fill: [hold_sowing]",
          "drive_fill: [hold", "matrix.drive_fill", "leaves fill.run running: drive healthy",
          "give it fill_off"),
    Break("isolator nobody reads", "interlocks.yaml", "point: tamp.isolator_on",
          "point: fill.isolator_on", "causes:", "causes.tamp.isolator_on",
          "no cause reads tamp.isolator_on",
          "isolator_tamp: {text: …, when: [{point: tamp.isolator_on, is: false}], do: …}, and "
          "matrix: isolator_tamp: [tamp_off, …]"),
    Break("air nobody reads", "interlocks.yaml", "point: sowing.air_ok", "point: lanes.air_ok",
          "causes:", "causes.sowing.air_ok", "no cause reads sowing.air_ok"),
    Break("fault that counts when all is well", "interlocks.yaml",
          "{point: turn.swept_clear, is: false}", "{point: turn.swept_clear, is: true}",
          "turn.swept_clear, is: true", "causes.swept_turn.when",
          "comes while turn.swept_clear is healthy: write is: false"),
    Break("fault that waits for a second one", "interlocks.yaml",
          "[{point: fill.drive_ok, is: false}]",
          "[{point: fill.drive_ok, is: false}, {point: fill.running, is: false}]",
          "fill.drive_ok, is", "causes.drive_fill.when", "does not come on fill.drive_ok alone"),
    Break("fault at the end of a step", "interlocks.yaml",
          "[{point: fill.drive_ok, is: false}]\n",
          "[{point: fill.drive_ok, is: false}]\n    moment: end_of_step\n",
          "moment: end_of_step", "causes.drive_fill.moment", "stops nothing at once"),
    Break("isolator in one mode", "interlocks.yaml",
          "[{point: fill.isolator_on, is: false}]\n",
          "[{point: fill.isolator_on, is: false}]\n    modes: [production]\n",
          "modes: [production]", "causes.isolator_fill.modes",
          "is without effect in modes other than production"),
    Break("unit that is not told", "interlocks.yaml", "guard_fill: [sowing_off, abort_sowing]",
          "guard_fill: [sowing_off]", "guard_fill: [sowing_off]", "matrix.guard_fill",
          "off, and sowing is not told", "give it hold_sowing"),
    Break("vote of more than there are", "interlocks.yaml",
          "[{point: turn.drive_ok, is: false}]\n",
          "[{point: turn.drive_ok, is: false}]\n    vote: 2\n",
          "vote: 2", "causes.drive_turn.vote", "2 of its conditions must hold, and it has 1",
          "at most 1", findings=2),
    Break("left out of no vote", "interlocks.yaml", "[{point: water.supply_ok, is: false}]",
          "[{point: water.supply_ok, is: false}]\n    bad: left_out", "bad: left_out",
          "causes.water_supply.bad", "it has none"),
    Break("hysteresis of a bool", "interlocks.yaml", "{point: magazine.not_low, is: false}",
          "{point: magazine.not_low, is: false, hysteresis: 1}", "magazine.not_low",
          "causes.magazine_low.when[0].hysteresis", "is a bool"),
    Break("guard in one mode", "interlocks.yaml", "[{point: guard_fill.closed, is: false}]\n",
          "[{point: guard_fill.closed, is: false}]\n    modes: [production]\n",
          "modes: [production]", "causes.guard_fill.modes",
          "would be without effect in the other modes", "leave modes out", findings=2),
    Break("guard left out while bad", "interlocks.yaml",
          "[{point: guard_fill.closed, is: false}]\n",
          "[{point: guard_fill.closed, is: false}]\n    vote: 1\n    bad: left_out\n",
          "bad: left_out", "causes.guard_fill.bad", "must count as tripped", findings=2),
    Break("guard with a delay", "interlocks.yaml", "[{point: guard_fill.closed, is: false}]\n",
          "[{point: guard_fill.closed, is: false}]\n    on_delay: 110ms\n",
          "on_delay: 110ms", "causes.guard_fill.on_delay", "is delayed by 110ms", "at most 100ms"),
    Break("stop delayed in the IO list", "io.csv",
          "harvest.estop_ok,io_lanes,discrete,0,,bool,,,,,,",
          "harvest.estop_ok,io_lanes,discrete,0,,bool,,,,,,101",
          "estop_harvest:", "causes.estop_harvest.on_delay",
          "is delayed by 101ms, its point's own delay counted", where="interlocks.yaml"),
    Break("bypass of a guard", "interlocks.yaml", "[{point: guard_fill.closed, is: false}]\n",
          "[{point: guard_fill.closed, is: false}]\n    bypass: {limit: 1h}\n",
          "bypass: {limit: 1h}", "causes.guard_fill.bypass", "is never bypassed"),
    Break("bypass of an isolator", "interlocks.yaml", "[{point: fill.isolator_on, is: false}]\n",
          "[{point: fill.isolator_on, is: false}]\n    bypass: {limit: 1h}\n",
          "bypass: {limit: 1h}", "causes.isolator_fill.bypass", "an isolator, which is never"),
    Break("bypass of an emergency stop", "interlocks.yaml",
          "[{point: lanes.estop_ok, is: false}]\n",
          "[{point: lanes.estop_ok, is: false}]\n    bypass: {limit: 1h}\n",
          "bypass: {limit: 1h}", "causes.estop_lanes.bypass", "is never bypassed"),
    Break("guard that resets itself", "interlocks.yaml",
          "[{point: guard_fill.closed, is: false}]\n    reset: interlock\n",
          "[{point: guard_fill.closed, is: false}]\n    reset: automatic\n",
          "reset: automatic", "causes.guard_fill.reset", "must stay until a person resets it"),
    Break("guard whose cell only acts", "interlocks.yaml",
          "guard_seed: [sowing_off, abort_sowing]",
          "guard_seed: {sowing_off: acts, abort_sowing: latched}", "guard_seed: {sowing_off",
          "matrix.guard_seed", "leaves magazine.gate running", "sowing_off must be latched"),
    Break("stop that only bars", "interlocks.yaml",
          "drive_fill: [fill_off, hold_sowing]",
          "drive_fill: {fill_off: permissive, hold_sowing: latched}", "drive_fill: {fill_off",
          "matrix.drive_fill", "leaves fill.run running", "fill_off must be latched here, or act"),
    Break("end delayed that a reset ends", "interlocks.yaml",
          "[{point: fill.drive_ok, is: false}]\n",
          "[{point: fill.drive_ok, is: false}]\n    off_delay: 1s\n",
          "off_delay: 1s", "causes.drive_fill.off_delay", "ends by its reset"),
    Break("latched without a reset", "interlocks.yaml",
          "isolator_fill: [fill_off, hold_sowing]",
          "isolator_fill: {fill_off: latched, hold_sowing: acts}", "isolator_fill: {fill_off",
          "matrix.isolator_fill.fill_off", "is latched, and nothing resets its cause"),
    Break("reset of nothing", "interlocks.yaml",
          "swept_turn: [turn_table_off, hold_sowing]",
          "swept_turn: {turn_table_off: acts, hold_sowing: acts}", "reset: at_machine",
          "causes.swept_turn.reset", "there is nothing to reset"),
    Break("reset at two machines", "interlocks.yaml", "[{point: turn.swept_clear, is: false}]",
          "[{point: turn.swept_clear, is: false}, {point: lane1.lift.overtravel_ok, is: false}]"
          "\n    vote: 1", "reset: at_machine", "causes.swept_turn.reset",
          "its points lie in lanes and sowing"),
    Break("permissive station", "interlocks.yaml", "seed_empty: [seed_blocked]",
          "seed_empty: {seed_blocked: permissive}", "seed_empty: {seed",
          "matrix.seed_empty.seed_blocked", "that is for outputs, zones and units"),
    Break("unit without action that acts", "interlocks.yaml",
          "  hold_harvest: {unit: harvest, action: hold}", "  hold_harvest: {unit: harvest}",
          "hold_harvest: {unit", "effects.hold_harvest.unit", "says no action",
          "make its cell of guard_mouth permissive"),
    Break("effect twice in a row", "interlocks.yaml", "air_lanes: [hold_sowing, hold_harvest]",
          "air_lanes: [hold_sowing, hold_sowing]", "air_lanes: [hold_sowing, hold_sowing]",
          "matrix.air_lanes", "names hold_sowing twice"),
    Break("mode that is none", "interlocks.yaml", "modes: [production, step]",
          "modes: [productoin]", "modes: [productoin]", "causes.hopper_low.modes[0]",
          "'productoin' is not one of", "production"),
    # zones and supplies
    Break("stop of an unknown zone", "site.yaml", "    guards: [turnout]",
          "    guards: [turnout]\n    estops: [sowing, harvest, lanes, hall]", "estops:",
          "zones.harvest.estops[3]", "zone 'hall' is not among"),
    Break("zone without its own stop", "site.yaml", "    guards: [turnout]",
          "    guards: [turnout]\n    estops: [sowing, lanes]", "estops:",
          "zones.harvest.estops", "leaves out the zone's own", "add harvest"),
    Break("fewer stops at shared equipment", "site.yaml", "    guards: [mouth, tail]",
          "    guards: [mouth, tail]\n    estops: [lanes]", "estops:", "zones.lanes.estops",
          "leaves out sowing, harvest, yet the zone has no unit of its own"),
    Break("fewer stops at a carriage", "site.yaml", "    guards: [turnout]",
          "    guards: [turnout]\n    estops: [harvest]", "estops:", "zones.harvest.estops",
          "yet the zone has the carriage outfeed"),
    Break("supply of an output", "io.csv", "stays,yes,1000,dump_sowing,1,AK1:16",
          "stays,yes,1000,dump_sowing,1,AK1:16,AE1", "infeed.grip,", "infeed.grip.supply",
          "is an output; a supply group is of inputs"),
    Break("supply of two devices", "io.csv", "AE1:7,AE1", "AE1:7,BE1", "AE1:7,BE1",
          "sowing.beacon_on.supply", "BE1 is one of io_lanes, and this point is on io_sower"),
    Break("number compared as bool", "interlocks.yaml", "{point: seed.seed_level, below: 1}",
          "{point: seed.seed_level, is: false}", "seed.seed_level, is",
          "causes.seed_empty.when[0].point",
          "is a number: compare it with below"),
    Break("ripe after its days", "crops.yaml", "    ripe_after: 4m30s", "    ripe_after: 40m",
          "ripe_after: 40m", "crops.rocket.ripe_after", "is later than the crop's days"),
]  # fmt: skip


def _broken(tmp_path: Path, case: Break) -> Path:
    folder = tmp_path / "small"
    shutil.copytree(CONFIG / "small", folder)
    path = folder / case.file
    text = path.read_text(encoding="utf-8")
    assert text.count(case.old) >= 1, f"{case.file} no longer holds {case.old!r}"
    path.write_text(text.replace(case.old, case.new, 1), encoding="utf-8")
    return folder


def _line_of(folder: Path, case: Break) -> int:
    """First line of the file that holds `at`."""
    lines = (folder / (case.where or case.file)).read_text(encoding="utf-8").splitlines()
    return next(number for number, line in enumerate(lines, 1) if case.at in line)


@pytest.mark.parametrize("case", BREAKS, ids=[case.name for case in BREAKS])
def test_a_broken_site_gives_its_message_at_its_line(tmp_path: Path, case: Break) -> None:
    folder = _broken(tmp_path, case)
    report = check_site(folder)
    file, line = case.where or case.file, _line_of(folder, case)
    there = [found for found in report.errors if _is(found, file, line, case)]
    said = "\n".join(str(found) for found in report.errors)
    assert there, f"not said at {file}:{line} {case.key}; said:\n{said}"
    assert case.hint in (there[0].hint or ""), said
    assert len(report.errors) == case.findings, said


def _is(found: Finding, file: str, line: int, case: Break) -> bool:
    same_place = (found.file, found.line, found.key) == (file, line, case.key)
    return same_place and case.says in found.message


def test_a_supply_that_no_permissive_input_shows_is_a_warning(tmp_path: Path) -> None:
    case = Break("", "io.csv", "AE1:11,AE1", "AE1:11,AE9", "", "", "")
    found = [one for one in check_site(_broken(tmp_path, case)).warnings if "supply" in one.key]
    assert [one.key for one in found] == ["magazine.entry_eye.supply"]
    assert "supply AE9 has 0 of the permissive inputs" in found[0].message


LAMPS = "  lamps: {bus: io, unit: 3, silent_after: 250ms, watchdog: 1s, refresh: 300ms}\n"


def _with_lamps(tmp_path: Path, *moved: tuple[str, str]) -> Path:
    """The small site with one device more, to which rows of the IO list are moved."""
    folder = tmp_path / "small"
    shutil.copytree(CONFIG / "small", folder)
    site, io = folder / "site.yaml", folder / "io.csv"
    text = site.read_text(encoding="utf-8")
    site.write_text(text.replace("  io_lanes: {", LAMPS + "  io_lanes: {"), encoding="utf-8")
    text = io.read_text(encoding="utf-8")
    for old, new in moved:
        assert text.count(old) == 1
        text = text.replace(old, new)
    io.write_text(text, encoding="utf-8")
    return folder


BEACON = ("sowing.beacon,io_sower,coil,1,", "sowing.beacon,lamps,coil,1,")


def test_a_device_with_outputs_and_no_input_is_refused_because_its_loss_would_be_unseen(
    tmp_path: Path,
) -> None:
    (found,) = check_site(_with_lamps(tmp_path, BEACON)).errors
    assert (found.file, found.key) == ("site.yaml", "devices.lamps")
    assert "has outputs (sowing.beacon) and no input" in found.message
    line = (tmp_path / "small" / "site.yaml").read_text(encoding="utf-8").splitlines()
    assert "lamps:" in line[found.line - 1]


def test_one_input_is_enough_to_miss_a_device(tmp_path: Path) -> None:
    rest = "discrete,6,,bool,,,,,,,sowing,,,,,,AE1:7,"
    feedback = (f"sowing.beacon_on,io_sower,{rest}AE1", f"sowing.beacon_on,lamps,{rest}")
    assert check_site(_with_lamps(tmp_path, BEACON, feedback)).errors == ()

"""The interlock proof on config/small: every cell passes, every planted defect is named."""

from __future__ import annotations

import shutil
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest

from linectl.commission.prove import Asked, prove
from linectl.line import build, rows
from linectl.site.load import load_site

CONFIG = Path(__file__).parents[2] / "config"
SMALL = load_site(CONFIG / "small")


@pytest.fixture(scope="module")
def whole():
    return prove(SMALL, Asked(self_check=True, jobs=2))


def test_every_cell_of_the_matrix_and_every_derived_one_is_proven(whole):
    failed = [f"{c.cause} → {c.effect}: {c.detail}" for c in whole.cells if c.outcome != "pass"]
    assert failed == []
    written = {
        (cell.cause, cell.effect)
        for cause in SMALL.interlocks.causes
        for cell in SMALL.interlocks.cells(cause)
    }
    assert {(c.cause, c.effect) for c in whole.cells if not c.derived} == written
    origins = Counter(cell.cause.partition("_")[0] for cell in whole.cells if cell.derived)
    assert origins["silent"] and origins["supply"] and origins["lane1.lift"]


def test_no_cell_passes_without_being_named_and_seen(whole):
    for cell in whole.cells:
        names = {check.name for check in cell.checks}
        assert {"quiet before", "seen", "named", "gutters flow again"} <= names, cell.cause
        if cell.outputs:
            assert {"off in the scan", "off at the device"} <= names


def test_reactions_lie_within_the_computed_worst_case_and_the_zones_limit(whole):
    measured = [output for cell in whole.cells for output in cell.outputs]
    assert len(measured) > 400
    for output in measured:
        assert 0 < output.reaction_ms <= output.worst_ms + SMALL.file.scan_ms
        assert output.limit_ms is None or output.reaction_ms <= output.limit_ms


def test_what_was_not_tested_is_listed(whole):
    unseen = {tag for cell in whole.cells for tag in cell.unseen}
    for tag in unseen:
        assert any(text.startswith(f"{tag}:") for text in whole.untested)
    assert any("magazine_low" in text for text in whole.untested), "a cause that only warns"


def test_every_planted_defect_is_found_and_the_proof_names_its_cell(whole):
    checked = whole.self_check
    assert checked is not None
    assert checked.missed == ()
    assert checked.caught == checked.planted


def test_the_number_of_defects_follows_from_the_matrix(whole):
    checked, cells = whole.self_check, whole.cells
    for kind in ("dropped", "inverted", "delayed", "wrong zone"):
        assert checked.by_kind[kind] == (len(cells), len(cells))
    latched = sum(cell.kind == "latched" for cell in cells)
    assert checked.by_kind["latch made automatic"] == (latched, latched)
    assert checked.excluded["the cell does not latch"] == len(cells) - latched
    assert checked.planted == sum(planted for planted, _ in checked.by_kind.values())


# a line that is wrong ----------------------------------------------------------------------------


def test_a_row_lost_in_the_line_fails_its_cell_and_the_command(linectl, monkeypatch):
    bits = rows._bits

    def forgetful(site, effect, moving):
        return bits(site, effect, moving) & ~(1 << site.index("water.valve"))

    monkeypatch.setattr(rows, "_bits", forgetful)
    said = linectl("prove", "config/small", "--cause", "drive_water", "--jobs", 1)
    assert said.code == 1
    assert "2 cells FAILED" not in said.out
    assert "1 cell FAILED" in said.out
    assert "drive_water → water_off" in said.out
    assert "the verdict on water.valve does not name it" in said.out


# the command -------------------------------------------------------------------------------------


def test_the_command_says_first_what_it_is_not(linectl):
    said = linectl("prove", "config/small", "--cause", "isolator_fill", "--jobs", 1)
    assert said.code == 0
    assert said.out.startswith(
        "Logic proven on a model. Not a validation of safety functions. Field test outstanding: "
    )
    assert "2 of 2 cells of 1 causes proven" in said.out


def test_json_holds_the_promised_keys(linectl):
    said = linectl("prove", "config/small", "--cause", "isolator_*", "--effect", "fill_off",
                   "--jobs", 1, "--json")  # fmt: skip
    (cell,) = said.json["cells"]
    assert said.json["site"] == "small"
    assert said.json["ok"] is True
    assert said.json["self_check"] is None
    assert (cell["cause"], cell["effect"], cell["kind"]) == ("isolator_fill", "fill_off", "acts")
    assert cell["outcome"] == "pass"
    assert 0 < cell["reaction_ms"] <= cell["limit_ms"] == 500.0
    assert cell["expected"] == "off within 500 ms, while it is present"
    assert cell["detail"] == ""


def test_an_unknown_cause_is_wrong_use_and_the_nearest_is_named(linectl):
    said = linectl("prove", "config/small", "--cause", "guard_fil")
    assert said.code == 2
    assert "guard_fill" in said.err


def test_what_is_proven_is_kept_and_not_run_again(tmp_path):
    kept = tmp_path / "proof.jsonl"
    asked = Asked(causes=("isolator_f*", "local_fill"), resume=kept)
    first = prove(SMALL, asked)
    lines = kept.read_text(encoding="utf-8").splitlines(keepends=True)
    assert len(lines) == 2
    kept.write_text(lines[0] + lines[1][:40], encoding="utf-8")  # torn by an interruption
    runs = []
    again = prove(SMALL, asked, lambda done, total: runs.append(total))
    assert set(runs) == {2}, "one cause: whole, and its device silent"
    assert again.cells == first.cells


def test_the_same_seed_gives_the_same_reactions():
    asked = Asked(causes=("guard_turnout",), seed=5, jobs=2)
    assert prove(SMALL, asked).cells == prove(SMALL, asked).cells


# a richer matrix ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def rich(tmp_path_factory):
    """config/small with every word that a matrix has."""
    folder = tmp_path_factory.mktemp("sites") / "small"
    shutil.copytree(CONFIG / "small", folder)
    path = folder / "interlocks.yaml"
    text = path.read_text(encoding="utf-8")

    def change(old: str, new: str) -> None:
        nonlocal text
        assert text.count(old) == 1, old
        text = text.replace(old, new)

    change(
        "below: 20}]\n    moment: warn\n",
        "below: 20, hysteresis: 5}]\n    on_delay: 2s\n    off_delay: 1s\n",
    )
    change("hopper_low: []", "hopper_low: {tamp_off: acts}")
    change("below: 8}]\n    moment: warn\n", "below: 8}]\n")
    change("seed_low: []", "seed_low: {seed_off: permissive}")
    change(
        "point: magazine.not_low, is: false}]\n    moment: warn\n",
        "point: turn.swept_clear, is: false}]\n    modes: [dry_cycle]\n",
    )
    change("magazine_low: []", "magazine_low: [magazine_off]")
    change(
        "swept_turnout:\n    text: somebody or something in the swept area of the turn-out\n"
        "    when: [{point: turnout.swept_clear, is: false}]\n    reset: interlock",
        "swept_turnout:\n    text: somebody or something in the swept area of the turn-out\n"
        "    when: [{point: turnout.swept_clear, is: false}]\n    reset: at_machine",
    )
    change(
        "when: [{point: lanes.air_ok, is: false}]\n",
        "when: [{point: lanes.air_ok, is: false}, {point: sowing.air_ok, is: false},"
        " {point: harvest.air_ok, is: false}]\n    vote: 2\n    bad: left_out\n",
    )
    change("overload_lane1_germ: [lane1_off]", "overload_lane1_germ: [lane1_off, hold_sowing]")
    path.write_text(text, encoding="utf-8")
    return load_site(folder)


RICH = ("hopper_low", "seed_low", "magazine_low", "swept_turnout", "air_lanes")


def test_limits_delays_votes_modes_permissives_and_resets_at_the_machine_are_proven(rich):
    proof = prove(rich, Asked(causes=RICH, jobs=2, self_check=True))
    assert [(c.cause, c.detail) for c in proof.cells if c.outcome != "pass"] == []
    names = {cell.cause: {check.name for check in cell.checks} for cell in proof.cells}
    assert {
        "no trip just inside", "trip just beyond", "held by its hysteresis", "ends beyond it",
        "not before its delay",
    } <= names["hopper_low"]  # fmt: skip
    assert {"what runs goes on", "what stands stays off"} <= names["seed_low"]
    assert "not enabled in production" in names["magazine_low"]
    assert "wrong reset restarts nothing" in names["swept_turnout"]
    assert "one vote fewer does not trip" in names["air_lanes"]
    assert proof.self_check is not None
    assert proof.self_check.missed == ()


WRONG = {
    "hysteresis lost": ("hopper_low", {"tests": "no hysteresis"}, "held by its hysteresis"),
    "delay lost": ("hopper_low", {"on_delay_ms": 0}, "not before its delay"),
    "vote lost": ("air_lanes", {"vote": 1}, "one vote fewer does not trip"),
    "mode lost": ("magazine_low", {"modes": frozenset()}, "not enabled in production"),
    "any reset": ("swept_turnout", {"reset": "interlock"}, "stays until reset"),
    "permissive cuts": ("seed_low", {"acts": "bars"}, "what runs goes on"),
    "permissive lost": ("seed_low", {"bars": 0}, "what stands stays off"),
}


@pytest.mark.parametrize("wrong", WRONG)
def test_a_line_that_reads_the_matrix_otherwise_fails(rich, monkeypatch, wrong):
    cause, change, check = WRONG[wrong]
    right = build.site_rows

    def altered(row):
        values = dict(change)
        if "tests" in values:
            values["tests"] = tuple(replace(test, hysteresis=0.0) for test in row.tests)
        if values.get("acts") == "bars":
            values |= {"acts": row.bars, "bars": 0}
        return replace(row, **values)

    monkeypatch.setattr(
        build, "site_rows",
        lambda site, io: tuple(
            altered(row) if row.name == cause else row for row in right(site, io)
        ),
    )  # fmt: skip
    proof = prove(rich, Asked(causes=(cause,)))
    failed = {c.name for cell in proof.cells for c in cell.checks if not c.ok}
    assert check in failed

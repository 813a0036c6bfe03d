"""The interlock proof on config/small: every cell passes, every planted defect is named."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest

from linectl.commission.prove import Asked, prove
from linectl.line import rows
from linectl.site.load import load_site

CONFIG = Path(__file__).parents[2] / "config"
SMALL = load_site(CONFIG / "small")


@pytest.fixture(scope="module")
def whole():
    return prove(SMALL, Asked(self_check=True, jobs=2))


def test_every_cell_of_the_matrix_and_every_derived_one_is_proven(whole):
    # S27
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
    # S27
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

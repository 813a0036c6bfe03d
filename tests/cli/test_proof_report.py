"""The page and the XML of an interlock proof: nothing left out, failures first, head first."""

from __future__ import annotations

import datetime as dt
import random
import re
from pathlib import Path
from xml.etree import ElementTree as Xml

import pytest

from linectl.cli.proof_junit import junit_text
from linectl.cli.proof_report import COLUMNS_MAX, matrix_parts, plot_of, write_html, write_junit
from linectl.commission.field_record import COLUMNS, CauseStanding, FieldStanding, FieldTest
from linectl.commission.proof import CellResult, Check, OutputReaction, Proof, SelfCheck
from linectl.errors import Unreachable

KINDS = ("latched", "latched", "acts", "permissive")


def cell(cause="guard_seed", effect="sowing_off", outcome="pass", **more) -> CellResult:
    facts = {"kind": "latched", "expected": "off within 500 ms, until interlock reset"}
    facts |= {"reaction_ms": 120.0, "limit_ms": 500.0, "detail": "", "trip": "guard seed opened"}
    return CellResult(cause=cause, effect=effect, outcome=outcome, **(facts | more))


def proof(*cells: CellResult, **more) -> Proof:
    facts = {"site": "small", "text": "demonstration line", "site_digest": "4f2a" * 16}
    facts |= {"version": "0.1.0", "seed": 1, "at": "2026-03-31T14:02:07+02:00", "by": "anna"}
    facts |= {"wall_s": 12.5, "untested": (), "cells": cells}
    return Proof(**(facts | more))


def large_proof(causes: int = 70, effects: int = 50) -> Proof:
    """About the size of a whole site: written rows, derived rows, every outcome."""
    chance = random.Random(7)
    names = [
        f"{kind}_{part}"
        for part in (
            "magazine",
            "fill",
            "tamp",
            "water",
            "seed",
            "turn",
            "infeed",
            "turnout",
            "outfeed",
            "lane1_germ",
            "lane1_grow",
            "lane2_germ",
            "lifts",
            "packing",
        )
        for kind in ("drive", "isolator", "local", "guard", "overload")
    ]
    heads = [
        f"{part}_{what}"
        for part in (
            "sowing",
            "harvest",
            "lanes",
            "magazine",
            "fill",
            "tamp",
            "water",
            "seed",
            "turn",
            "infeed",
        )
        for what in ("off", "abort", "hold", "air_off", "blocked")
    ]
    cells = []
    for number, cause in enumerate(names[:causes]):
        for effect in chance.sample(heads[:effects], 3 if number > 5 else 12):
            outcome = chance.choices(("pass", "fail", "skipped"), (94, 2, 4))[0]
            outputs = tuple(
                OutputReaction(
                    f"{cause.partition('_')[2]}.run{n}",
                    chance.uniform(60, 210) * (3.2 if outcome == "fail" else 1),
                    240.0 + 30 * n,
                    500.0,
                )
                for n in range(4)
            )
            detail = {
                "pass": "",
                "fail": "fill.run stayed on for 640 ms after the trip",
                "skipped": "no state of the line in which the effect shows",
            }[outcome]
            checks = tuple(
                Check(name, outcome != "fail" or place > 0, "was on for 640 ms" * (not place))
                for place, name in enumerate(
                    (
                        "off in the scan",
                        "stays until its reset",
                        "clearing the cause restarts nothing",
                        "bad quality trips it too",
                    )
                )
            )
            cells.append(
                cell(
                    cause,
                    effect,
                    outcome,
                    kind=chance.choice(KINDS),
                    detail=detail,
                    checks=checks,
                    outputs=outputs,
                    reaction_ms=max(o.reaction_ms for o in outputs),
                    unseen=("tamp.brush",) * (chance.random() < 0.02),
                )
            )
    for lane in range(1, 7):
        for what in ("germ_stroke", "grow_stroke", "lift_up", "lift_down", "mouth", "tail", "eye"):
            cells += [
                cell(
                    f"lane{lane}_{what}_{why}",
                    f"lane{lane}.{what}",
                    kind="acts",
                    derived=True,
                    expected="off while present",
                    limit_ms=None,
                )
                for why in ("gripper_out", "carriage_near", "lift_in_path")
            ]
    return proof(
        *cells,
        untested=(
            "setpoints of drives: a speed is no cell of the matrix",
            "hard-wired circuits: they are proven on the machine",
        ),
        consequences=dict.fromkeys(
            names[:12], ("sowing aborted: sowing_off", "harvest suspended within 60 s")
        ),
        approval="approved by B. Example on 2026-03-01; 1 row differs: guard_fill",
        self_check=SelfCheck(
            412,
            411,
            ("drive_fill → fill_off delayed past its limit",),
            {"dropped": (210, 210), "delayed past its limit": (202, 201)},
        ),
    )


@pytest.fixture
def page(tmp_path):
    def write(of: Proof, field=None) -> str:
        path = tmp_path / "proof.html"
        write_html(path, of, field)
        return path.read_text(encoding="utf-8")

    return write


def test_the_page_begins_with_what_it_does_not_prove(page):
    text = page(proof(cell(), cell("guard_fill")))
    head = "Not a validation of safety functions. Field test outstanding: 2 causes."
    assert text.index(head) < text.index("passed")


def test_causes_with_a_good_field_test_are_not_counted_as_outstanding(page):
    standing = FieldStanding(
        (
            CauseStanding("guard_seed", "guard open", "valid", None, None),
            CauseStanding("guard_fill", "guard open", "overdue", None, None),
        )
    )
    text = page(proof(cell(), cell("guard_fill")), standing)
    assert "Field test outstanding: 1 causes." in text
    assert re.search(r"overdue</td><td class=\"n\">1</td><td class=\"fold\">guard_fill<", text)


def test_who_tested_on_the_machine_and_until_when_it_is_good_stands_on_the_page(page):
    facts = dict.fromkeys(COLUMNS, "") | {"at": "2026-01-02T10:00:00+01:00", "result": "pass"}
    last = FieldTest(**(facts | {"tested_by": "carl", "witness": "dora"}))
    standing = FieldStanding(
        (CauseStanding("guard_seed", "guard open", "valid", last, dt.date(2027, 1, 2)),)
    )
    text = page(proof(cell()), standing)
    row = text[text.index(">last tested<") :]
    assert re.search("guard_seed.*2026-01-02.*pass.*carl.*dora.*2027-01-02", row)


def test_a_failed_cell_stands_before_the_matrix_with_each_check_that_failed(page):
    checks = (Check("stays until its reset", True), Check("off in the scan", False, "2 scans late"))
    failed = cell(outcome="fail", detail="late by 2 scans", checks=checks)
    text = page(proof(cell("guard_fill"), failed))
    assert "✗ 1 of 2 cells failed" in text
    failure = text[text.index('<div class="failure">') : text.index("Matrix by outcome")]
    assert "guard_seed → sowing_off" in failure
    assert failure.index("off in the scan: 2 scans late") < failure.index("stays until its reset")


def test_a_proof_that_missed_a_planted_defect_says_so_at_its_head(page):
    text = page(proof(cell(), self_check=SelfCheck(9, 8, ("guard_seed → sowing_off dropped",))))
    assert "✗ the proof missed planted defects" in text
    assert "✗ guard_seed → sowing_off dropped" in text


def test_every_cell_of_a_large_matrix_stands_in_it_once_and_blanks_stay_blank(page):
    large = large_proof()
    text = page(large)
    matrix = text[text.index("Matrix by outcome") : text.index("Reactions against")]
    shown = re.findall(r'title="(\S+) → (\S+): (\w+), (\w+)', matrix)
    assert sorted(shown) == sorted((c.cause, c.effect, c.kind, c.outcome) for c in large.cells)
    assert matrix.count('<td class="cell') > len(shown)
    assert matrix.index("Rows that follow from the machine's shape") < matrix.index("lane6.eye")


def test_a_matrix_too_wide_for_a_page_is_cut_between_effects_into_even_parts():
    cells = [cell(f"cause_{n}", f"effect_{n}") for n in range(2 * COLUMNS_MAX + 1)]
    parts = matrix_parts(cells)
    assert [len(part.effects) for part in parts] == [34, 34, 33]
    assert sum(len(part.rows) for part in parts) == len(cells)  # only causes with a cell in it
    assert matrix_parts([]) == ()


def test_the_plot_is_sorted_by_share_of_the_limit_and_counts_what_is_over():
    outputs = (
        OutputReaction("fill.run", 100, 300, 500),
        OutputReaction("tamp.press", 90, 80, 100),
        OutputReaction("seed.drum", 2000, 300, 500),
        OutputReaction("horn", 50, 80, None),
    )
    plot = plot_of([cell(outputs=outputs)])
    assert [one.output.tag for one in plot.closest] == ["seed.drum", "tamp.press", "fill.run"]
    assert (plot.over_limit, plot.over_worst, plot.without_limit) == (1, 2, 1)
    assert [dot.beyond for dot in plot.dots] == [True, False, False]
    heights = [dot.y for dot in plot.dots]
    assert heights == sorted(heights)
    assert plot.limit_y == pytest.approx(150)  # the top is cut at twice the limit


def test_what_a_person_wrote_cannot_become_part_of_the_page(page):
    text = page(proof(cell(outcome="fail", detail="<script>"), by="<b>anna</b>"))
    assert "<script>" not in text
    assert "<b>anna" not in text


def test_a_page_that_cannot_be_written_is_told(tmp_path):
    with pytest.raises(Unreachable, match="cannot be written"):
        write_html(tmp_path / "no" / "proof.html", proof(cell()))


# The schema of Ant's JUnit reports (JUnit.xsd, Windy Road Technology 2011): what a suite and a case
# must have, the order in a suite, and a time stamp without a zone.
SUITE = {"name", "timestamp", "hostname", "tests", "failures", "errors", "time", "package", "id"}
ORDER = re.compile(r"properties (testcase )*system-out system-err $")


def test_the_xml_has_the_form_of_the_published_schema():
    root = Xml.fromstring(junit_text(large_proof(), 7).partition("\n")[2])
    assert root.tag == "testsuites"
    for number, suite in enumerate(root):
        assert set(suite.attrib) >= SUITE
        assert int(suite.attrib["id"]) == number
        assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d", suite.attrib["timestamp"])
        assert ORDER.match("".join(f"{child.tag} " for child in suite))
        for case in suite.iter("testcase"):
            assert set(case.attrib) == {"name", "classname", "time"}
            assert re.fullmatch(r"\d+\.\d{3}", case.attrib["time"])
            assert len(case) <= 1
        assert all("type" in failure.attrib for failure in suite.iter("failure"))


def test_the_xml_has_one_case_a_cell_with_the_cause_as_its_class():
    large = large_proof()
    root = Xml.fromstring(junit_text(large, 7).partition("\n")[2])
    cells, check = root
    cases = [(case.attrib["classname"], case.attrib["name"]) for case in cells.iter("testcase")]
    assert cases == [(c.cause, f"{c.effect} ({c.kind})") for c in large.cells]
    for outcome, tag in (("fail", "failures"), ("skipped", "skipped")):
        assert int(cells.attrib[tag]) == sum(c.outcome == outcome for c in large.cells) > 0
    assert check.attrib["failures"] == "1"
    facts = {p.attrib["name"]: p.attrib["value"] for p in cells.iter("property")}
    assert (facts["by"], facts["seed"]) == ("anna", "1")
    assert "Not a validation of safety functions. Field test outstanding: 7 causes" in facts["head"]


def test_a_failure_tells_what_was_expected_done_and_seen(tmp_path: Path):
    failed = cell(outcome="fail", detail="still on\x00 <&>", checks=(Check("off", False, "on"),))
    path = tmp_path / "proof.xml"
    write_junit(path, proof(failed))
    failure = Xml.parse(path).getroot().find(".//failure")
    assert failure is not None and failure.text is not None
    assert failure.attrib["message"] == "still on� <&>"
    assert failure.text.splitlines()[-1] == "failed: off: on"
    assert "done: guard seed opened" in failure.text

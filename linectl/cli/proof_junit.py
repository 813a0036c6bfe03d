"""An interlock proof in the common JUnit XML, so that any build server shows it.

The form is that of the published schema for the reports of Apache Ant (JUnit.xsd, Windy Road
Technology 2011, Apache License 2.0): suites with properties, one case per cell, the cause as its
class. `time` of a case is the measured reaction in simulated seconds, of a suite real seconds.
"""

from __future__ import annotations

import datetime as dt
import platform
import re
from collections.abc import Sequence
from xml.etree import ElementTree as Xml

from linectl.commission.proof import NOT_A_VALIDATION, CellResult, Proof, SelfCheck

_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""What XML 1.0 (section 2.2) allows in no form."""


def junit_text(proof: Proof, outstanding: int) -> str:
    """The whole file. Cells are the first suite; the proof's own proof, if it ran, the second.

    outstanding: causes without a field test that is still good.
    """
    root = Xml.Element("testsuites")
    head = NOT_A_VALIDATION.format(causes=outstanding)
    _cells(root, proof, head)
    if proof.self_check is not None:
        _self_check(root, proof, proof.self_check, head)
    Xml.indent(root)
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{Xml.tostring(root, encoding="unicode")}\n'


def _cells(root: Xml.Element, proof: Proof, head: str) -> None:
    outcomes = [cell.outcome for cell in proof.cells]
    counts = (len(outcomes), outcomes.count("fail"), outcomes.count("skipped"))
    suite = _suite(root, proof, f"prove {proof.site}", counts, proof.wall_s)
    _facts(suite, proof, head)
    for cell in proof.cells:
        seconds = 0.0 if cell.reaction_ms is None else cell.reaction_ms / 1000
        case = _case(suite, cell.cause, f"{cell.effect} ({cell.kind})", seconds)
        if cell.outcome == "fail":
            failure = Xml.SubElement(case, "failure", message=_clean(cell.detail), type="cell")
            failure.text = _clean(_failure(cell))
        elif cell.outcome == "skipped":
            Xml.SubElement(case, "skipped").text = _clean(cell.detail)
    _end(suite, proof.untested)


def _self_check(root: Xml.Element, proof: Proof, check: SelfCheck, head: str) -> None:
    kinds = check.by_kind or {"all": (check.planted, check.caught)}
    failed = sum(caught < planted for planted, caught in kinds.values())
    suite = _suite(root, proof, f"prove {proof.site} self-check", (len(kinds), failed, 0), 0.0)
    _facts(suite, proof, head)
    for kind, (planted, caught) in kinds.items():
        case = _case(suite, "self_check", f"{kind}: {planted} planted", 0.0)
        if caught < planted:
            text = f"{planted - caught} of {planted} planted defects were not found"
            Xml.SubElement(case, "failure", message=text, type="self_check").text = text
    _end(suite, check.missed)


def _suite(
    root: Xml.Element, proof: Proof, name: str, counts: tuple[int, int, int], seconds: float
) -> Xml.Element:
    """counts: tests, failures, skipped."""
    tests, failures, skipped = counts
    began = dt.datetime.fromisoformat(proof.at)
    return Xml.SubElement(
        root,
        "testsuite",
        name=_clean(name),
        package="linectl",
        id=str(len(root)),
        timestamp=began.strftime("%Y-%m-%dT%H:%M:%S"),  # the schema allows no zone: see `at`
        hostname=platform.node() or "localhost",
        tests=str(tests),
        failures=str(failures),
        errors="0",
        skipped=str(skipped),
        time=f"{seconds:.3f}",
    )


def _facts(suite: Xml.Element, proof: Proof, head: str) -> None:
    facts = {
        "head": head,
        "site": proof.site,
        "site_digest": proof.site_digest,
        "version": proof.version,
        "seed": str(proof.seed),
        "at": proof.at,
        "by": proof.by,
        "approval": proof.approval,
        "time of a case": "the reaction on the plant model in simulated seconds, 0 without one",
    }
    properties = Xml.SubElement(suite, "properties")
    for key, value in facts.items():
        Xml.SubElement(properties, "property", name=key, value=_clean(value))


def _case(suite: Xml.Element, classname: str, name: str, seconds: float) -> Xml.Element:
    return Xml.SubElement(
        suite, "testcase", classname=_clean(classname), name=_clean(name), time=f"{seconds:.3f}"
    )


def _end(suite: Xml.Element, lines: Sequence[str]) -> None:
    Xml.SubElement(suite, "system-out").text = _clean("\n".join(lines))
    Xml.SubElement(suite, "system-err").text = ""


def _failure(cell: CellResult) -> str:
    lines = [f"expected: {cell.expected}", f"done: {cell.trip}", f"seen: {cell.detail}"]
    lines += [f"failed: {check.name}: {check.text}" for check in cell.checks if not check.ok]
    return "\n".join(lines)


def _clean(text: str) -> str:
    """Without characters that XML cannot carry."""
    return _NOT_XML.sub("�", text)

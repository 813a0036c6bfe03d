"""An interlock proof in words: failures first, the reactions nearest to their limits, the rest."""

from __future__ import annotations

from rich.text import Text

from linectl.cli.screen import heading, say, table
from linectl.commission.proof import (
    NOT_A_VALIDATION,
    CellResult,
    OutputReaction,
    Proof,
    SelfCheck,
)

SLOWEST_SHOWN = 8


def print_proof(proof: Proof, outstanding: int) -> None:
    """The proof in words on standard output: failures first. `outstanding`: causes without a
    valid test on the machine."""
    say(heading(NOT_A_VALIDATION.format(causes=outstanding)))
    say(Text())
    passed = sum(cell.outcome == "pass" for cell in proof.cells)
    failed = [cell for cell in proof.cells if cell.outcome == "fail"]
    say(
        heading(f"{proof.site}:"),
        Text(
            f"{passed} of {len(proof.cells)} cells of {len(proof.causes)} causes proven"
            f" in {proof.wall_s:.0f} s, seed {proof.seed}"
        ),
    )
    say(Text(f"  site {proof.site_digest[:12]}, linectl {proof.version}, {proof.at}, {proof.by}"))
    if proof.approval:
        say(Text(f"  {proof.approval}"))
    _failures(failed)
    _by_kind(proof)
    _slowest(proof)
    if proof.self_check is not None:
        _self_check(proof.self_check)
    _sentences("Followed through a unit's state, beside the cells", [
        f"{cause}: {text}" for cause, texts in proof.consequences.items() for text in texts
    ])  # fmt: skip
    _sentences("Not tested", list(proof.untested))


def _failures(failed: list[CellResult]) -> None:
    if not failed:
        return
    say(Text())
    say(heading(f"{len(failed)} cell{'s' if len(failed) != 1 else ''} FAILED"))
    for cell in failed:
        say(heading(f"  {cell.cause} → {cell.effect}"), Text(f"({cell.kind})"))
        say(Text(f"    expected: {cell.expected}"))
        say(Text(f"    tripped:  {cell.trip or 'not at all'}"))
        for check in (check for check in cell.checks if not check.ok):
            say(Text(f"    {check.name}: {check.text}"))


def _by_kind(proof: Proof) -> None:
    rows = []
    for derived, name in (
        (False, "written in interlocks.yaml"),
        (True, "derived from the machine"),
    ):
        for kind in ("acts", "latched", "permissive"):
            mine = [c for c in proof.cells if c.derived is derived and c.kind == kind]
            if mine:
                good = sum(cell.outcome == "pass" for cell in mine)
                seen = sum(len(cell.outputs) for cell in mine)
                unseen = sum(len(cell.unseen) for cell in mine)
                rows.append([name, kind, len(mine), good, len(mine) - good, seen, unseen])
    say(Text())
    columns = "cells|kind|>in all|>pass|>not|>outputs seen going off|>never on"
    say(table(columns, rows))


def _slowest(proof: Proof) -> None:
    """The reactions nearest to their limits."""
    found: dict[str, tuple[CellResult, OutputReaction]] = {}
    for cell in proof.cells:
        for output in cell.outputs:
            key = f"{cell.cause} {output.tag}"
            found[key] = (cell, output)
    ranked = sorted(found.values(), key=lambda pair: -_share(pair[1]))[:SLOWEST_SHOWN]
    if not ranked:
        return
    say(Text())
    say(heading("Slowest reactions"), Text("at the device, from the sensor's edge"))
    rows = [
        [cell.cause, output.tag, f"{output.reaction_ms:.0f} ms", f"{output.worst_ms:.0f} ms",
         "–" if output.limit_ms is None else f"{output.limit_ms:.0f} ms", f"{_share(output):.0%}"]
        for cell, output in ranked
    ]  # fmt: skip
    say(table("cause|output|>measured|>computed|>allowed|>share", rows))


def _self_check(checked: SelfCheck) -> None:
    """Defects planted and found, by kind; the missed ones by name; what was not planted."""
    say(Text())
    say(
        heading("Self-check:"),
        Text(f"{checked.caught} of {checked.planted} planted defects found by the proof"),
    )
    rows = [[kind, planted, caught] for kind, (planted, caught) in checked.by_kind.items()]
    say(table("defect|>planted|>found", rows))
    for name in checked.missed:
        say(heading("  MISSED"), Text(name))
    for rule, count in checked.excluded.items():
        say(Text(f"  {count} not planted: {rule}"))
    found = ", ".join(f"{name} {count}" for name, count in checked.by_check.items())
    say(Text(f"  found first by: {found}"))


def _share(output: OutputReaction) -> float:
    return output.reaction_ms / (output.limit_ms or output.worst_ms or 1.0)


def _sentences(title: str, texts: list[str]) -> None:
    if not texts:
        return
    say(Text())
    say(heading(title))
    for text in texts:
        say(Text(f"  {text}"))

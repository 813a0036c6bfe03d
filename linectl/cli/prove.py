"""`linectl prove SITE`: every interlock tripped on the plant model, and what came of it."""

from __future__ import annotations

import datetime as dt
import getpass
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer
from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
from rich.progress import Progress as Bar
from rich.text import Text

from linectl.cli.app import INTERRUPTED, AsJson, SiteFolder, app
from linectl.cli.field_proof import field_proof, list_field_tests
from linectl.cli.options import Seed, duration_ms
from linectl.cli.proof_report import write_html, write_junit
from linectl.cli.screen import complain, error_console, heading, say, say_json, table
from linectl.cli.writable import will_be_written
from linectl.commission.field_record import field_standing
from linectl.commission.proof import NOT_A_VALIDATION, CellResult, OutputReaction, Proof, SelfCheck
from linectl.commission.prove import Asked
from linectl.commission.prove import prove as run_proof
from linectl.commission.prove.proving import Progress
from linectl.site.load import load_site

FAILED = 1
SLOWEST_SHOWN = 8
EXAMPLE = """
Examples:

  linectl prove config/small

  linectl prove config/fennmark --cause 'guard_*' --jobs 2

  linectl prove config/fennmark --resume proof.jsonl --report proof.html

  linectl prove config/fennmark --field --by 'A. Example' --witness 'B. Example'
"""

Causes = Annotated[
    list[str] | None,
    typer.Option(
        "--cause", help="Only causes of that name; * and ? stand for anything. Repeatable."
    ),
]
Effects = Annotated[
    list[str] | None, typer.Option("--effect", help="Only cells of this effect, likewise.")
]
Jobs = Annotated[int, typer.Option("--jobs", min=0, help="Processes side by side; 0: one a core.")]
By = Annotated[str, typer.Option("--by", help="Who runs the proof or trips the devices.")]
Resume = Annotated[
    Path | None,
    typer.Option("--resume", help="Keep what is proven in this file, and go on from it."),
]
WithSelfCheck = Annotated[
    bool,
    typer.Option("--self-check", help="Plant defects into the line: the proof must find each."),
]


Report = Annotated[
    Path | None, typer.Option("--report", help="Write the proof as a page to print: FILE.html.")
]
Junit = Annotated[Path | None, typer.Option("--junit", help="Write the proof as JUnit XML.")]
Field = Annotated[
    bool,
    typer.Option("--field", help="Guide the test of each device on the machine, and record it."),
]
Listed = Annotated[
    bool, typer.Option("--list", help="With --field: list where the test of each cause stands.")
]
Witness = Annotated[str, typer.Option("--witness", help="With --field: who witnesses it.")]
Every = Annotated[
    int,
    typer.Option(
        "--every", parser=duration_ms, metavar="DURATION",
        help="With --field: until the next test is due, such as 365d.",
    ),
]  # fmt: skip


@app.command(epilog=EXAMPLE)
def prove(
    site: SiteFolder,
    cause: Causes = None,
    effect: Effects = None,
    seed: Seed = 1,
    jobs: Jobs = 0,
    by: By = "",
    resume: Resume = None,
    self_check: WithSelfCheck = False,
    report: Report = None,
    junit: Junit = None,
    field: Field = False,
    listed: Listed = False,
    witness: Witness = "",
    every: Every = "365d",  # type: ignore[assignment]  # typer parses the text
    as_json: AsJson = False,
) -> None:
    """Proves the interlocks on the plant model, from the cause-and-effect matrix alone.

    Every cause is tripped in the plant while its effects matter, the hard-wired cut disabled:
    off in time, off until the right reset, nothing restarts by itself. It is no validation of
    safety functions: the field test remains, which --field guides. Exit 1 if a cell failed.
    """
    loaded = load_site(site)
    if field:
        if listed:
            list_field_tests(loaded, as_json=as_json)
        elif not field_proof(
            site, loaded, causes=cause or (), by=by, witness=witness, every_ms=every
        ):
            raise typer.Exit(FAILED)
        return
    for target in (report, junit, resume):
        if target is not None and not target.exists():
            will_be_written(target)
    asked = Asked(
        tuple(cause or ()), tuple(effect or ()), seed, jobs or os.cpu_count() or 1,
        by or getpass.getuser(), resume, self_check,
    )  # fmt: skip
    with counting(f"proving {loaded.name}") as tell:
        proof = run_proof(loaded, asked, tell)
    standing = field_standing(loaded, dt.date.today())
    if report is not None:
        write_html(report, proof, standing)
    if junit is not None:
        write_junit(junit, proof, standing)
    if as_json:
        say_json(proof.as_json())
    else:
        print_proof(proof, len(standing.outstanding))
    if proof.interrupted:
        complain("interrupted: what is done stands above" + _resumable(resume))
        raise typer.Exit(INTERRUPTED)
    if not proof.ok:
        raise typer.Exit(FAILED)


def _resumable(resume: Path | None) -> str:
    if resume is None:
        return "; with --resume FILE it could be taken up again"
    return f"; the same command goes on from {resume}"


@contextmanager
def counting(what: str) -> Iterator[Progress]:
    """A bar that counts trips, on standard error; nothing when it is no terminal."""
    console = error_console()
    if not console.is_terminal:
        yield lambda done, total: None
        return
    columns = (
        TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(),
        TimeRemainingColumn(elapsed_when_finished=True),
    )  # fmt: skip
    with Bar(*columns, console=console, transient=True) as bar:
        task = bar.add_task(what, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


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

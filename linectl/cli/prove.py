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
from linectl.cli.matrix import print_matrix, write_matrix
from linectl.cli.options import Seed, duration_ms
from linectl.cli.proof_report import write_html, write_junit
from linectl.cli.proof_text import print_proof
from linectl.cli.screen import complain, error_console, say, say_json
from linectl.cli.writable import will_be_written
from linectl.commission.approve import approve_site
from linectl.commission.field_record import field_standing
from linectl.commission.matrix import matrix_of
from linectl.commission.proof import Proof
from linectl.commission.prove import Asked
from linectl.commission.prove import prove as run_proof
from linectl.commission.prove.proving import Progress
from linectl.errors import UsageError
from linectl.site.approval import approval_line
from linectl.site.load import load_site
from linectl.site.model import Site

FAILED = 1
EXAMPLE = """
Examples:

  linectl prove config/small

  linectl prove config/fennmark --cause 'guard_*' --jobs 2

  linectl prove config/fennmark --resume proof.jsonl --report proof.html

  linectl prove config/fennmark --matrix --html matrix.html

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
Matrix = Annotated[
    bool, typer.Option("--matrix", help="Print the cause-and-effect matrix; proves nothing.")
]
Csv = Annotated[Path | None, typer.Option("--csv", help="With --matrix: write it to FILE.csv.")]
Html = Annotated[Path | None, typer.Option("--html", help="With --matrix: write it to FILE.html.")]
Approve = Annotated[
    str, typer.Option("--approve", metavar="NAME", help="Approve the matrix as it is, by name.")
]


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
    matrix: Matrix = False,
    csv: Csv = None,
    html: Html = None,
    approve: Approve = "",
    as_json: AsJson = False,
) -> None:
    """Proves the interlocks on the plant model, from the cause-and-effect matrix alone.

    Every cause is tripped in the plant while its effects matter, the hard-wired cut disabled:
    off in time, off until the right reset, nothing restarts by itself. It is no validation of
    safety functions: the field test remains, which --field guides. Exit 1 if a cell failed.
    """
    if (listed or witness) and not field:
        raise UsageError("--list and --witness belong to the test on the machine: add --field")
    loaded = load_site(site)
    if approve:
        say(Text(f"{loaded.name}: {approve_site(site, approve, dt.date.today()).said}"))
        return
    if matrix or csv or html:
        _matrix(loaded, csv, html)
        return
    if field and listed:
        list_field_tests(loaded, as_json=as_json)
        return
    if field:
        causes = cause or ()
        if not field_proof(site, loaded, causes=causes, by=by, witness=witness, every_ms=every):
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
    _tell(loaded, proof, report, junit, as_json)
    if proof.interrupted:
        complain("interrupted: what is done stands above" + _resumable(resume))
        raise typer.Exit(INTERRUPTED)
    if not proof.ok:
        raise typer.Exit(FAILED)


def _tell(site: Site, proof: Proof, report: Path | None, junit: Path | None, as_json: bool) -> None:
    """The proof on paper, for machines, and on the screen."""
    standing = field_standing(site, dt.date.today())
    if report is not None:
        write_html(report, proof, standing)
    if junit is not None:
        write_junit(junit, proof, standing)
    if as_json:
        say_json(proof.as_json())
    else:
        print_proof(proof, len(standing.outstanding))


def _matrix(site: Site, csv: Path | None, html: Path | None) -> None:
    found = matrix_of(site)
    for target in (csv, html):
        if target is not None:
            write_matrix(target, found, approval_line(site))
    if csv is None and html is None:
        print_matrix(found)
        say(Text(approval_line(site)))


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

"""`linectl hand-over SITE --out FOLDER`: everything a commissioned line is handed over with."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from linectl import __version__
from linectl.cli.app import AsJson, SiteFolder, app
from linectl.cli.hand_over_page import INDEX, files_of
from linectl.cli.moments import wall_clock
from linectl.cli.screen import heading, say, say_json, table
from linectl.commission.controller import RunningController
from linectl.commission.hand_over.folder import DIGESTS, digests_of, may_be_taken, write_folder
from linectl.commission.hand_over.gather import copies, hand_over_of
from linectl.commission.prove.kept import FILE as PROOF
from linectl.site.load import load_site

MISSING = 1
"""Exit code when the folder says that something is missing."""
EXAMPLE = """
Examples:

  linectl hand-over config/fennmark --out fennmark-handed-over --by 'A. Example'

  linectl hand-over config/fennmark --out handed-over --proof proof.jsonl --json
"""


@app.command("hand-over", epilog=EXAMPLE)
def hand_over(
    site: SiteFolder,
    out: Annotated[
        Path,
        typer.Option(
            metavar="FOLDER", help="The folder to write: new, or an earlier hand-over to replace."
        ),
    ],
    by: Annotated[str, typer.Option(help="Who hands over.")] = "",
    proof: Annotated[
        Path | None,
        typer.Option(
            help="What `prove --resume FILE` has kept; proof.jsonl of the site if left out."
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Writes one folder: checkout sheet, wiring, matrix, proofs, calibrations, changes, digests.

    Pages to print, lists to open, one object for programs; the page index.html says what is
    missing. Forces and bypasses come from the controller if one runs for the site. Exit 1 if
    something is missing: the folder is written all the same. It is no validation of any safety
    function.
    """
    may_be_taken(out)
    loaded = load_site(site)
    if proof is None and (site / PROOF).exists():
        proof = site / PROOF
    now = wall_clock()
    made = hand_over_of(loaded, RunningController(site), proof, by, now, __version__)
    files = files_of(made, copies(loaded, proof))
    digest = write_folder(out, files)
    if as_json:
        say_json(
            {
                "site": loaded.name,
                "folder": str(out),
                "complete": made.complete,
                "missing": made.missing(),
                "files": digests_of(files),
                "digest": digest,
            }
        )
    else:
        say(heading(f"{loaded.name}: {len(files) + 1} files in {out}; begin with {out / INDEX}"))
        if made.complete:
            say(Text("Nothing is missing."))
        else:
            say(heading(f"Missing or open: {len(made.lacks)}"))
            rows = ((part.name, one.what, one.do) for part, one in made.lacks)
            say(table("part|what|what to do", rows))
        say(Text(f"SHA-256 of {DIGESTS}, to be written beside the signatures:"))
        say(Text(digest), soft_wrap=True)
    if not made.complete:
        raise typer.Exit(MISSING)

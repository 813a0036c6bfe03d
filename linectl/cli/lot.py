"""`linectl lot SITE KIND LOT`: a named person says which lot is loaded now."""

from __future__ import annotations

from typing import Annotated

import typer

from linectl.cli import granting
from linectl.cli.app import AsJson, RunningSite, app
from linectl.errors import UsageError
from linectl.line.lots import KINDS, SEED
from linectl.site.complaints import nearest

FOLLOWING = {
    "substrate": "Every gutter that is filled from now on has it",
    "seed": "Every gutter of that crop that is sown from now on has it",
    "packing": "Every gutter that is handed over from now on has it",
}
EXAMPLE = """
Examples:

  linectl lot config/small substrate PEAT-0311 --by anna

  linectl lot config/small seed GO-2291 --crop green_oakleaf --by anna

  linectl lot config/small packing P-1201 --by ben
"""


@app.command(epilog=EXAMPLE)
def lot(
    site: RunningSite,
    kind: Annotated[str, typer.Argument(metavar="KIND", help="substrate, seed or packing.")],
    name: Annotated[
        str,
        typer.Argument(metavar="LOT", help="As the label has it, no spaces; none: nobody knows."),
    ],
    crop: Annotated[str, typer.Option(help="The crop of a seed lot.")] = "",
    by: granting.By = "",
    as_json: AsJson = False,
) -> None:
    """Names the lot that is loaded now, to a running controller.

    Name it when the bag is opened or the drum refilled, not at the end of the day: what was filled
    or sown before keeps the lot before. Nothing waits for a name, and nothing of it can be put in
    later. A packing lot is your own internal one or the traceability lot code, as your plan says.
    """
    if kind not in KINDS:
        raise UsageError(f"{kind!r} is no kind of lot; {nearest(kind, KINDS) or 'see --help'}")
    if (kind == SEED) != bool(crop):
        raise UsageError(
            "a seed lot is one crop's: add --crop CROP"
            if kind == SEED
            else f"a {kind} lot has no crop: leave --crop out"
        )
    granting.complete({"--by": by})
    words = " ".join(filter(None, (kind, crop, name)))
    granting.command(site, "lot", words, by, as_json, f"{FOLLOWING[kind]}.")

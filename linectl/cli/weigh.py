"""`linectl weigh SITE LOT MASS`: what was weighed of a packing lot goes into the record."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from linectl.cli import granting
from linectl.cli.app import AsJson, RunningSite, app
from linectl.cli.run import LEDGER
from linectl.cli.screen import complain
from linectl.errors import LedgerUnreachable
from linectl.ledger.trace import unused_packing_lot

EXAMPLE = """
Examples:

  linectl weigh config/small P-1201 12.5kg --by ben

  linectl weigh config/small P-1201 27lb --crop rocket --by ben

  linectl weigh config/small --by ben -- P-1201 -12.5kg
"""


@app.command(epilog=EXAMPLE)
def weigh(
    site: RunningSite,
    name: Annotated[str, typer.Argument(metavar="LOT", help="The packing lot.")],
    mass: Annotated[str, typer.Argument(metavar="MASS", help="12.5kg, 800g, 27lb or 12oz.")],
    crop: Annotated[str, typer.Option(help="The crop, where the lot has several.")] = "",
    by: granting.By = "",
    ledger: Annotated[
        Path | None, typer.Option(help=f"The ledger's file; {LEDGER} in the site's folder if not.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Tells a running controller what was weighed of a packing lot.

    Weighings of a lot add up. A wrong one is taken back by the same mass below zero (last
    example); both stay in the record. A lot to which no gutter went is taken all the same, with a
    remark here and in `linectl trace`: look whether the name was mistyped.
    """
    granting.complete({"--by": by})
    words = " ".join(filter(None, (name, mass, crop)))
    granting.command(site, "weight", words, by, as_json)
    try:
        remark = unused_packing_lot(str(ledger or site / LEDGER), name)
    except LedgerUnreachable:
        return  # told to the controller it is; it may keep its record elsewhere
    if remark is not None:
        complain(f"Kept; but {remark}. If the name is wrong, take it back and weigh the right one.")

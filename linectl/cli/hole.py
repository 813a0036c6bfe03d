"""`linectl hole SITE DEVICE TABLE RANGE`: writes a hole of a device's map into the site's files."""

from __future__ import annotations

from typing import Annotated

import typer
from rich.text import Text

from linectl.cli.app import AsJson, SiteFolder, app
from linectl.cli.screen import say, say_json
from linectl.commission.holes import planned_hole

EXAMPLE = """
Examples:

  linectl hole config/small io_sower discrete 49

  linectl hole config/small io_sower discrete 49-51 --write
"""


@app.command(epilog=EXAMPLE)
def hole(
    site: SiteFolder,
    device: Annotated[str, typer.Argument(help="The device, as in site.yaml.")],
    table: Annotated[str, typer.Argument(help="coil, discrete, input or holding.")],
    addresses: Annotated[
        str, typer.Argument(metavar="RANGE", help="In the device's notation: 49, 49-51.")
    ],
    write: Annotated[bool, typer.Option("--write", help="Make the change that is shown.")] = False,
    as_json: AsJson = False,
) -> None:
    """Shows what a hole would change in site.yaml, and with --write makes the change.

    A hole is a range that the device refuses to be read: `linectl status` tells those that were
    found. One line changes; comments stay; the file as it was is kept beside it. A point that lies
    in the hole must go or move: `linectl check` says which.
    """
    edit = planned_hole(site, device, table, addresses)
    kept = edit.write() if write else None
    if as_json:
        say_json({"diff": edit.diff, "written": write, "kept": None if kept is None else str(kept)})
    elif not edit.diff:
        say(Text("it stands there already: nothing to change"))
    else:
        say(Text(edit.diff), soft_wrap=True)
        if write:
            say(Text(f"written; as it was before: {kept}"), soft_wrap=True)
        else:
            say(Text("nothing is written yet: add --write"))

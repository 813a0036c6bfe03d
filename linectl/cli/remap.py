"""`linectl remap SITE TAG ADDRESS`: a point moves to another channel, its own has failed."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from linectl.cli import granting
from linectl.cli.app import AsJson, SiteFolder, app
from linectl.cli.changing import (
    By,
    Undo,
    Why,
    Yes,
    show_edit,
    show_remarks,
    show_reopened,
    units_of,
    written,
)
from linectl.cli.screen import heading, say, say_json
from linectl.commission.remap import FILE, Channel, place, point_of, remapped, remarks
from linectl.commission.site_change import (
    SiteChange,
    Words,
    make,
    refuse_unless_stopped,
    reopened,
    undone,
)
from linectl.errors import UsageError
from linectl.site.load import load_site

CAUTION = (
    "CAUTION: wiring. Lock out and prove dead before a wire is moved; local electrical codes say"
    " who may. See that the wire is on the new terminal before the controller is started: until it"
    " is checked out this point is not known to do what its tag says, and an output may move"
    " something else. linectl is not a safety function: SAFETY.md."
)
EXAMPLE = """
Examples:

  linectl remap config/small tamp.press_down 61 --note AE7:6 --why "channel burned" --by anna

  linectl remap config/small fill.doser 40 --device io_lanes --why "card dead" --by anna

  linectl remap config/small --undo --why "card replaced" --by anna
"""


@app.command(epilog=EXAMPLE)
def remap(
    site: SiteFolder,
    tag: Annotated[str, typer.Argument(metavar="[TAG]", help="The point that moves.")] = "",
    address: Annotated[
        str,
        typer.Argument(
            metavar="[ADDRESS]",
            help="As its device is written in site.yaml; or protocol:17, reference:10018.",
        ),
    ] = "",
    why: Why = "",
    by: By = "",
    device: Annotated[str | None, typer.Option(help="Another device than its own.")] = None,
    bit: Annotated[int | None, typer.Option(help="Bit of a register, 0 to 15.")] = None,
    note: Annotated[str | None, typer.Option(help="Its new terminal.")] = None,
    supply: Annotated[str | None, typer.Option(help="Its new card's 24 V group.")] = None,
    undo: Undo = False,
    yes: Yes = False,
    as_json: AsJson = False,
) -> None:
    """Moves a point to another channel of the same table: only cells of its row in io.csv change.

    Refused while a running controller's units are not all Stopped, and for whatever `check` refuses
    of the site as it would be: a channel that another point has, a device whose watchdog is too
    slow. The diff is shown first. The controller must be started anew: until then it reads and
    writes the old channel. The point's checkout and what else rests on it are open again.
    """
    granting.complete({"--why": why, "--by": by})
    if undo is bool(tag and address):
        raise UsageError("name a TAG and an ADDRESS, or say --undo alone")
    loaded = load_site(site)
    units = units_of(site)
    refuse_unless_stopped(units or {})
    if undo:
        change, last = undone(loaded, FILE, ("remap",))
        tag = last.what
        words = Words("undo", tag, last.new, last.old, why, by)
    else:
        change = remapped(loaded, tag, Channel(address, device, bit, note, supply))
        old, new = (place(point_of(each, tag)) for each in (change.before, change.after))
        words = Words("remap", tag, old, new, why, by)
    _make(site, change, words, units is not None, yes, as_json)


def _make(
    folder: Path, change: SiteChange, words: Words, running: bool, yes: bool, as_json: bool
) -> None:
    open_again = reopened(change, dt.date.today())
    told = remarks(change, words.what) if words.kind == "remap" else []
    if not as_json:
        say(heading(f"{words.what}: {words.old} → {words.new}"))
        show_edit(change.edit)
        show_reopened(open_again, folder)
        show_remarks(told)
    granting.cautioned(CAUTION, yes)
    refuse_unless_stopped(units_of(folder) or {})
    row = make(change, words, change.rows)
    if as_json:
        say_json(
            {
                "site": change.after.name, "tag": words.what, "old": words.old, "new": words.new,
                "file": str(change.edit.path), "diff": change.edit.diff, "mind": told,
                "reopened": open_again.as_json(), "reopens": row.reopens.split(),
                "site_digest": change.after.digest, "start_anew": running,
            }
        )  # fmt: skip
        return
    say(Text(written(change.edit)))
    if running:
        say(
            Text(
                "The running controller still has the old channel: end it and start it anew before"
                f" anything is tried (linectl run {folder}). Its status names the site by its"
                f" digest: it must begin with {change.after.digest[:12]}."
            )
        )

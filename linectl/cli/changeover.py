"""`linectl changeover SITE CROP LOT`: another crop or seed lot, step by step, to a running line."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.text import Text

from linectl.cli import granting
from linectl.cli.app import AsJson, RunningSite, app
from linectl.cli.screen import complain, heading, say, say_json
from linectl.errors import UsageError
from linectl.runtime.control import ask

LOCK_OUT = (
    "CAUTION: the drum draws in hair, gloves and sleeves, and a stopped unit is not lock-out."
    " Before a hand goes near hopper or drum: isolate, lock and tag with your own lock, let the"
    " drum run down, try to start it. Read the seed's label: treated seed wants gloves and mask."
    " Local codes and the builder's instructions say more."
)
LOOK = (
    "CAUTION: look at the first gutter from outside the guards; units may start while you stand"
    " there. A wet gutter that is taken off is heavy: two people, or a hoist, and locked out first."
)
EXAMPLE = """
Examples, one changeover from its beginning to its end:

  linectl changeover config/small rocket R-0412 --by anna

  linectl changeover config/small

  linectl changeover config/small --confirm R-0412 --by anna

  linectl changeover config/small --first good --by anna

  linectl changeover config/small --first bad --note "bald left half" --by anna

  linectl changeover config/small --cancel --by anna
"""


@app.command(epilog=EXAMPLE)
def changeover(
    site: RunningSite,
    crop: Annotated[str, typer.Argument(metavar="[CROP]", help="The crop to sow next.")] = "",
    lot: Annotated[str, typer.Argument(metavar="[LOT]", help="Its seed lot, as labelled.")] = "",
    confirm: Annotated[
        str, typer.Option(metavar="LOT", help="Hopper and drum have it: typed from the label.")
    ] = "",
    first: Annotated[
        str, typer.Option(metavar="good|bad", help="What was found of the first gutter.")
    ] = "",
    note: Annotated[str, typer.Option(help="What is wrong with it, or worth a line.")] = "",
    cancel: Annotated[bool, typer.Option("--cancel", help="The drum keeps what it has.")] = False,
    by: granting.By = "",
    as_json: AsJson = False,
) -> None:
    """Changes the crop or the seed lot of a running line; alone, tells how far a change is.

    The sower runs out; when it stands empty, people change hopper and drum and confirm the lot;
    somebody resets and starts; the first gutter of the new seed stands at the seed station until it
    has been looked at, within the wet limit. Bad: it is rejected, and the next is the first again.
    The last gutter of the old seed and the first of the new never share a lot.
    """
    asked = [bool(crop), bool(confirm), bool(first), cancel]
    if sum(asked) > 1 or (note and not first):
        raise UsageError("one at a time: CROP LOT, --confirm, --first (with --note), or --cancel")
    if not any(asked):
        _show(site, as_json)
        return
    granting.complete({"--by": by})
    if crop:
        if not lot:
            raise UsageError("name the seed lot too: CROP LOT, as its label has it")
        _tell(site, "changeover", f"{crop} {lot}", by, as_json)
    elif confirm:
        _tell(site, "hopper-changed", confirm, by, as_json)
    elif first:
        _tell(site, "first-gutter", f"{first} {note}".strip(), by, as_json)
    else:
        _tell(site, "changeover", "cancel", by, as_json)


def _show(site: Path, as_json: bool) -> None:
    """How far it is, and the caution that belongs to the next act."""
    standing = granting.status_of(site)["changeover"]
    if as_json:
        say_json({"changeover": standing})
    elif standing is None:
        say(Text("no changeover stands"))
    else:
        print_changeover(standing)
        _caution(standing)


def print_changeover(standing: Mapping[str, Any]) -> None:
    """One line on what stands; `status` prints it too."""
    said = f"{standing['stage'].replace('_', ' ')}, by {standing['by']}: {standing['text']}"
    seeds = f"; {standing['seeds']} seeds counted" if standing["seeds"] is not None else ""
    say(heading("Changeover"), Text(said + seeds))


def _caution(standing: Mapping[str, Any] | None) -> None:
    stage = standing["stage"] if standing else ""
    if stage in ("running_out", "emptying"):
        complain(LOCK_OUT)
    elif stage in ("confirmed", "first"):
        complain(LOOK)


def _tell(site: Path, name: str, argument: str, by: str, as_json: bool) -> None:
    """Give the command, then say what stands."""
    request = {"ask": "command", "unit": "sowing", "name": name, "argument": argument, "by": by}
    answer = ask(site, request)
    if "error" in answer:
        raise UsageError(answer["error"])
    standing = granting.status_of(site)["changeover"]
    if as_json:
        say_json({**answer, "changeover": standing})
    elif not answer["accepted"]:
        say(Text(f"{name} {argument}: refused: {answer['why']}"))
    else:
        say(Text(f"{name} {argument}: accepted."))
        if standing is not None:
            print_changeover(standing)
        _caution(standing)
    if not answer["accepted"]:
        raise typer.Exit(granting.REFUSED)

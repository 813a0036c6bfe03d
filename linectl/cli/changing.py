"""What `remap`, `replace` and `tune` share: the diff first, what opens again, a person's word."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from linectl.cli.screen import complain, heading, say
from linectl.commission.controller import RunningController
from linectl.commission.file_edit import KEPT, FileEdit
from linectl.commission.prove.kept import FILE as PROOFS
from linectl.commission.site_change import Reopened
from linectl.runtime.control import running_controller

Why = Annotated[str, typer.Option(help="Why, in a few words; it is kept in changes.csv.")]
By = Annotated[str, typer.Option(help="The name of the person who answers for it.")]
Yes = Annotated[
    bool, typer.Option("--yes", help="For scripts: the caution and the diff have been read.")
]
Undo = Annotated[bool, typer.Option("--undo", help="Take the last change on record back.")]

NAMED = 12
"""Names in one line; `--json` has all."""


def units_of(folder: Path) -> Mapping[str, str] | None:
    """The units of the running controller with their states; None if none runs."""
    if running_controller(folder) is None:
        return None
    return RunningController(folder).standing().units


def show_edit(edit: FileEdit) -> None:
    """What would be written, before it is."""
    for line in edit.diff.splitlines():
        style = {"+": "green", "-": "red"}.get(line[:1], "")
        say(Text(line, style=style), soft_wrap=True)


def show_reopened(found: Reopened, folder: Path) -> None:
    """What has to be done again, with the command that does it."""
    if not found:
        say(Text("Nothing that was tested rests on it."))
        return
    say(heading("Open again, because it rests on this"))
    lists = (
        ("checkout", found.checkouts, f"linectl checkout {folder}"),
        ("field test", found.field_tests, f"linectl prove {folder} --field"),
        ("proof on the model", found.proofs, f"linectl prove {folder} --resume {folder}/{PROOFS}"),
        ("approval", found.approval, f'linectl prove {folder} --matrix, then --approve "NAME"'),
    )
    for what, names, command in lists:
        if names:
            say(Text(f"  {what}: {named(names)} ({command})"), soft_wrap=True)


def named(names: Sequence[str]) -> str:
    """The first of them; how many more there are."""
    more = len(names) - NAMED
    return ", ".join(names[:NAMED]) + (f" and {more} more" if more > 0 else "")


def show_remarks(remarks: Sequence[str]) -> None:
    for remark in remarks:
        complain(f"Mind: {remark}.")


def written(edit: FileEdit) -> str:
    """Where what stood there before is kept."""
    if not edit.before:
        return f"{edit.path} is written; there was none before."
    return f"{edit.path} is written; the one before is {edit.path.name}{KEPT}."

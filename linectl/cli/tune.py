"""`linectl tune SITE PATH VALUE`: a timer or dose changed on the running line, within bounds."""

from __future__ import annotations

from typing import Annotated

import typer
from rich.text import Text

from linectl.cli import granting
from linectl.cli.app import AsJson, SiteFolder, app
from linectl.cli.changing import By, Undo, Why, Yes, show_edit, written
from linectl.cli.screen import heading, say, say_json, table
from linectl.commission.changes_record import read_changes
from linectl.commission.controller import RunningController
from linectl.commission.site_change import SiteChange, Words, undone
from linectl.commission.tune import file_of, tune_both, tuning_of
from linectl.errors import UsageError
from linectl.runtime.control import running_controller
from linectl.site.load import load_site
from linectl.site.model import Site
from linectl.site.tunable import Tunable, limits, shown, tunables

CAUTION = (
    "CAUTION: the running line takes it at once: a step that begins from now on, a gutter that is"
    " drawn in from now on. A longer time-out finds a jam later, and what is jammed may be driven"
    " on for longer: see who is at the machine, and tell them. linectl is not a safety function:"
    " SAFETY.md."
)
EXAMPLE = """
Examples:

  linectl tune config/small stations.tamp.press_timeout 6s --why "cold oil" --by anna

  linectl tune config/small crops.rocket.water_ml 540 --why "dry peat" --by anna

  linectl tune config/small --list

  linectl tune config/small --undo --why "oil is warm" --by anna
"""


@app.command(epilog=EXAMPLE)
def tune(
    site: SiteFolder,
    path: Annotated[
        str, typer.Argument(metavar="[PATH]", help="Such as stations.tamp.press_timeout.")
    ] = "",
    value: Annotated[str, typer.Argument(metavar="[VALUE]", help="As the file writes it.")] = "",
    why: Why = "",
    by: By = "",
    undo: Undo = False,
    listed: Annotated[
        bool, typer.Option("--list", help="Show what may be tuned, and how far; alter nothing.")
    ] = False,
    yes: Yes = False,
    as_json: AsJson = False,
) -> None:
    """Changes a time-out, a dose or a calibration's factor, in the file and in the running line.

    Both or neither: the file with its comments kept and the diff shown first, and the controller if
    one runs. How far is declared in site.yaml (`tuning`); wiring and interlocks are never tuned.
    Every change stands in changes.csv and, while the line runs, in its ledger.
    """
    loaded = load_site(site)
    if listed:
        _list(loaded, as_json)
        return
    granting.complete({"--why": why, "--by": by})
    if undo is bool(path and value):
        raise UsageError("name a PATH and a VALUE, or say --undo alone")
    running = running_controller(site) is not None
    if undo:
        rows, _ = read_changes(site)
        change, last = undone(loaded, file_of(rows[-1].what if rows else ""), ("tune",))
        words = _words("undo", last.what, change, why, by)
    else:
        change = tuning_of(loaded, path, value, running)
        words = _words("tune", path, change, why, by)
    if not as_json:
        say(heading(f"{words.what}: {words.old} → {words.new}"))
        show_edit(change.edit)
    granting.cautioned(CAUTION, yes)
    _, told = tune_both(change, words, RunningController(site) if running else None)
    if as_json:
        say_json(_as_json(change, words, told))
        return
    say(Text(written(change.edit)))
    say(Text("The running line has it." if told else "No controller runs: the next one has it."))


def _words(kind: str, path: str, change: SiteChange, why: str, by: str) -> Words:
    old, new = (tunables(each)[path].text for each in (change.before, change.after))
    return Words(kind, path, old, new, why, by)


def _as_json(change: SiteChange, words: Words, told: bool) -> dict[str, object]:
    """path, old, new as texts; file and diff; running: a controller has taken it; site_digest."""
    return {
        "site": change.after.name, "path": words.what, "old": words.old, "new": words.new,
        "file": str(change.edit.path), "diff": change.edit.diff, "running": told,
        "site_digest": change.after.digest,
    }  # fmt: skip


def _list(site: Site, as_json: bool) -> None:
    rows = [
        (path, found, limits(site, path) or (None, None))
        for path, found in tunables(site).items()
        if found.kind != "entry"
    ]
    if as_json:
        say_json({"site": site.name, "tunable": [_row_json(*row) for row in rows]})
        return
    say(
        table(
            "path|>now|>least|>most",
            [
                [path, *(None if v is None else shown(found, v) for v in (found.value, *ends))]
                for path, found, ends in rows
            ],
        )
    )


def _row_json(
    path: str, found: Tunable, ends: tuple[float | None, float | None]
) -> dict[str, object]:
    """path, value as it is written, unit; least and most in ms or in the unit, null: none."""
    unit = "ms" if found.kind == "timer" else found.unit
    return {"path": path, "value": found.text, "unit": unit, "least": ends[0], "most": ends[1]}

"""`linectl ledger verify|backup|restore|archive`: the record proved, kept, and kept small."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from linectl.cli.app import AsJson, app
from linectl.cli.counting import counting
from linectl.cli.screen import heading, say, say_json, table
from linectl.ledger.verify import Verdict
from linectl.ledger.verify import verify as prove

GROUP_EXAMPLE = """
Examples:

  linectl ledger verify config/small/ledger.sqlite3

  linectl ledger verify --help
"""
VERIFY_EXAMPLE = """
Examples:

  linectl ledger verify config/small/ledger.sqlite3

  linectl ledger verify ledger.sqlite3 --json
"""

commands = typer.Typer(no_args_is_help=True, rich_markup_mode="markdown")
app.add_typer(
    commands,
    name="ledger",
    help="Proves, backs up, restores and archives a ledger: what stands where, and why.",
    epilog=GROUP_EXAMPLE,
)

LedgerPath = Annotated[
    Path, typer.Argument(metavar="PATH", help="The ledger's file: SITE/ledger.sqlite3.")
]


@commands.command(epilog=VERIFY_EXAMPLE)
def verify(path: LedgerPath, as_json: AsJson = False) -> None:
    """Proves the ledger over its whole history and names the first row that breaks a rule.

    Every move is replayed: each gutter in exactly one place, lanes first in first out, ids and
    numbers never used twice, time never back, counts in balance, tables as the moves leave them.
    It writes nothing and may run beside the controller. Exit 1 if a row breaks a rule. That the
    record agrees with itself is no proof that the gutters stand so: that is seen by walking round.
    """
    with counting() as tell:
        verdict = prove(str(path), tell)
    if as_json:
        say_json(verdict.as_json())
    else:
        _show(verdict)
    if not verdict.ok:
        raise typer.Exit(1)


def _show(verdict: Verdict) -> None:
    first = verdict.first
    say(
        heading(f"ledger {verdict.path}:"),
        Text("every rule holds" if first is None else "A RULE IS BROKEN"),
    )
    since = "" if verdict.from_number == 1 else f" since move {verdict.from_number}"
    say(
        Text(
            f"{verdict.moves:,} moves{since} in {verdict.boots:,} boots, {verdict.done:,} done;"
            f" {verdict.gutters:,} gutters, {verdict.standing:,} in the machine;"
            f" {verdict.events:,} events"
        )
    )
    if first is None:
        return
    say(Text())
    say(heading(f"first: {_row(first.table, first.row)}"), Text(first.text))
    say(Text(f"rule:  {first.rule.holds}"))
    say(Text(f"do:    {first.rule.do}"))
    rows = [
        [name, count, _row(found.table, found.row), found.text]
        for name, count in verdict.findings.counts.items()
        for found in [next(f for f in verdict.findings.kept if f.rule.name == name)]
    ]
    say(table("rule|>rows|the first|in words", rows))


def _row(name: str, row: int | str) -> str:
    return f"{name} {row}"

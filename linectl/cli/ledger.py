"""`linectl ledger verify|backup|restore|archive`: the record proved, kept, and kept small."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from linectl.cli.app import AsJson, app
from linectl.cli.counting import counting
from linectl.cli.options import duration_ms
from linectl.cli.screen import heading, say, say_json, table
from linectl.ledger.archive import Archived
from linectl.ledger.archive import archive as move_old
from linectl.ledger.backup import Last, Restored
from linectl.ledger.backup import backup as take_copy
from linectl.ledger.backup import restore as put_back
from linectl.ledger.verify import Verdict
from linectl.ledger.verify import verify as prove

GROUP_EXAMPLE = """
Examples:

  linectl ledger verify config/small/ledger.sqlite3

  linectl ledger backup config/small/ledger.sqlite3 /media/stick
"""
VERIFY_EXAMPLE = """
Examples:

  linectl ledger verify config/small/ledger.sqlite3

  linectl ledger verify ledger.sqlite3 --json
"""
BACKUP_EXAMPLE = """
Examples:

  linectl ledger backup config/small/ledger.sqlite3 /media/stick

  linectl ledger backup ledger.sqlite3 monday.sqlite3
"""
RESTORE_EXAMPLE = """
Example:

  linectl ledger restore /media/stick/ledger-2026-03-02.sqlite3 config/small/ledger.sqlite3
"""
ARCHIVE_EXAMPLE = """
Example:

  linectl ledger archive config/small/ledger.sqlite3 --older-than 400d --to /media/stick
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


@commands.command(epilog=BACKUP_EXAMPLE)
def backup(
    path: LedgerPath,
    to: Annotated[
        Path, typer.Argument(metavar="TO", help="A new file, or a folder: dated name in it.")
    ],
    as_json: AsJson = False,
) -> None:
    """Copies a ledger whole, while its controller runs, with a SHA-256 checksum beside it.

    The copy is on the disk, opened and checked before it takes its name; nothing is written over.
    `sha256sum -c` reads the checksum. Keep backups on another disk than the ledger's: of a card
    that died nothing is left.
    """
    with counting() as tell:
        made = take_copy(str(path), str(to), tell)
    if as_json:
        say_json(made.as_json())
        return
    say(heading(f"{made.backup}:"), Text(f"{made.bytes:,} bytes, SHA-256 {made.sha256}"))
    say(Text(f"holds the record up to {_last(made.last)}"))


@commands.command(epilog=RESTORE_EXAMPLE)
def restore(
    copy: Annotated[Path, typer.Argument(metavar="FROM", help="A backup, its checksum beside it.")],
    path: LedgerPath,
    as_json: AsJson = False,
) -> None:
    """Puts a backup in a ledger's place; the ledger that was there is kept beside it.

    Refused while a controller holds the ledger, and for a copy that does not fit its checksum. What
    the line did since the backup is not in it: before the line starts, somebody walks it round and
    every place is corrected (`linectl recover`). Lock the line out before anyone goes in.
    """
    with counting() as tell:
        done = put_back(str(copy), str(path), tell)
    if as_json:
        say_json(done.as_json())
    else:
        _show_restored(done)


@commands.command(epilog=ARCHIVE_EXAMPLE)
def archive(
    path: LedgerPath,
    older_than: Annotated[
        int,
        typer.Option(
            parser=duration_ms, metavar="DURATION", help="How old, from the record's end: 400d."
        ),
    ],
    to: Annotated[Path, typer.Option(metavar="FOLDER", help="Where the archive's file goes.")],
    as_json: AsJson = False,
) -> None:
    """Moves old moves and events to an archive file; the ledger stays provable and small.

    The archive is whole, checksummed and proved before anything is taken away here. Gutters, lots
    and weights stay, so that a lot is traced as before. It may run beside the controller, and when
    it was interrupted it is simply run again. Keep archives as long as the law wants the record.
    """
    with counting() as tell:
        done = move_old(str(path), older_than, str(to), tell)
    if as_json:
        say_json(done.as_json())
    else:
        _show_archived(done)


def _show_archived(done: Archived) -> None:
    say(heading(f"ledger {done.ledger}:"), Text(f"{done.bytes_after:,} bytes"))
    if done.archive is None:
        say(Text("nothing in it is that old"))
    else:
        say(heading(f"{done.archive}:"), Text(f"SHA-256 {done.sha256}"))
        say(
            Text(
                f"has moves {done.first_move:,} to {done.last_move:,} and {done.events:,} events,"
                f" {_time(done.from_ms)} to {_time(done.to_ms)}"
            )
        )
        say(
            Text(f"taken away here: {done.moves_taken:,} moves; {done.bytes_before:,} bytes before")
        )
    if not done.shrinks:
        say(Text("the file keeps its size (it came from an older linectl): new rows use the room"))


def _show_restored(done: Restored) -> None:
    say(heading(f"ledger {done.ledger}:"), Text(f"is now the backup {done.backup}"))
    say(Text(f"its record ends with {_last(done.last)}"))
    if done.kept is not None:
        ended = "its end cannot be read" if done.lost is None else f"ended with {_last(done.lost)}"
        say(Text(f"the ledger before is kept as {done.kept}; {ended}"))
    if done.lost is not None and done.lost.move > done.last.move:
        count = done.lost.move - done.last.move
        moves = f"{count:,} move{'s' if count > 1 else ''}"
        say(Text(f"NOT in the record now: the last {moves}. Walk the line round."))
    say(Text(f"then: linectl ledger verify {done.ledger}"))


def _last(last: Last) -> str:
    if not last.at_ms:
        return "nothing"
    when = _time(last.at_ms)
    return f"move {last.move}, {when}" if last.move else f"no move, {when}"


def _show(verdict: Verdict) -> None:
    first = verdict.first
    say(
        heading(f"ledger {verdict.path}:"),
        Text("every rule holds" if first is None else "A RULE IS BROKEN"),
    )
    starts = "1 start" if verdict.boots == 1 else f"{verdict.boots:,} starts"
    since = "" if verdict.from_number == 1 else f" since move {verdict.from_number}"
    say(
        Text(
            f"{verdict.moves:,} moves{since}, {verdict.done:,} done, {starts};"
            f" {verdict.gutters:,} gutters, {verdict.standing:,} in the machine;"
            f" {verdict.events:,} events"
        )
    )
    if verdict.left_over:
        say(
            Text(
                f"an archive was interrupted: {verdict.left_over:,} moves are in it and here;"
                " run `linectl ledger archive` again"
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


def _time(at_ms: int) -> str:
    return dt.datetime.fromtimestamp(at_ms / 1000).strftime("%Y-%m-%d %H:%M:%S")


def _row(name: str, row: int | str) -> str:
    return f"{name} {row}"

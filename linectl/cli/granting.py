"""What `bypass` and `force` share: a named person, a caution, the controller's word."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.text import Text

from linectl.cli.screen import complain, heading, say, say_json, span, table
from linectl.errors import UsageError
from linectl.runtime.control import ask
from linectl.site.durations import format_duration

REFUSED = 1

For = Annotated[
    str, typer.Option("--for", metavar="DURATION", help="For how long: 20m, 2h. It ends by itself.")
]
Reason = Annotated[
    str, typer.Option("--reason", "--why", help="Why, in a few words; it is kept in the record.")
]
By = Annotated[str, typer.Option(help="The name of the person who answers for it.")]
End = Annotated[bool, typer.Option("--end", help="End it.")]
List = Annotated[bool, typer.Option("--list", help="Show what stands; alter nothing.")]
Yes = Annotated[bool, typer.Option("--yes", help="For scripts: the caution has been read.")]


def complete(asked: Mapping[str, str]) -> None:
    """Raises UsageError that names the options which are missing."""
    missing = [option for option, value in asked.items() if not value.strip()]
    if missing:
        raise UsageError(f"also needed: {', '.join(missing)}; see --help")


def cautioned(caution: str, yes: bool) -> None:
    """A person reads the caution and agrees, or a script has said that one has.

    Raises UsageError where nobody can be asked, typer.Exit if the answer is no.
    """
    if yes:
        return
    if not sys.stdin.isatty():
        raise UsageError(f"{caution}\nNobody can be asked here: say --yes. Nothing was altered.")
    complain(caution)
    if not typer.confirm("Go on?", default=False, err=True):
        complain("Nothing was altered.")
        raise typer.Exit(REFUSED)


def command(
    site: Path, name: str, argument: str, by: str, as_json: bool, following: str = ""
) -> None:
    """Give the command to the running controller and say what it answered.

    following: what is to be done next, told to a person when it was taken.
    Raises UsageError for what the controller cannot be asked, typer.Exit if it refuses.
    """
    request = {"ask": "command", "unit": "", "name": name, "argument": argument, "by": by}
    answer = ask(site, request)
    if "error" in answer:
        raise UsageError(answer["error"])
    if as_json:
        say_json(answer)
    elif answer["accepted"]:
        say(Text(f"{name} {argument}: accepted. {following}".rstrip()))
    else:
        say(Text(f"{name} {argument}: refused: {answer['why']}"))
    if not answer["accepted"]:
        raise typer.Exit(REFUSED)


def status_of(site: Path) -> dict[str, Any]:
    """The running controller's status."""
    answer = ask(site, {"ask": "status"})
    if "error" in answer:
        raise UsageError(answer["error"])
    return answer


def print_bypasses(status: Mapping[str, Any]) -> None:
    """What is bypassed or waits for its trial, and the exposure by cause."""
    rows = [
        [row["cause"], row["stage"] if row["stage"] == "in force" else f"has {row['stage']}",
         _left(row["left_s"]), row["by"], row["reason"], row["came"]]
        for row in status["bypass_list"]
    ]  # fmt: skip
    _print("Bypassed", "cause|stage|>left|by|why|>came meanwhile", rows)
    exposed = [
        [row["cause"], row["times"], format_duration(round(row["hours"] * 3600) * 1000),
         row["came"]]
        for row in status["exposure"]
    ]  # fmt: skip
    if exposed:
        _print("Kept from acting since the record began",
               "cause|>times|>in all|>came meanwhile", exposed)  # fmt: skip


def print_forces(status: Mapping[str, Any]) -> None:
    """What is forced, its true value beside it, and what is overridden in the logic."""
    forced = [
        [row["name"], f"{row['value']:g}", _true(row), *_terms(row)] for row in status["force_list"]
    ]
    _print("Forced", "what|>forced to|>true|>left|by|why", forced)
    rows = [[row["name"], f"{row['value']:g}", *_terms(row)] for row in status["override_list"]]
    _print("Overridden", "what|>value|>left|by|why", rows)
    for text in status["ended_at_start"]:
        say(Text(text))


def _print(title: str, columns: str, rows: Iterable[list[object]]) -> None:
    listed = list(rows)
    say(heading(title), Text("" if listed else "none"))
    if listed:
        say(table(columns, listed))


def _terms(row: Mapping[str, Any]) -> list[object]:
    return [_left(row["left_s"]), row["by"], row["reason"]]


def _true(row: Mapping[str, Any]) -> str:
    """What the field says of an input, what the line itself asks of an output."""
    if row["true"] is None:
        return "not good"
    return f"{row['true']:g}" + ("" if row["in_effect"] else ", waits for its warning")


def _left(seconds: float | None) -> str:
    return "–" if seconds is None else span(seconds)

"""`linectl alarms SITE`: what is amiss, what follows, where to look; acknowledge, put aside."""

from __future__ import annotations

import getpass
from collections.abc import Mapping
from typing import Annotated, Any

import typer
from rich.table import Table
from rich.text import Text

from linectl.cli.alarm_rates import print_rates
from linectl.cli.app import AsJson, RunningSite, app
from linectl.cli.screen import heading, say, say_json, span, table
from linectl.errors import UsageError
from linectl.runtime.alarm_rates import Change, rates
from linectl.runtime.control import ask

REFUSED = 1
COLUMNS_MAX = 100
"""A block is no wider, on however wide a screen: long lines are hard to read."""
NAME_COLUMNS = 11
EXAMPLE = """
Examples:

  linectl alarms config/small

  linectl alarms config/small --ack all --by anna

  linectl alarms config/small --shelve hopper_low --for 30m --why "lorry at noon" --by anna

  linectl alarms config/small --out-of-service seed_low --why "eye broken, part ordered"

  linectl alarms config/small --rates
"""


Ack = Annotated[
    str | None, typer.Option(metavar="TAG|all", help="Acknowledge: somebody has seen it.")
]
Shelve = Annotated[
    str | None, typer.Option(metavar="TAG", help="Put aside: --for a time or --once, with --why.")
]
For = Annotated[
    str | None, typer.Option("--for", metavar="DURATION", help="How long it is shelved: 30m.")
]
Once = Annotated[bool, typer.Option("--once", help="Shelved until it has returned to normal once.")]
Unshelve = Annotated[str | None, typer.Option(metavar="TAG", help="Show a shelved alarm again.")]
OutOfService = Annotated[
    str | None, typer.Option(metavar="TAG", help="Out of service until returned; with --why.")
]
InService = Annotated[str | None, typer.Option(metavar="TAG", help="Return it to service.")]
Why = Annotated[str, typer.Option(help="The reason why an alarm is put aside.")]
By = Annotated[str, typer.Option(help="Who acts; your login if left out.")]
Rates = Annotated[
    bool, typer.Option("--rates", help="How much alarms burden people, measured as in ISA-18.2.")
]


@app.command(epilog=EXAMPLE)
def alarms(
    site: RunningSite,
    ack: Ack = None,
    shelve: Shelve = None,
    for_: For = None,
    once: Once = False,
    unshelve: Unshelve = None,
    out_of_service: OutOfService = None,
    in_service: InService = None,
    why: Why = "",
    by: By = "",
    show_rates: Rates = False,
    as_json: AsJson = False,
) -> None:
    """Alarms of a running controller, after ISA-18.2: listed, acknowledged, put aside.

    Each with its state, what happened, what follows if nobody acts, where to look and what to do.
    To acknowledge says that somebody has seen it: it resets and starts nothing. What is shelved,
    suppressed or out of service is not shown and goes on being watched; interlocks act all the
    same. Exit 1 if the controller refuses; it says why.
    """
    if shelve is not None and (for_ is None) is not once:
        raise UsageError("--shelve wants either --for DURATION, such as --for 30m, or --once")
    acts = {
        "alarm-ack": ack,
        "alarm-shelve": shelve and f"{shelve} {'once' if once else for_} {why}".rstrip(),
        "alarm-unshelve": unshelve,
        "alarm-out-of-service": out_of_service and f"{out_of_service} {why}".rstrip(),
        "alarm-in-service": in_service,
    }
    wanted = [(name, argument) for name, argument in acts.items() if argument]
    if len(wanted) + show_rates > 1:
        raise UsageError("one thing at a time: acknowledge, put aside, bring back, or --rates")
    if wanted:
        _act(site, *wanted[0], by or getpass.getuser(), as_json)
        return
    request = {"ask": "alarm changes" if show_rates else "alarms"}
    answer = ask(site, request)
    if "error" in answer:
        raise UsageError(answer["error"])
    if show_rates:
        changes = [Change(*change) for change in answer["changes"]]
        measured = rates(changes, answer["from_ms"], answer["to_ms"])
        answer = {"site": answer["site"], **measured}
    if as_json:
        say_json(answer)
    elif show_rates:
        print_rates(answer)
    else:
        print_alarms(answer)


def _act(site: Any, name: str, argument: str, by: str, as_json: bool) -> None:
    request = {"ask": "command", "unit": "", "name": name, "argument": argument, "by": by}
    answer = ask(site, request)
    if "error" in answer:
        raise UsageError(answer["error"])
    tag = argument.partition(" ")[0]
    if as_json:
        say_json(answer)
    elif answer["accepted"]:
        say(Text(f"{name} {tag}: accepted"))
    else:
        say(Text(f"{name} {tag}: refused: {answer['why']}"))
    if not answer["accepted"]:
        raise typer.Exit(REFUSED)


def print_alarms(answer: Mapping[str, Any]) -> None:
    """The list in words: what waits for somebody first, what is put aside last."""
    say(heading(f"{answer['site']}:"), Text(summary(answer["counts"])))
    shown = [row for row in answer["alarms"] if not row["hidden"]]
    for row in shown:
        say(Text())
        say(_title(row))
        say(_block(row))
    aside = [row for row in answer["alarms"] if row["hidden"]]
    if aside:
        say(Text())
        say(heading("Not shown"), Text("watched all the same; interlocks act whatever stands here"))
        rows = table("tag|is|by|why|ends|now", [_aside(row) for row in aside])
        for column in rows.columns[:3]:
            column.no_wrap = True  # reasons are folded, names are not
        say(rows)


def summary(counts: Mapping[str, int]) -> str:
    """One line: how many stand, wait, and are put aside."""
    parts = [f"{counts['standing']} alarms stand" if counts["standing"] != 1 else "1 alarm stands"]
    if not counts["standing"]:
        parts = ["no alarm stands"]
    parts.append(f"{counts['unacknowledged']} to acknowledge")
    for key in ("shelved", "suppressed_by_design", "out_of_service"):
        parts.append(f"{counts[key]} {key.replace('_', ' ')}")
    return ", ".join(parts)


def _title(row: Mapping[str, Any]) -> Text:
    """`! guard_seed  high  unacknowledged for 2m10s FIRST`; ! marks what waits for somebody."""
    words = [
        "!" if row["waiting"] else " ",
        row["tag"],
        f" {row['priority']} ",
        row["state"].replace("_", " "),
        f"for {span(row['since_s'])}" if row["since_s"] is not None else "",
        "FIRST" if row["first_out"] else "",
    ]
    return heading(" ".join(word for word in words if word))


def _block(row: Mapping[str, Any]) -> Table:
    block = Table.grid(padding=(0, 2, 0, 0))
    block.add_column(width=NAME_COLUMNS, no_wrap=True)
    block.add_column(max_width=COLUMNS_MAX - NAME_COLUMNS - 2, overflow="fold")
    lines = [("what", row["text"]), ("otherwise", row["consequence"])]
    lines += [("look at" if place == 0 else "", look) for place, look in enumerate(row["look"])]
    lines.append(("do", row["do"]))
    for name, text in lines:
        if text:
            block.add_row(f"  {name}", Text(text))
    return block


def _aside(row: Mapping[str, Any]) -> list[str]:
    condition = "there" if row["present"] else "gone"
    state = row["state"].replace("_", " ")
    if row["state"] == "suppressed_by_design":
        by = row["explained_by"]
        reason = "explains it" if by else "not enabled in this mode"
        return [row["tag"], state, by or "–", reason, "by itself", condition]
    if row["out_of_service"] is not None:
        out = row["out_of_service"]
        return [row["tag"], state, out["by"], out["why"], "when returned", condition]
    shelf = row["shelved"]
    if shelf is None:
        return [row["tag"], state, "–", "", "", condition]
    ends = f"in {span(shelf['left_s'])}" + (" or once returned" if shelf["one_shot"] else "")
    return [row["tag"], state, shelf["by"], shelf["why"], ends, condition]

"""`linectl commission SITE`: the list from power-on to the first hour, and signing it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.text import Text

from linectl.cli import granting
from linectl.cli.app import AsJson, SiteFolder, app
from linectl.cli.commission_page import write_page
from linectl.cli.commission_text import print_list, print_signing
from linectl.cli.moments import wall_clock
from linectl.cli.options import duration_ms
from linectl.cli.screen import say, say_json
from linectl.cli.writable import will_be_written
from linectl.commission.controller import RunningController
from linectl.commission.readiness import acts
from linectl.commission.readiness.listing import CommissionList, commission_list
from linectl.commission.readiness.record import Act
from linectl.errors import NoController, UsageError
from linectl.runtime.control import running_controller

NOT_READY = 1
CAUTION = (
    "CAUTION: an override lets machinery move although something on the list is not done. See that"
    " nobody is in reach, lock out before anyone reaches in; local codes come first. linectl is not"
    " a safety function: SAFETY.md."
)
SIGNING = (
    "Sign only what you have seen yourself. A signature is kept with your name; it is not lock-out,"
    " and no safety function is proven by it. Local codes come first: SAFETY.md."
)
EXAMPLE = """
Examples:

  linectl commission config/small

  linectl commission config/small --sign lock_out --by 'A. Example' --witness 'B. Example'

  linectl commission config/small --sign watchdog.io_sower --measured 850ms --by 'A. Example'

  linectl commission config/small --override field_tests --by 'A. Example' --why 'packing is not
  there yet' --for 2d
"""
Item = Annotated[str, typer.Option("--sign", metavar="ITEM", help="Sign this item.")]
Measured = Annotated[
    int | None,
    typer.Option(
        "--measured", parser=duration_ms, metavar="DURATION",
        help="With --sign watchdog.DEVICE: until its output dropped, such as 850ms.",
    ),
]  # fmt: skip
Override = Annotated[
    str,
    typer.Option("--override", metavar="ITEM", help="Answer for this item as it is, a while."),
]
Withdraw = Annotated[
    str, typer.Option("--withdraw", metavar="ITEM", help="Take a signature or an override back.")
]
By = Annotated[str, typer.Option(help="The name of the person who answers for it.")]
Witness = Annotated[str, typer.Option(help="Who saw it too.")]
Remark = Annotated[str, typer.Option(help="With --sign: a remark, kept with it.")]
Why = Annotated[str, typer.Option(help="With --override or --withdraw: why.")]
For = Annotated[
    int | None,
    typer.Option(
        "--for", parser=duration_ms, metavar="DURATION",
        help="With --override: for how long, 7d at most. It ends by itself.",
    ),
]  # fmt: skip
All = Annotated[bool, typer.Option("--all", help="Show what is done, too.")]
Page = Annotated[Path | None, typer.Option("--html", help="Write the list as a page to print.")]


@app.command(epilog=EXAMPLE)
def commission(
    site: SiteFolder,
    sign: Item = "",
    measured: Measured = None,
    override: Override = "",
    withdraw: Withdraw = "",
    by: By = "",
    witness: Witness = "",
    remark: Remark = "",
    why: Why = "",
    duration: For = None,
    every: All = False,
    html: Page = None,
    yes: granting.Yes = False,
    as_json: AsJson = False,
) -> None:
    """Shows what is left from power-on to the first hour, and why the line may not start yet.

    Each item is a fact that linectl checks itself, or a question that a person signs: what is
    signed is kept in signed.csv with its words, and counts no longer when what it rests on has
    changed. `run` refuses dry cycle and production until their items are done, or overridden by a
    named person, for a time, for what is missing then. Emergency stops, guards, watchdogs, the
    start warning and what keeps people out of reach are never overridden. What only a running
    controller can tell is asked of it. Exit 1 while production may not start.
    """
    asked = [bool(sign), bool(override), bool(withdraw)]
    if sum(asked) > 1:
        raise UsageError("one at a time: --sign, --override or --withdraw")
    if not any(asked) and (by or witness or remark or why or duration or measured):
        raise UsageError("say also what it is for: --sign, --override or --withdraw ITEM")
    if html is not None:
        will_be_written(html)
    listed = looked_at(site)
    if sign:
        _sign(listed, sign, measured, by, witness, remark, yes, as_json)
    elif override:
        _override(listed, override, by, why, duration, witness, yes, as_json)
    elif withdraw:
        granting.complete({"--by": by})
        _tell(acts.withdraw(listed, withdraw, wall_clock(), by=by, why=why), as_json)
    else:
        _show(listed, every, html, as_json)


def looked_at(site: Path) -> CommissionList:
    """The list of a site now; what only a running controller can tell is asked of it."""
    return commission_list(site, _status(site), wall_clock())


def _status(site: Path) -> Mapping[str, Any] | None:
    """The running controller's status; None without one."""
    try:
        return RunningController(site).status()
    except NoController:
        if running_controller(site) is not None:
            raise  # it holds its socket and does not answer: that is no list to print
        return None


def _show(listed: CommissionList, every: bool, html: Path | None, as_json: bool) -> None:
    if html is not None:
        write_page(html, listed, wall_clock())
    if as_json:
        say_json(listed.as_json())
    else:
        print_list(listed, every)
    if not listed.ready:
        raise typer.Exit(NOT_READY)


def _sign(
    listed: CommissionList, name: str, measured: int | None, by: str, witness: str, remark: str,
    yes: bool, as_json: bool,
) -> None:  # fmt: skip
    """The text is shown, then agreed to, then kept."""
    granting.complete({"--by": by})
    item = acts.may_sign(listed, name, measured)
    if not as_json:
        print_signing(item, by)
    granting.cautioned(SIGNING, yes)
    act = acts.sign(
        listed, name, wall_clock(), by=by, witness=witness, remark=remark, measured_ms=measured
    )
    _tell(act, as_json)


def _override(
    listed: CommissionList, name: str, by: str, why: str, for_ms: int | None, witness: str,
    yes: bool, as_json: bool,
) -> None:  # fmt: skip
    granting.complete({"--by": by, "--why": why, "--for": "" if for_ms is None else "given"})
    item = acts.may_override(listed, name, for_ms or 0)
    if not as_json:
        say(Text(f"{item.name}: {item.text}"), soft_wrap=True)
        say(Text(f"not done: {item.why}"), soft_wrap=True)
    granting.cautioned(CAUTION, yes)
    act = acts.override(
        listed, name, wall_clock(), by=by, why=why, for_ms=for_ms or 0, witness=witness
    )
    _tell(act, as_json)


def _tell(act: Act, as_json: bool) -> None:
    """What was kept: --json gives item, act, by, at, until."""
    if as_json:
        say_json({"item": act.item, "act": act.act, "by": act.by, "at": act.at, "until": act.until})
        return
    done = {"sign": "signed", "override": "overridden", "withdraw": "taken back"}[act.act]
    until = f" until {act.until[:16]}" if act.until else ""
    say(Text(f"{act.item}: {done} by {act.by}{until}; kept in signed.csv"))

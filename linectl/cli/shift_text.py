"""A recorded shift in the terminal."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rich.text import Text

from linectl.cli import shift_tables as tables
from linectl.cli.alarm_rates import rates_text
from linectl.cli.blend_went import print_went
from linectl.cli.screen import heading, say, span, table
from linectl.cli.shift import ROWS_SHOWN, trial
from linectl.cli.shift_clock import to_the_ms, wall_clock
from linectl.cli.shift_tables import Said, Shown
from linectl.line.trip_marks import sentence
from linectl.runtime.account import NO_CONTROLLER
from linectl.runtime.shift_report import ShiftReport


def print_report(report: ShiftReport) -> None:
    """All of it on standard output."""
    told = report.told
    said = wall_clock(told["shift"]["from_ms"])
    _title(told, said)
    _part("Gutters", tables.crops(told))
    _part("", tables.lanes(told))
    for blend in told["blends"]:
        print_went(blend)
    _part("Figures", tables.figures(told), told["kpi"]["source"])
    _part("", tables.terms(told))
    say(Text(told["kpi"]["remark"]))
    _waits(told, said)
    _part("Takt", tables.takt(told))
    _trips(told)
    _alarms(told, said)
    _interventions(told, said)
    _part("Ages by lane", tables.ages(told), f"at {told['ages']['at']}, as they stand now")
    for lane in told["pace"]["lanes"]:
        say(Text(lane["sentence"]))
    say(Text(told["pace"]["tolerance"]))


def when(told: Mapping[str, Any]) -> str:
    """From when to when, in words."""
    shift = told["shift"]
    start, end = shift["from"].replace("T", " "), shift["to"].replace("T", " ")
    text = f"{start} to {end}"
    return text + f", under way: {span(shift['told_s'])} told" if shift["under_way"] else text


def without_controller_s(told: Mapping[str, Any]) -> float:
    """Seconds of the shift in which no controller ran."""
    rows = [r for r in told["states"] if r["state"] == NO_CONTROLLER and r["unit"] == "sowing"]
    return float(sum(row["to_s"] - row["from_s"] for row in rows))


def _part(title: str, shown: Shown, beside: str = "") -> None:
    say(Text())
    if title:
        say(heading(title), Text(beside))
    say(table(shown.columns, shown.rows))


def _title(told: Mapping[str, Any], said: Said) -> None:
    say(heading(f"{told['site']}: shift"), Text(when(told)))
    none_s = without_controller_s(told)
    if none_s or len(told["controller"]) > 1:
        text = (
            f"none for up to {span(none_s)}, counted from the last record before"
            if none_s
            else "never without one"
        )
        _part("Controller", tables.controllers(told, said), text)
    for row in told["controller"]:
        if row["clock"]:
            say(Text(f"At start {row['boot']} {row['clock']} Times here are the ledger's."))


def _waits(told: Mapping[str, Any], said: Said) -> None:
    say(Text())
    if not told["pareto"]:
        say(heading("Waits"), Text("neither unit waited"))
        return
    say(heading("Waits"), Text("by reason, the longest first"))
    shown = tables.pareto(told)
    say(table(shown.columns, shown.rows[:ROWS_SHOWN]))
    shown = tables.stands(told, said)
    if shown.rows:
        say(Text())
        say(heading("Stands"), Text("of a whole unit, and what the other one waited for meanwhile"))
        say(table(shown.columns, shown.rows[:ROWS_SHOWN]))
    more, few = len(shown.rows) - ROWS_SHOWN, tables.shorter(told)
    if more > 0:
        say(Text(f"and {more} more: --json has them all"))
    if few:
        say(Text(f"and {few} shorter than {tables.STANDS_FROM_S:g} s"))


def _trips(told: Mapping[str, Any]) -> None:
    say(Text())
    if not told["trips"]:
        say(heading("Stops by causes"), Text("none"))
        return
    say(heading("Stops by causes"), Text("what came first, as scan and ages of readings can tell"))
    for trip in told["trips"][:ROWS_SHOWN]:
        say(Text(trip_sentence(told, trip)))


def trip_sentence(told: Mapping[str, Any], trip: Mapping[str, Any]) -> str:
    """The one line on a trip, with its time of day."""
    return sentence(trip, to_the_ms(told["shift"]["from_ms"], trip["at_s"]))


def _alarms(told: Mapping[str, Any], said: Said) -> None:
    say(Text())
    if not told["alarms"]:
        say(heading("Alarms"), Text("none"))
        return
    say(heading("Alarms"), Text(rates_text(told["alarm_rates"])))
    rows = [
        [
            "before" if a["began_before"] else said(a["from_s"]),
            "stands" if a["ongoing"] else said(a["to_s"]),
            a["priority"], "first" if a["first_out"] else "", a["tag"], a["text"],
        ]
        for a in told["alarms"][:ROWS_SHOWN]
    ]  # fmt: skip
    say(table(">from|>to|priority|out|tag|what", rows))
    if len(told["alarms"]) > ROWS_SHOWN:
        say(Text(f"and {len(told['alarms']) - ROWS_SHOWN} more: --json has them all"))


def _interventions(told: Mapping[str, Any], said: Said) -> None:
    if not told["interventions"]:
        return
    rows = [
        [
            said(row["from_s"]), "stands" if row["ongoing"] else said(row["to_s"]),
            row["ended_by"], trial(row), row["text"],
        ]
        for row in told["interventions"][:ROWS_SHOWN]
    ]  # fmt: skip
    say(Text())
    say(heading("Bypassed, forced, overridden"))
    say(table(">from|>to|ended by|trial|what", rows))

"""Writes a shift as one HTML page, a rehearsed or a recorded one; prints well in grey."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined

from linectl import __version__
from linectl.cli import alarm_rates, blend_went, plots, shift_tables
from linectl.cli.screen import clock, span
from linectl.cli.shift import happening, short_waits, stoppages, trial, trip_line, wait_s
from linectl.cli.shift_clock import open_ended, wall_clock
from linectl.cli.shift_text import trip_sentence, when, without_controller_s
from linectl.cli.timeline import LETTER_WIDTH, WIDTH, timeline
from linectl.errors import Unreachable
from linectl.runtime.rehearsal import Options, Result
from linectl.runtime.shift_report import ShiftReport


def write_rehearsal(path: Path, result: Result, options: Options) -> None:
    """Write a rehearsal's page. Raises Unreachable if the file cannot be written."""
    played = [happening(action) for action in options.scenario if action.at_ms <= options.for_ms]
    page = (
        environment(clock)
        .get_template("shift.html")
        .render(
            result=result,
            line=timeline(result, result["simulated_s"]),
            waits=stoppages(result),
            short_waits=short_waits(result),
            wait_s=wait_s,
            trip_line=trip_line,
            rates=result.get("alarm_rates"),
            tables=alarm_rates,
            blends=blend_went,
            clock=clock,
            width=WIDTH,
            letter=LETTER_WIDTH,
            played=played,
            version=__version__,
        )
    )
    write_page(path, page)


def write_shift(path: Path, report: ShiftReport) -> bool:
    """Write a recorded shift's page; False if it has no plots, for want of the extra `report`.

    Raises Unreachable if the file cannot be written.
    """
    told = report.told
    said = wall_clock(told["shift"]["from_ms"])
    drawn = plots.draw(report, said) if plots.can_draw() else None
    page = (
        environment(said)
        .get_template("report.html")
        .render(
            told=told,
            line=timeline(
                {**told, "alarms": open_ended(told["alarms"])}, told["shift"]["told_s"], said
            ),
            shown=shift_tables,
            tables=alarm_rates,
            blends=blend_went,
            said=said,
            plots=drawn,
            extra=plots.EXTRA,
            when=when(told),
            none_s=without_controller_s(told),
            alarms=open_ended(told["alarms"]),
            interventions=open_ended(told["interventions"]),
            trip_line=lambda trip: trip_sentence(told, trip),
            width=WIDTH,
            letter=LETTER_WIDTH,
            version=__version__,
        )
    )
    write_page(path, page)
    return drawn is not None


def environment(said: Callable[[float | None], str]) -> Environment:
    """The pages' templates; `said` tells a time."""
    environment = Environment(
        loader=PackageLoader("linectl.cli", "pages"), autoescape=True, undefined=StrictUndefined
    )
    environment.filters["clock"] = said
    environment.filters["span"] = span
    environment.filters["trial"] = trial
    return environment


def write_page(path: Path, page: str) -> None:
    """Raises Unreachable if the file cannot be written."""
    try:
        path.write_text(page, encoding="utf-8")
    except OSError as error:
        raise Unreachable(f"{path}: cannot be written ({error.strerror})") from error

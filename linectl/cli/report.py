"""Writes a rehearsed shift as one HTML page: account, timeline, tables; prints well in grey."""

from __future__ import annotations

from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined

from linectl import __version__
from linectl.cli import alarm_rates
from linectl.cli.screen import clock, span
from linectl.cli.shift import happening, short_waits, stoppages, trial, trip_line, wait_s
from linectl.cli.timeline import LETTER_WIDTH, WIDTH, timeline
from linectl.errors import Unreachable
from linectl.runtime.rehearsal import Options, Result


def write_report(path: Path, result: Result, options: Options) -> None:
    """Write the page. Raises Unreachable if the file cannot be written."""
    environment = Environment(
        loader=PackageLoader("linectl.cli", "pages"), autoescape=True, undefined=StrictUndefined
    )
    environment.filters["clock"] = clock
    environment.filters["span"] = span
    environment.filters["trial"] = trial
    page = environment.get_template("shift.html").render(
        result=result,
        line=timeline(result),
        waits=stoppages(result),
        short_waits=short_waits(result),
        wait_s=wait_s,
        trip_line=trip_line,
        rates=result.get("alarm_rates"),
        tables=alarm_rates,
        width=WIDTH,
        letter=LETTER_WIDTH,
        played=[happening(action) for action in options.scenario if action.at_ms <= options.for_ms],
        version=__version__,
    )
    try:
        path.write_text(page, encoding="utf-8")
    except OSError as error:
        raise Unreachable(f"{path}: cannot be written ({error.strerror})") from error

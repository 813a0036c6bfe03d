"""Times as people type them: of a day, of a date, with an offset or local."""

from __future__ import annotations

import datetime as dt

import typer


def wall_clock() -> dt.datetime:
    """The wall clock, with its zone."""
    return dt.datetime.now().astimezone()


def a_day(text: str) -> dt.date:
    """A date. Raises BadParameter with the right form."""
    try:
        return dt.date.fromisoformat(text)
    except ValueError as error:
        raise typer.BadParameter(f"{text!r} is not a day; write 2026-03-02") from error


def a_time(text: str) -> dt.datetime:
    """A local time, or one with its own offset; without a day: today's. Raises BadParameter."""
    try:
        if "-" not in text and "T" not in text:
            return dt.datetime.combine(dt.date.today(), dt.time.fromisoformat(text))
        return dt.datetime.fromisoformat(text)
    except ValueError as error:
        raise typer.BadParameter(
            f"{text!r} is not a time; write 06:00, 2026-03-02T06:00 or 2026-03-02T06:00+01:00"
        ) from error

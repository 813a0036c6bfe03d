"""Options that several commands take, and how their text is read."""

from __future__ import annotations

import typer

from linectl.site.durations import parse_duration


def duration_ms(text: str) -> int:
    """A duration above zero, in ms."""
    try:
        milliseconds = parse_duration(text)
    except ValueError as error:
        raise typer.BadParameter(str(error)) from error
    if milliseconds <= 0:
        raise typer.BadParameter("must be longer than nothing")
    return milliseconds


def lanes_share(text: str) -> float:
    """`full`, `empty`, or a share from 0 to 1 of every lane's slots, from the mouth on."""
    named = {"full": 1.0, "empty": 0.0}
    try:
        share = named[text] if text in named else float(text)
    except ValueError:
        share = -1.0
    if not 0 <= share <= 1:
        raise typer.BadParameter(f"{text!r} is neither full, empty nor a share from 0 to 1")
    return share

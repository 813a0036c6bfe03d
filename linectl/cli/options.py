"""The options that commands take: their names, their help, and how their text is read."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

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


class Ripe(StrEnum):
    """Whether gutters are ejected only when ripe."""

    on = "on"
    off = "off"


ForMs = Annotated[
    int, typer.Option("--for", parser=duration_ms, metavar="DURATION", help="How long: 20m, 2h.")
]
Seed = Annotated[int, typer.Option(help="Seed of the plant's chance.")]
Scenario = Annotated[Path | None, typer.Option(help="What happens meanwhile: a scenario file.")]
Lanes = Annotated[
    float,
    typer.Option(
        parser=lanes_share,
        metavar="full|empty|FRACTION",
        help="How full the lanes are at start; a fraction stands from the mouth on.",
    ),
]
EveryTick = Annotated[
    bool, typer.Option("--every-tick", help="Scan every tick instead of leaping.")
]
IdealBus = Annotated[bool, typer.Option("--ideal-bus", help="Inputs and outputs arrive at once.")]
Wire = Annotated[
    bool, typer.Option("--wire", help="Real Modbus between two processes, in real time.")
]
RipeCheck = Annotated[Ripe, typer.Option(help="off: eject unripe gutters too.")]
LedgerFile = Annotated[
    Path | None, typer.Option(help="Keep the ledger in this file (otherwise in memory).")
]
EventsFile = Annotated[Path | None, typer.Option(help="Write events as JSON Lines.")]
ReportFile = Annotated[Path | None, typer.Option(help="Write a page to look at: FILE.html.")]
PlanFile = Annotated[
    Path | None,
    typer.Option("--plan", help="Follow a sowing plan, shift by shift, from its first day."),
]
OrdersFile = Annotated[
    Path | None, typer.Option("--orders", help="With --plan: what was ordered, by day and blend.")
]
MissedFile = Annotated[
    Path | None,
    typer.Option(
        "--missed",
        help="With --plan: what the plan said it would miss; missed.csv beside it if left out.",
    ),
]
Days = Annotated[
    int | None, typer.Option("--days", min=1, help="With --plan: only so many of its days.")
]
TraceFile = Annotated[
    Path | None, typer.Option(help="Record every frame of the wires; `linectl frames` reads it.")
]
SownFile = Annotated[
    Path | None,
    typer.Option(help="Write how the seeds lie on the gutters; `linectl seeding` takes the file."),
]

"""`linectl lanes SITE`: is each lane in time, and what must it give a day for its crops' days."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from linectl.cli.app import AsJson, SiteFolder, app
from linectl.cli.moments import a_time
from linectl.cli.run import LEDGER
from linectl.cli.screen import heading, say, say_json, table
from linectl.cli.writable import will_be_written
from linectl.errors import UsageError
from linectl.ledger.clock import wall_ms
from linectl.runtime.lane_look import LaneLook, look_at_full, look_at_ledger
from linectl.runtime.lane_pace import LanePace
from linectl.runtime.lane_rates import SHIFTS
from linectl.runtime.lane_words import sentence, tolerance_words
from linectl.runtime.shift_calendar import local, unix_ms
from linectl.site.load import load_site
from linectl.site.model import Site

EXAMPLE = """
Examples:

  linectl lanes config/fennmark

  linectl lanes config/fennmark --rate 1=25 --rate 3=14.5 --late 10

  linectl lanes config/small --ledger ledger.sqlite3 --plot lanes.svg
"""


def _rate(text: str) -> tuple[int, float]:
    lane, _, a_day = text.partition("=")
    try:
        rate = int(lane), float(a_day)
    except ValueError:
        rate = 0, -1.0
    if not 0 <= rate[1] < float("inf"):
        raise typer.BadParameter(f"{text!r} is not LANE=GUTTERS a day; write 3=14.5")
    return rate


@app.command(epilog=EXAMPLE)
def lanes(
    site: SiteFolder,
    ledger: Annotated[
        Path | None,
        typer.Option(help=f"The ledger's file; {LEDGER} in the site's folder if it is there."),
    ] = None,
    rate: Annotated[
        list[str] | None,
        typer.Option(metavar="LANE=N", help="Gutters a day of a lane, instead of the ledger's."),
    ] = None,
    late: Annotated[
        int, typer.Option(min=0, metavar="N", help="Show what N gutters not taken would do.")
    ] = 0,
    shifts: Annotated[
        int, typer.Option(min=1, max=366, help="Shifts that a lane's rate is taken from.")
    ] = SHIFTS,
    at: Annotated[
        dt.datetime | None,
        typer.Option(
            parser=a_time,
            metavar="TIME",
            help="As of then, not before the ledger's end; now if not.",
        ),
    ] = None,
    plot: Annotated[
        Path | None, typer.Option(help="Draw ages by slot and density over age: FILE.svg.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Tells of each lane if its gutters come out early or late, and the rate that keeps its days.

    From the ledger, also while the controller runs; without one, lanes stand full as shifts at
    their crops' days would have left them. A gutter that harvest does not take ages all others of
    its lane. Rates are gutters a day on the mean of a week. A plot needs the extra `report`.
    """
    found = ledger or (site / LEDGER if (site / LEDGER).is_file() else None)
    if found is None and at is not None:
        raise UsageError("--at wants a ledger: add --ledger FILE, or leave it out")
    said = dict(_rate(text) for text in rate or [])
    loaded = load_site(site)
    _known(loaded, said)
    if plot is not None:
        will_be_written(plot)
    if found is None:
        seen = look_at_full(loaded, said, late)
    else:
        at_ms = None if at is None else unix_ms(at)
        seen = look_at_ledger(loaded, str(found), wall_ms(), said, late, shifts, at_ms)
    if plot is not None:
        _draw(plot, seen)
    if as_json:
        say_json(seen.told())
    else:
        _print(seen)


def _known(site: Site, said: dict[int, float]) -> None:
    known = [lane.id for lane in site.file.lanes]
    for lane in said:
        if lane not in known:
            raise UsageError(f"--rate {lane}: {site.name} has lanes {known[0]} to {known[-1]}")


def _draw(file: Path, seen: LaneLook) -> None:
    from linectl.cli import plots

    if not plots.can_draw():
        raise UsageError(f"--plot needs the extra `{plots.EXTRA}`: pip install 'linectl[report]'")
    file.write_text(plots.draw_lanes(seen), encoding="utf-8")


def _print(seen: LaneLook) -> None:
    if seen.at_ms is None:
        words = "no ledger: full lanes as shifts at their crops' days would leave them"
    else:
        words = f"at {local(seen.at_ms):%Y-%m-%d %H:%M}, ledger {seen.ledger}"
    say(heading(f"{seen.site.name}: lanes,"), Text(words))
    say(table(*_table(seen)))
    say(Text())
    for lane in seen.lanes:
        say(Text(sentence(lane, seen.site)))
    say(Text(f"{tolerance_words()}; rates are gutters a day on the mean of a week"))


def _table(seen: LaneLook) -> tuple[str, list[list[str]]]:
    columns = ">lane|>slots|>standing|pitch, mm|plants/m²|at the tail|>its age"
    columns += "|>keeps a day|>gives|verdict"
    missed = seen.lanes[0].missed
    if missed:
        columns += f"|>{missed} missed"
    return columns, [_row(lane, missed) for lane in seen.lanes]


def _row(lane: LanePace, missed: int) -> list[str]:
    tail = lane.ages.slots[-1]
    ends = (lane.decks[0]["pitch_mm"][0], lane.decks[-1]["pitch_mm"][1])
    row = [
        str(lane.ages.lane), str(len(lane.ages.slots)), str(len(lane.stands)),
        _from_to(*ends), _from_to(lane.along[0].plants_m2, lane.along[-1].plants_m2),
        tail.crop.replace("_", " ") or tail.state,
        "–" if tail.days is None else f"{tail.days:.1f} d",
        "–" if lane.rates is None else f"{lane.rates.keeps:.1f}",
        "–" if lane.given is None else f"{lane.given.a_day:.1f}",
        lane.verdict,
    ]  # fmt: skip
    if missed:
        row.append("–" if lane.late is None else f"+{lane.late.tail:.1f} d")
    return row


def _from_to(mouth: float, tail: float) -> str:
    return f"{mouth:.0f}" if mouth == tail else f"{mouth:.0f} → {tail:.0f}"

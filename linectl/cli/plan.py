"""`linectl plan SITE ORDERS.csv`: what to sow and pull today, what is missed and why; calendar."""

from __future__ import annotations

import datetime as dt
import shlex
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer
from rich.progress import Progress as Bar
from rich.progress import SpinnerColumn, TextColumn, TimeElapsedColumn
from rich.text import Text

from linectl.cli.app import AsJson, SiteFolder, app
from linectl.cli.options import duration_ms, lanes_share
from linectl.cli.plan_page import write_page
from linectl.cli.run import LEDGER
from linectl.cli.screen import complain, error_console, heading, say, say_json, table
from linectl.crop.plan.demand import SURE
from linectl.crop.plan.highs import EXTRA, can_solve
from linectl.errors import Unreachable, UsageError
from linectl.image import Slot
from linectl.ledger.stand import read_last_set, read_stand
from linectl.runtime.planning import Planned, Wish, plan_site, shift_start_ms
from linectl.runtime.standing import standing
from linectl.site.crops import in_words
from linectl.site.load import load_site
from linectl.site.missed_file import write_missed
from linectl.site.model import Site
from linectl.site.orders_file import Order, read_orders
from linectl.site.plan_file import Allot, write_plan

DAYS_MAX = 400
ROWS_SHOWN = 30
"""Missed orders on the screen; the files and --json have all."""
EXAMPLE = """
Examples:

  linectl plan config/fennmark config/fennmark/orders.csv --lanes full --out plan

  linectl plan config/fennmark orders.csv --ledger config/fennmark/ledger.sqlite3 --days 40
"""


def _day(text: str) -> dt.date:
    try:
        return dt.date.fromisoformat(text)
    except ValueError as error:
        raise typer.BadParameter(f"{text!r} is not a day; write 2026-06-01") from error


Sure = Annotated[
    float,
    typer.Option(
        min=0.5,
        max=0.99999,
        help="Probability with which a crop's gutters of a day shall yield what is ordered.",
    ),
]
TimeLimit = Annotated[
    int,
    typer.Option(
        parser=duration_ms,
        metavar="DURATION",
        help="Time for the solver; then the best plan so far, and how far from the best it may be.",
    ),
]


@app.command(epilog=EXAMPLE)
def plan(
    site: SiteFolder,
    orders: Annotated[
        Path, typer.Argument(metavar="ORDERS", help="Orders as CSV: day,blend,packs,pack.")
    ],
    first: Annotated[
        dt.date | None,
        typer.Option("--from", parser=_day, metavar="DATE", help="The plan's first day; today, or "
                     "the first order's day with --lanes."),
    ] = None,
    days: Annotated[int, typer.Option(min=1, max=DAYS_MAX, help="Days that are planned.")] = 60,
    ledger: Annotated[
        Path | None,
        typer.Option(help=f"What stands: the ledger's file; {LEDGER} in the site's folder if not."),
    ] = None,
    lanes: Annotated[
        float | None,
        typer.Option(parser=lanes_share, metavar="full|empty|FRACTION", help="Instead of a ledger: "
                     "lanes as full as a rehearsal begins with."),
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="Write plan.csv, missed.csv and plan.html into this folder.")
    ] = None,
    sure: Sure = SURE,
    time_limit: TimeLimit = "55s",  # type: ignore[assignment]  # typer parses the text
    as_json: AsJson = False,
) -> None:  # fmt: skip
    """Plans sowing and pulling from orders by day and from what stands in the lanes.

    Says what to sow today by crop and lane, what to pull today, what cannot be met, when and why.
    What is sown stays as it is: run it again tomorrow, from the ledger, and it plans from what has
    really been done. Run it before the shift begins. It commands nothing: a person tells the line
    its list with the command that is printed.
    """
    loaded = load_site(site)
    if not can_solve():
        raise UsageError(f"plans need the extra `{EXTRA}`: pip install 'linectl[{EXTRA}]'")
    if ledger is not None and lanes is not None:
        raise UsageError("--ledger or --lanes: what stands comes from one of them")
    asked = read_orders(orders, loaded)
    start = _first(first, asked, lanes is not None)
    wish = Wish(start, days, sure, time_limit / 1000)
    _check(orders, asked, wish)
    if lanes is not None:
        slots = standing(loaded, lanes)
    else:
        file = str(ledger or site / LEDGER)
        slots = _from_ledger(loaded, file, start)
        loaded = _as_set(loaded, file)
    with _busy(f"planning {days} days of {loaded.name}"):
        planned = plan_site(loaded, asked, slots, wish)
    if out is not None:
        _write(out, planned)
    if as_json:
        say_json(planned.as_json())
    else:
        _show(planned, site, out)


def _first(first: dt.date | None, asked: Sequence[Order], rehearsed: bool) -> dt.date:
    if first is not None:
        return first
    return min(order.date for order in asked) if rehearsed and asked else dt.date.today()


def _check(file: Path, asked: Sequence[Order], wish: Wish) -> None:
    last = wish.first + dt.timedelta(days=wish.days - 1)
    if any(wish.first <= order.date <= last for order in asked):
        return
    dates = [order.date for order in asked]
    has = f"it has orders from {min(dates)} to {max(dates)}" if dates else "it has none at all"
    raise UsageError(f"{file}: no order from {wish.first} to {last}; {has}: see --from and --days")


def _from_ledger(site: Site, file: str, first: dt.date) -> list[Slot]:
    begin_ms = shift_start_ms(site, first)
    return [
        slot._replace(sown_at=slot.sown_at - begin_ms, ripe_at=slot.ripe_at - begin_ms)
        for slot in read_stand(file, site.name)
    ]


def _as_set(site: Site, ledger: str) -> Site:
    """The site with its lanes as people have set them, and what they have brought into the drum."""
    told = read_last_set(ledger)
    lanes = tuple(
        lane
        if (known := told.lanes.get(lane.id)) is None
        else lane.model_copy(
            update={"programme": "out_of_service" if known.locked_by else known.programme}
        )
        for lane in site.file.lanes
    )
    crop = told.crop if told.crop in site.crops.crops else site.file.sowing.crop
    sowing = site.file.sowing.model_copy(update={"crop": crop})
    file = site.file.model_copy(update={"lanes": lanes, "sowing": sowing})
    return site.model_copy(update={"file": file})


@contextmanager
def _busy(what: str) -> Iterator[None]:
    """A spinner with the time gone on a terminal; the solver says nothing on its way."""
    console = error_console()
    if not console.is_terminal:
        yield
        return
    with Bar(SpinnerColumn(), TextColumn("{task.description}"), TimeElapsedColumn(),
             console=console, transient=True) as bar:  # fmt: skip
        bar.add_task(what, total=None)
        yield


def _write(folder: Path, planned: Planned) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        write_plan(folder / "plan.csv", [each.day for each in planned.days])
        write_missed(folder / "missed.csv", planned.missed)
        write_page(folder / "plan.html", planned)
    except OSError as error:
        raise Unreachable(f"{folder}: cannot be written ({error.strerror})") from error


def _words(crop: str) -> str:
    return in_words(crop) or "not named"


def _show(planned: Planned, site: Path, out: Path | None) -> None:
    told = planned.as_json()
    last = planned.date(planned.case.days - 1)
    say(heading(f"{planned.site.name}:"), Text(f"plan from {planned.wish.first} to {last}"))
    share = 100 * (1 - told["short_gutters"] / max(1, told["ordered_gutters"]))
    say(
        Text(
            f"{told['ordered_gutters']} gutters ordered, {told['short_gutters']} missed"
            f" ({share:.1f} % met), {told['surplus_gutters']} pulled that nobody ordered"
        )
    )
    say(Text(solver_said(planned)))
    _today(planned, site)
    long = [each for each in planned.days if each.is_long]
    if long:
        say(Text())
        said = f"{len(long)}, the first on {long[0].day.date}: sowing takes longer than the shift"
        say(heading("Long days"), Text(f"{said}; the rest is for the next day"))
    _missed(planned)
    if out is not None:
        complain(f"{out}: plan.csv, missed.csv and plan.html written")


def solver_said(planned: Planned) -> str:
    """How good the plan is known to be."""
    plan = planned.plan
    if plan.proven:
        return "no plan is better, within the solver's tolerance"
    return (
        f"cost {plan.cost:,.0f}, no plan can be below {plan.bound:,.0f}: a better one may save up"
        f" to {plan.gap:.1%} (one gutter missed costs {planned.case.costs.short:g})"
    )


def _today(planned: Planned, site: Path) -> None:
    today = planned.today
    say(Text())
    if not (today.sow or today.pull):
        say(heading(f"{today.date}:"), Text("nothing to sow, nothing to pull"))
        return
    say(heading(f"{today.date}, to sow, in this order"))
    say(table("crop|lane|>gutters", _rows(today.sow)))
    say(Text())
    say(heading("to pull"))
    say(table("crop|lane|>gutters", _rows(today.pull)))
    say(Text())
    say(Text("Tell the line; what is at work follows it from its next gutter on:"))
    words = f"linectl command {shlex.quote(str(site))} line {planned.command} --by NAME"
    say(Text(words), soft_wrap=True)


def _rows(listed: Sequence[Allot]) -> list[list[object]]:
    return [[_words(each.crop), each.lane, each.gutters] for each in listed]


def _missed(planned: Planned) -> None:
    say(Text())
    if not planned.missed:
        say(heading("Missed"), Text("nothing"))
        return
    say(heading("Missed"))
    rows = [[m.date, _words(m.crop), m.gutters, f"{m.kg:.1f}", m.why] for m in planned.missed]
    say(table("day|crop|>gutters|>kg|why", rows[:ROWS_SHOWN]))
    if len(rows) > ROWS_SHOWN:
        say(Text(f"and {len(rows) - ROWS_SHOWN} more: see missed.csv (--out) or --json"))

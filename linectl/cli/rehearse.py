"""`linectl rehearse SITE`: a shift on the plant model, and its account."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import typer

from linectl.cli.app import AsJson, SiteFolder, app
from linectl.cli.followed import follow, kept, print_followed, read_book, read_days
from linectl.cli.options import (
    Days,
    EventsFile,
    EveryTick,
    ForMs,
    IdealBus,
    Lanes,
    LedgerFile,
    MissedFile,
    OrdersFile,
    PlanFile,
    ReportFile,
    Ripe,
    RipeCheck,
    Scenario,
    Seed,
    SownFile,
    TraceFile,
    Wire,
)
from linectl.cli.screen import progress, say_json
from linectl.cli.shift import print_shift
from linectl.cli.writable import will_be_written
from linectl.errors import UsageError
from linectl.runtime.deliveries import Book
from linectl.runtime.rehearsal import Options, Progress, Result
from linectl.site.load import load_site
from linectl.site.model import Site
from linectl.site.plan_file import Day
from linectl.site.scenario import STALL, Action, load_scenario

SHIFT = "2h"
EXAMPLE = """
Examples:

  linectl rehearse config/fennmark

  linectl rehearse config/small --for 20m --seed 7 --scenario sim/scenarios/guard_opened.yaml

  linectl rehearse config/fennmark --plan plan.csv --orders orders.csv --report plan.html
"""


@app.command(epilog=EXAMPLE)
def rehearse(
    context: typer.Context,
    site: SiteFolder,
    for_ms: ForMs = SHIFT,  # type: ignore[assignment]  # typer parses the text
    seed: Seed = 1,
    scenario: Scenario = None,
    lanes: Lanes = "full",  # type: ignore[assignment]  # typer parses the text
    every_tick: EveryTick = False,
    ideal_bus: IdealBus = False,
    wire: Wire = False,
    ripe_check: RipeCheck = Ripe.on,
    ledger: LedgerFile = None,
    events: EventsFile = None,
    report: ReportFile = None,
    trace: TraceFile = None,
    sown: SownFile = None,
    plan: PlanFile = None,
    orders: OrdersFile = None,
    missed: MissedFile = None,
    days: Days = None,
    as_json: AsJson = False,
) -> None:
    """Runs the controller on the plant model and reports the shift.

    Virtual time, thousands of times faster than the line; with --wire over real Modbus in real
    time. Without a scenario harvest stalls from 20m to 35m. Exit 1 if the auditor saw a rule
    violated.

    With --plan people follow its lists from shift to shift, the nights leapt over, and nothing
    stalls; exit 1 also if an order was missed that the plan had not named.
    """
    _refuse_together(context)
    loaded = load_site(site)
    options = Options(
        for_ms=for_ms,
        seed=seed,
        scenario=_scenario(scenario, loaded, plan is not None),
        lanes=lanes,
        every_tick=every_tick,
        ideal_bus=ideal_bus,
        ripe_check=ripe_check is Ripe.on,
        ledger=":memory:" if ledger is None else str(ledger),
        events=events,
        trace=trace,
        sown=sown,
    )
    for target in filter(None, (events, report, trace, sown)):
        will_be_written(target)
    if plan is not None:
        work, book = read_days(plan, loaded, days), read_book(loaded, plan, orders, missed)
        _follow(loaded, options, report, as_json, work, book)
    else:
        _play(loaded, options, report, as_json, _over_wire if wire else _on_bench)


def _refuse_together(context: typer.Context) -> None:
    """Raises UsageError for options that do not go together."""
    given = context.params
    wire = given["wire"]
    if wire and (given["every_tick"] or given["ideal_bus"]):
        raise UsageError("--every-tick and --ideal-bus belong to virtual time: leave out --wire")
    if given["trace"] is not None and not wire:
        raise UsageError("--trace records the wires, and virtual time has none: add --wire")
    if given["sown"] is not None and wire:
        raise UsageError("--sown asks the plant model of a rehearsal in virtual time: no --wire")
    if given["plan"] is not None and (wire or _given(context, "for_ms")):
        raise UsageError("a plan has its own days, in virtual time: leave out --for and --wire")
    of_plan = (given["orders"], given["missed"], given["days"])
    if given["plan"] is None and any(each is not None for each in of_plan):
        raise UsageError("--orders, --missed and --days belong to a plan: add --plan FILE")


def _play(
    site: Site,
    options: Options,
    report: Path | None,
    as_json: bool,
    run: Callable[[Site, Options, Progress], Result],
) -> None:
    """Rehearse one shift, tell it, and end with 1 if a rule was violated."""
    with progress(f"rehearsing {site.name}", options.for_ms) as tell:
        result = run(site, options, tell)
    if report is not None:
        from linectl.cli.shift_page import write_rehearsal

        write_rehearsal(report, result, options)
    if as_json:
        say_json(result)
    else:
        print_shift(result, options)
    if result["violations"]:
        raise typer.Exit(1)


def _scenario(scenario: Path | None, site: Site, planned: bool) -> tuple[Action, ...]:
    """What happens meanwhile; unless a file says so, harvest stalls, but not while a plan runs."""
    if scenario is not None:
        return load_scenario(scenario, site)
    return () if planned else STALL


def _given(context: typer.Context, name: str) -> bool:
    """True if the person wrote that option."""
    source = context.get_parameter_source(name)
    return source is not None and source.name != "DEFAULT"


def _follow(
    site: Site,
    options: Options,
    report: Path | None,
    as_json: bool,
    days: Sequence[Day],
    book: Book,
) -> None:
    """Rehearse a plan, tell it, and end with 1 if something came that it had not said."""
    result = follow(site, options, days, book)
    if report is not None:
        from linectl.cli.followed_page import write_followed

        write_followed(report, result)
    if as_json:
        say_json(result)
    else:
        print_followed(result)
    if not kept(result):
        raise typer.Exit(1)


def _on_bench(site: Site, options: Options, tell: Progress) -> Result:
    from linectl.runtime.virtual import rehearse as run

    return run(site, options, tell).as_json()


def _over_wire(site: Site, options: Options, tell: Progress) -> Result:
    from linectl.runtime.wire import rehearse as run

    return run(site, options, tell)

"""`linectl rehearse SITE`: a shift on the plant model, and its account."""

from __future__ import annotations

import typer

from linectl.cli.app import AsJson, SiteFolder, app
from linectl.cli.options import (
    EventsFile,
    EveryTick,
    ForMs,
    IdealBus,
    Lanes,
    LedgerFile,
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
from linectl.runtime.rehearsal import Options, Progress, Result
from linectl.site.load import load_site
from linectl.site.model import Site
from linectl.site.scenario import STALL, load_scenario

SHIFT = "2h"
EXAMPLE = """
Examples:

  linectl rehearse config/fennmark

  linectl rehearse config/small --for 20m --seed 7 --scenario sim/scenarios/guard_opened.yaml
"""


@app.command(epilog=EXAMPLE)
def rehearse(
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
    as_json: AsJson = False,
) -> None:
    """Runs the controller on the plant model and reports the shift.

    Virtual time, thousands of times faster than the line; with --wire over real Modbus in real
    time. Without a scenario harvest stalls from 20m to 35m. Exit 1 if the auditor saw a rule
    violated.
    """
    loaded = load_site(site)
    options = Options(
        for_ms=for_ms,
        seed=seed,
        scenario=STALL if scenario is None else load_scenario(scenario, loaded),
        lanes=lanes,
        every_tick=every_tick,
        ideal_bus=ideal_bus,
        ripe_check=ripe_check is Ripe.on,
        ledger=":memory:" if ledger is None else str(ledger),
        events=events,
        trace=trace,
        sown=sown,
    )
    for target in (events, report, trace, sown):
        if target is not None:
            will_be_written(target)
    if wire and (every_tick or ideal_bus):
        raise UsageError("--every-tick and --ideal-bus belong to virtual time: leave out --wire")
    if trace is not None and not wire:
        raise UsageError("--trace records the wires, and virtual time has none: add --wire")
    if sown is not None and wire:
        raise UsageError("--sown asks the plant model of a rehearsal in virtual time: no --wire")
    with progress(f"rehearsing {loaded.name}", for_ms) as tell:
        result = _over_wire(loaded, options, tell) if wire else _on_bench(loaded, options, tell)
    if report is not None:
        from linectl.cli.shift_page import write_rehearsal

        write_rehearsal(report, result, options)
    if as_json:
        say_json(result)
    else:
        print_shift(result, options)
    if result["violations"]:
        raise typer.Exit(1)


def _on_bench(site: Site, options: Options, tell: Progress) -> Result:
    from linectl.runtime.virtual import rehearse as run

    return run(site, options, tell).as_json()


def _over_wire(site: Site, options: Options, tell: Progress) -> Result:
    from linectl.runtime.wire import rehearse as run

    return run(site, options, tell)

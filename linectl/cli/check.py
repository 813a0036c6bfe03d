"""`linectl check SITE`: every error of a site's files, or its takt, wires and reactions."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

import typer
from rich.text import Text

from linectl.cli.app import AsJson, SiteFolder, app
from linectl.cli.bus_tables import print_ages, print_buses, print_plan
from linectl.cli.screen import heading, say, say_json, table
from linectl.commission.site_report import EyeRow, ReactionRow, SiteReport, site_report
from linectl.crop.pace import DAY_MS
from linectl.crop.site_takt import SiteTakt
from linectl.errors import Finding
from linectl.site.check_geometry import SEEN_TIMES
from linectl.site.durations import format_duration

WRONG = 1
MINUTE_MS = 60_000
EYES_SHOWN = 6
"""Eyes that a person is shown: those nearest to missing a gutter."""
EXAMPLE = """
Examples:

  linectl check config/fennmark

  linectl check config/fennmark --plan
"""

WithPlan = Annotated[
    bool,
    typer.Option(
        "--plan",
        help="Show every reaction, and every request of every bus and what the plan saves.",
    ),
]


@app.command(epilog=EXAMPLE)
def check(site: SiteFolder, plan: WithPlan = False, as_json: AsJson = False) -> None:
    """Checks a site's files: all errors at once, each with its file, line and key.

    If they are right: takt by station, gutters per hour by lane, bus budget, ages of interlock
    inputs and worst reactions.
    Exit 1 if something is wrong.
    """
    report = site_report(site)
    if as_json:
        say_json(report.as_json(plan))
    else:
        print_report(report, plan)
    if not report.ok:
        raise typer.Exit(WRONG)


def print_report(report: SiteReport, plan: bool = False) -> None:
    """The report in words on standard output; `plan`: with every request of the read plan."""
    _findings("error", report.errors)
    _findings("warning", report.warnings)
    site = report.site
    if site is None or report.takt is None:
        return
    say(
        heading(f"{site.name}:"),
        Text(f"{len(site.points)} points, {len(site.file.devices)} devices"),
    )
    _takt(report.takt)
    print_buses(report.buses)
    print_ages(report.ages)
    _reactions(report.reactions, plan)
    say(Text())
    say(heading("Tools:"), Text("where each switches, behind the point aimed at"))
    say(
        table(
            "station|>mean|>jitter",
            [[t.station, f"{t.mean_mm:.0f} mm", f"± {t.jitter_mm:.0f} mm"] for t in report.tools],
        )
    )
    _eyes(report.eyes)
    if plan:
        print_plan(report.buses, report.plan)


def _findings(kind: str, found: Sequence[Finding]) -> None:
    if not found:
        return
    say(heading(f"{len(found)} {kind}{'s' if len(found) != 1 else ''}"))
    for one in found:
        say(Text(f"  {one.file}:{one.line}: {one.key}: {one.message}"))
        if one.hint:
            say(Text(f"      {one.hint}"))
    say(Text())


def _takt(takt: SiteTakt) -> None:
    say(Text())
    text = (
        f"asked {takt.takt_ms / 1000:.0f} s, possible {takt.possible_ms / 1000:.1f} s"
        f" (slowest: {takt.slowest.name})"
    )
    say(heading("Takt:"), Text(text))
    rows = [
        [c.name, f"{c.cycle_ms / 1000:.1f} s", f"{c.gutters_per_hour:.0f}"] for c in takt.stations
    ]
    say(table("station|>takt|>gutters/h", rows))
    say(Text())
    lanes = [[lane.name, f"{lane.gutters_per_hour:.0f}"] for lane in takt.lanes]
    lanes.append(["together", f"{takt.lanes_per_hour:.0f}"])
    say(table("lane|>gutters/h", lanes))
    stands = f"{takt.residence_days:.3g} days"
    if takt.residence_days < 1:
        stands = format_duration(round(takt.residence_days * DAY_MS / MINUTE_MS) * MINUTE_MS)
    say(Text(f"at full takt a gutter stands {stands}"))


def _reactions(reactions: Sequence[ReactionRow], every: bool) -> None:
    """The slowest reaction of every effect and all that are too slow; or all of them."""
    slowest: dict[str, ReactionRow] = {}
    for row in reactions:
        if row.effect not in slowest or row.worst_ms > slowest[row.effect].worst_ms:
            slowest[row.effect] = row
    shown = [row for row in reactions if every or not row.ok or row is slowest[row.effect]]
    rows = [
        [row.effect, row.cause, f"{row.worst_ms:.0f} ms",
         "–" if row.limit_ms is None else f"{row.limit_ms:.0f} ms", "yes" if row.ok else "NO",
         f"{row.worst_ms + row.silent_ms:.0f} ms"]
        for row in shown
    ]  # fmt: skip
    say(Text())
    which = "worst case" if every else "slowest cause of each effect, worst case; all with --plan"
    say(heading("Reactions:"), Text(which))
    say(table("effect|cause|>worst|>allowed|in time|>with one device silent", rows))


def _eyes(eyes: Sequence[EyeRow]) -> None:
    """The eyes with the slimmest margins, and all that could miss a gutter."""
    shown = list(eyes[:EYES_SHOWN]) + [eye for eye in eyes[EYES_SHOWN:] if not eye.ok]
    rows = [
        [
            eye.tag, f"{eye.shortest_ms:.0f} ms", f"{eye.worst_age_ms:.0f} ms",
            f"{eye.margin:.1f} ×", "yes" if eye.ok else "NO",
        ]
        for eye in shown
    ]  # fmt: skip
    say(Text())
    say(
        heading("Eyes:"),
        Text(f"the {len(rows)} slimmest margins of {len(eyes)}, at least {SEEN_TIMES} × is asked"),
    )
    say(table("eye|>shortest signal|>worst age|>margin|seen", rows))

"""Checks a site's folder whole: files, their agreement, takt, what differs from the approval."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Mapping
from dataclasses import dataclass

from linectl.commission.check_setpoints import set_point_findings
from linectl.crop.pace import DAY_MS
from linectl.crop.site_takt import SiteTakt, site_takt
from linectl.crop.takt import HOUR_MS
from linectl.errors import Finding
from linectl.site.approval import approval_findings
from linectl.site.durations import format_duration
from linectl.site.load import read_site
from linectl.site.model import Site
from linectl.site.sheet import Node, TreePath, dotted

RESIDENCE_SLACK = 0.25
"""Share by which the residence at full takt may leave the range of the crops' days, unremarked."""


@dataclass(frozen=True)
class CheckReport:
    """What `check` found. `site` is None if the files are wrong; a takt that cannot be given is
    an error too, but leaves the site readable."""

    site: Site | None
    errors: tuple[Finding, ...]
    warnings: tuple[Finding, ...]
    takt: SiteTakt | None

    @property
    def ok(self) -> bool:
        return not self.errors


def check_site(folder: str | os.PathLike[str]) -> CheckReport:
    """Reads, cross-checks and times the site in `folder`; never raises for what is in the files."""
    reading = read_site(folder)
    if reading.site is None:
        return CheckReport(None, reading.errors, reading.warnings, None)
    times = site_takt(reading.site)
    told = set_point_findings(reading.site, reading.trees, dt.date.today())
    errors = [*_takt_errors(times, reading.trees), *told.errors]
    warnings = [
        *reading.warnings,
        *told.warnings,
        *_takt_warnings(reading.site, times, reading.trees),
        *approval_findings(reading.site),
    ]
    return CheckReport(reading.site, tuple(errors), tuple(warnings), times)


def _site_finding(
    trees: Mapping[str, Node], path: TreePath, message: str, hint: str | None = None
) -> Finding:
    node = trees["site.yaml"].at(path)
    return Finding(node.file, node.line, dotted(path), message, hint)


def _takt_errors(times: SiteTakt, trees: Mapping[str, Node]) -> list[Finding]:
    """Each station, and the lanes together, against the takt asked for."""
    asked = format_duration(times.takt_ms)
    found = []
    for cycle in times.stations:
        if cycle.cycle_ms > times.takt_ms:
            steps = ", ".join(f"{step.text} {step.ms / 1000:.1f} s" for step in cycle.steps)
            text = (
                f"{asked} is asked, but {cycle.name} needs {cycle.cycle_ms / 1000:.1f} s for a "
                f"gutter ({steps}, and {cycle.allowance_ms:.0f} ms of reaction for each)"
            )
            hint = f"takt: {-(-round(cycle.cycle_ms) // 1000)}s, or a faster {cycle.name}"
            found.append(_site_finding(trees, ("takt",), text, hint))
    wanted = HOUR_MS / times.takt_ms
    if times.lanes_per_hour < wanted:
        text = (
            f"{asked} is {wanted:.0f} gutters an hour, but all lanes together take "
            f"{times.lanes_per_hour:.0f}"
        )
        found.append(_site_finding(trees, ("takt",), text))
    return found


def _takt_warnings(site: Site, times: SiteTakt, trees: Mapping[str, Node]) -> list[Finding]:
    """Crops whose own lanes are too slow alone; a residence far from the crops' days."""
    found = []
    wanted = HOUR_MS / times.takt_ms
    speed = {cycle.name: cycle.gutters_per_hour for cycle in times.lanes}
    for crop in site.crops.crops:
        own = [lane.prefix for lane in site.file.lanes if crop in lane.crops]
        able = sum(speed[lane] for lane in own)
        if own and able < wanted:
            text = (
                f"sown alone, {crop} has {', '.join(own)} only, which take {able:.0f} gutters an "
                f"hour; the takt is {wanted:.0f}"
            )
            found.append(_site_finding(trees, ("lanes",), text))
    days = [crop.days_ms / DAY_MS for crop in site.crops.crops.values()]
    low, high = min(days) * (1 - RESIDENCE_SLACK), max(days) * (1 + RESIDENCE_SLACK)
    if not low <= times.residence_days <= high:
        text = (
            f"at full takt a gutter stands {times.residence_days:.3g} days (slots by gutters a "
            f"day, Little), the crops are planned for {min(days):.3g} to {max(days):.3g}"
        )
        found.append(_site_finding(trees, ("shift",), text))
    return found

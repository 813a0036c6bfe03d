"""What an integrator is told of a site before power is on: files, takt, wires, reactions, tools."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from linectl.commission.bus_report import (
    AgeRow,
    RequestRow,
    age_json,
    bus_json,
    interlock_ages,
    plan_fraction,
    request_json,
    request_rows,
)
from linectl.commission.check_site import check_site
from linectl.crop.site_takt import SiteTakt
from linectl.errors import Finding
from linectl.registers.budget import Budget, BusBudget
from linectl.site.check_geometry import SEEN_TIMES, shortest_signals
from linectl.site.hardware import Point
from linectl.site.interlocks import Effect
from linectl.site.iolist import Row
from linectl.site.load import read_sources
from linectl.site.machine import Fill, Seed, Water
from linectl.site.model import Site
from linectl.site.parts import Need, needs_of
from linectl.site.sheet import Node, dotted

TOOLS = {"fill": "doser", "water": "valve", "seed": "drum"}
"""Kind of station → the output that a passing gutter switches."""


@dataclass(frozen=True)
class ReactionRow:
    """Worst time from a cause's input to the last output of one of its effects, ms."""

    cause: str
    effect: str
    worst_ms: float
    limit_ms: float | None
    """The smallest reaction_limit of the zones concerned; None: the cause may act later."""
    silent_ms: float = 0.0
    """What a device that falls silent on one of these buses in that very moment may add."""

    @property
    def ok(self) -> bool:
        return self.limit_ms is None or self.worst_ms <= self.limit_ms


@dataclass(frozen=True)
class ToolRow:
    """How far a gutter has run on when its tool switches: speed × reaction, mm."""

    station: str
    mean_mm: float
    jitter_mm: float
    """Half of what lies between the earliest and the latest."""


@dataclass(frozen=True)
class EyeRow:
    """How well an eye sees what passes it: its shortest pulse or gap against its worst age."""

    tag: str
    shortest_ms: float
    worst_age_ms: float
    """Poll cycle, read, delays and scan: how old the value can be when the line acts on it."""

    @property
    def margin(self) -> float:
        """How many times its worst age the shortest signal lasts."""
        return self.shortest_ms / self.worst_age_ms

    @property
    def ok(self) -> bool:
        return self.margin >= SEEN_TIMES


@dataclass(frozen=True)
class SiteReport:
    """All that `check` says. `site` None: the files are wrong, and nothing else is known."""

    folder: str
    site: Site | None
    errors: tuple[Finding, ...]
    warnings: tuple[Finding, ...]
    takt: SiteTakt | None = None
    buses: tuple[BusBudget, ...] = ()
    reactions: tuple[ReactionRow, ...] = ()
    tools: tuple[ToolRow, ...] = ()
    eyes: tuple[EyeRow, ...] = ()
    """The slimmest margin first."""
    ages: tuple[AgeRow, ...] = ()
    """Every interlock input, in the order of the IO list."""
    plan: tuple[RequestRow, ...] = ()
    """Every read of every bus, in the order of a poll."""

    @property
    def ok(self) -> bool:
        return not self.errors

    def as_json(self, plan: bool = False) -> dict[str, Any]:
        """The object of `check --json`; `plan`: with the read plan."""
        site = self.site
        found: dict[str, Any] = {
            "site": site.name if site else Path(self.folder).resolve().name,
            "ok": self.ok,
            "errors": [_finding(found) for found in self.errors],
            "warnings": [_finding(found) for found in self.warnings],
            "points": len(site.points) if site else 0,
            "devices": len(site.file.devices) if site else 0,
            "buses": [bus_json(bus) for bus in self.buses],
            "reactions": [
                {
                    "cause": row.cause,
                    "effect": row.effect,
                    "worst_ms": row.worst_ms,
                    "limit_ms": row.limit_ms,
                    "ok": row.ok,
                    "silent_ms": row.silent_ms,
                }
                for row in self.reactions
            ],
            "takt": None if self.takt is None else _takt(self.takt),
            "tools": [
                {"station": t.station, "mean_mm": t.mean_mm, "jitter_mm": t.jitter_mm}
                for t in self.tools
            ],
            "eyes": [
                {
                    "tag": eye.tag,
                    "shortest_ms": eye.shortest_ms,
                    "worst_age_ms": eye.worst_age_ms,
                    "ok": eye.ok,
                }
                for eye in self.eyes
            ],
            "ages": [age_json(age) for age in self.ages],
        }
        if plan:
            found["plan"] = [request_json(row) for row in self.plan]
            found["plan_fraction"] = plan_fraction(self.buses)
        return found


def site_report(folder: str | os.PathLike[str]) -> SiteReport:
    """Reads, checks and times the site in `folder`; never raises for what is in its files."""
    checked = check_site(folder)
    site = checked.site
    if site is None:
        return SiteReport(str(folder), None, checked.errors, checked.warnings)
    budget = Budget(site)
    needs = needs_of(site.file)
    reactions = tuple(_reactions(site, budget, needs))
    eyes = tuple(sorted(_eyes(site, budget), key=lambda eye: (eye.margin, eye.tag)))
    sources = read_sources(Path(folder), [])
    trees = sources.trees
    found = [
        *_slow_buses(budget, trees["site.yaml"]),
        *_impatient_buses(budget, trees["site.yaml"]),
        *_late(reactions, trees["interlocks.yaml"]),
        *_missed(eyes, sources.rows),
    ]
    return SiteReport(
        str(folder),
        site,
        (*checked.errors, *found),
        checked.warnings,
        checked.takt,
        tuple(budget.buses.values()),
        reactions,
        tuple(_tools(site, budget)),
        eyes,
        interlock_ages(site, budget),
        request_rows(site, budget),
    )


def _finding(found: Finding) -> dict[str, Any]:
    return {
        "file": found.file,
        "line": found.line,
        "key": found.key,
        "message": found.message,
        "hint": found.hint,
    }


def _takt(takt: SiteTakt) -> dict[str, Any]:
    return {
        "asked_s": takt.takt_ms / 1000,
        "possible_s": takt.possible_ms / 1000,
        "slowest": takt.slowest.name,
        "stations": {cycle.name: cycle.cycle_ms / 1000 for cycle in takt.stations},
        "gutters_per_hour": {lane.name: lane.gutters_per_hour for lane in takt.lanes},
        "residence_days": takt.residence_days,
    }


def _reactions(site: Site, budget: Budget, needs: Mapping[str, Need]) -> Iterable[ReactionRow]:
    """One row for each cause that acts at once and each of its effects that has outputs."""
    tags = site.tags
    for name, cause in site.interlocks.causes.items():
        if cause.moment != "at_once":
            continue
        inputs = [site.points[tags[condition.point]] for condition in cause.when]
        for _, effect, kind in site.interlocks.cells(name):
            if kind == "permissive":
                continue
            outputs = _outputs(site, site.interlocks.effects[effect], needs)
            pairs = [(i, o) for i in inputs for o in outputs]
            if pairs:
                reactions = [budget.reaction(i, o) for i, o in pairs]
                worst = max(one.worst_ms for one in reactions) + cause.on_delay_ms
                silent = max(one.worst_ms + one.silent_ms for one in reactions)
                silent += cause.on_delay_ms - worst
                zones = {needs[output.tag].zone for output in outputs if output.tag in needs}
                limits = [site.file.zones[zone].reaction_limit_ms for zone in zones]
                limit = float(min(limits)) if limits else None
                yield ReactionRow(name, effect, worst, limit, silent)


def _outputs(site: Site, effect: Effect, needs: Mapping[str, Need]) -> list[Point]:
    """The moving outputs that an effect takes away."""
    moving = [
        point
        for point in site.points
        if point.direction == "out" and point.tag in needs and needs[point.tag].role.moves
    ]
    if effect.zone is not None:
        return [point for point in moving if needs[point.tag].zone == effect.zone]
    return [point for point in moving if point.tag in effect.outputs]


def _at(tree: Node, path: tuple[str, ...], message: str, hint: str | None = None) -> Finding:
    node = tree.at(path)
    return Finding(node.file, node.line, dotted(path), message, hint)


def _slow_buses(budget: Budget, tree: Node) -> Iterable[Finding]:
    for bus in budget.buses.values():
        if not bus.fits:
            needed = bus.wire_ms + bus.write_ms
            fullest = "" if bus.mean_ms >= bus.wire_ms else " in the fullest poll"
            text = (
                f"a poll every {bus.poll_ms} ms is asked, but its {bus.requests} reads take"
                f" {bus.wire_ms:.1f} ms{fullest} and its writes {bus.write_ms:.1f} ms"
            )
            hint = (
                f"poll: {int(needed) + 1}ms or slower, a faster line, fewer points on it, or"
                " slower polling classes for those that can wait"
            )
            yield _at(tree, ("buses", bus.name, "poll"), text, hint)


def _impatient_buses(budget: Budget, tree: Node) -> Iterable[Finding]:
    for bus in budget.buses.values():
        timeout_ms = budget.site.file.buses[bus.name].timeout_ms
        if bus.answer_ms > timeout_ms:
            text = (
                f"{timeout_ms} ms are over before the longest answer is here, which takes"
                f" {bus.answer_ms:.1f} ms from its request's end: it could never be read"
            )
            hint = f"timeout: {int(bus.answer_ms) + 1}ms or longer, or a faster line"
            yield _at(tree, ("buses", bus.name, "timeout"), text, hint)


def _late(reactions: Iterable[ReactionRow], tree: Node) -> Iterable[Finding]:
    for row in reactions:
        if not row.ok:
            text = (
                f"{row.effect} can come {row.worst_ms:.0f} ms after it; the zone allows"
                f" {row.limit_ms:.0f} ms"
            )
            hint = "poll faster, move the point to a faster bus, or shorten the delay"
            yield _at(tree, ("matrix", row.cause), text, hint)


def _eyes(site: Site, budget: Budget) -> Iterable[EyeRow]:
    """Every eye whose shortest signal follows from lengths and speeds."""
    shortest = shortest_signals(site.file.stations, site.file.lanes, site.file.gutter.length_mm)
    for tag, ms in shortest:
        point = site.points[site.tags[tag]]
        delay_ms = max(point.on_delay_ms, point.off_delay_ms)
        yield EyeRow(tag, ms, budget.worst_age_ms(point) + delay_ms + site.file.scan_ms)


def _missed(eyes: Iterable[EyeRow], rows: Iterable[Row]) -> Iterable[Finding]:
    lines = {row.tag: row for row in rows}
    for eye in eyes:
        if not eye.ok:
            text = (
                f"its shortest pulse or gap is {eye.shortest_ms:.0f} ms, under twice its worst"
                f" age of {eye.worst_age_ms:.0f} ms on this bus (poll, read, delays, scan)"
            )
            hint = "poll its bus faster, shorten the delay, or slow the motion"
            yield lines[eye.tag].finding("", text, hint)


def _tools(site: Site, budget: Budget) -> Iterable[ToolRow]:
    """Where a passing gutter's tool switches, against where it should: from the entry eye on."""
    tags = site.tags
    for name, station in site.file.stations.items():
        if not isinstance(station, Fill | Water | Seed):
            continue
        eye = site.points[tags[f"{name}.entry_eye"]]
        tool = site.points[tags[f"{name}.{TOOLS[station.kind]}"]]
        reaction = budget.reaction(eye, tool)
        chance_ms = sum(
            ms
            for term, ms in reaction.terms
            if term in ("poll cycle", "wait for read slot", "scan", "wait for write slot")
        )
        latest, earliest = reaction.worst_ms, reaction.worst_ms - chance_ms
        speed = station.speed_mm_s / 1000
        yield ToolRow(name, speed * (latest + earliest) / 2, speed * (latest - earliest) / 2)

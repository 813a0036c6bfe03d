"""What the matrix promises, cell by cell, read from the site's files and not from the line's rows.

A defect in the rows that the line runs on can so not change what is expected of them. Rows that
follow from the machine (structure, devices, supplies) are written nowhere: they are taken as
derived, and proven to act as derived.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import Literal

from linectl.line.build import rows_of
from linectl.line.cause_rows import Cause as Row
from linectl.site.interlocks import Cause, Condition, Effect, Kind
from linectl.site.model import Site
from linectl.site.parts import Need, needs_of

Needs = Mapping[str, Need]
Origin = Literal["written", "structure", "silence", "supply"]


@dataclass(frozen=True)
class Wanted:
    """One comparison, with the point's index."""

    index: int
    tag: str
    level: bool | None = None
    below: float | None = None
    above: float | None = None
    hysteresis: float = 0.0

    def holds(self, value: float | bool) -> bool:
        """The comparison on a good reading that did not hold before."""
        if self.level is not None:
            return bool(value) == self.level
        return (self.below is None or value < self.below) and (
            self.above is None or value > self.above
        )


@dataclass(frozen=True)
class Cell:
    """One effect of a cause: outputs off, a unit stopped, or a station without another gutter."""

    effect: str
    kind: Kind
    outputs: tuple[int, ...] = ()
    unit: str = ""
    action: str = ""
    station: str = ""


@dataclass(frozen=True)
class Promise:
    """One cause with all its cells."""

    name: str
    text: str
    origin: Origin
    wanted: tuple[Wanted, ...]
    needed: int
    cells: tuple[Cell, ...]
    left_out: bool = False
    """A bad point counts as no vote, not as its comparison holding."""
    on_delay_ms: int = 0
    off_delay_ms: int = 0
    modes: tuple[str, ...] = ()
    moment: str = "at_once"
    reset: str = "automatic"
    zone: str = ""
    device: str = ""
    """Whose silence it is."""
    group: str = ""
    """Which supply it is."""

    @property
    def outputs(self) -> frozenset[int]:
        """Every output that it is to switch off."""
        return frozenset(
            index for cell in self.cells if cell.kind != "permissive" for index in cell.outputs
        )

    @property
    def watched(self) -> frozenset[int]:
        """Every output of its cells, those that only may not come on included."""
        return frozenset(index for cell in self.cells for index in cell.outputs)

    @property
    def only_permits(self) -> bool:
        """True if every cell of it is permissive: nothing is stopped, only kept from starting."""
        return all(cell.kind == "permissive" for cell in self.cells)

    def of_unit(self, unit: str) -> str:
        """The strongest action that its cells ask of a unit; empty for none."""
        rank = ("", "suspend", "hold", "abort")
        actions = [c.action for c in self.cells if c.unit == unit and c.kind != "permissive"]
        return max(actions, key=rank.index, default="")


def promises(site: Site) -> tuple[Promise, ...]:
    """Every cause of the site that stops anything: written ones first, then derived ones."""
    needs = needs_of(site.file)
    causes = site.interlocks.causes
    written = [_written(site, needs, name, cause) for name, cause in causes.items()]
    known = {promise.name for promise in written}
    derived = [_derived(site, row) for row in rows_of(site) if row.name not in known]
    return tuple(promise for promise in (*written, *derived) if promise.cells)


def only_warns(site: Site) -> tuple[str, ...]:
    """Causes without a cell: they stop nothing, so there is nothing to prove of them."""
    return tuple(name for name in site.interlocks.causes if not site.interlocks.cells(name))


# what interlocks.yaml says ------------------------------------------------------------------------


def _written(site: Site, needs: Needs, name: str, cause: Cause) -> Promise:
    tags, effects = site.tags, site.interlocks.effects
    first = needs.get(cause.when[0].point)
    wanted = tuple(_wanted(condition, tags[condition.point]) for condition in cause.when)
    return Promise(
        name, cause.text, "written", wanted, cause.vote or len(wanted),
        tuple(
            _cell(site, needs, effects[cell.effect], cell.effect, cell.kind, cause.moment)
            for cell in site.interlocks.cells(name)
        ),
        cause.bad == "left_out", cause.on_delay_ms, cause.off_delay_ms, tuple(cause.modes),
        cause.moment, cause.reset, "" if first is None else first.zone,
    )  # fmt: skip


def _wanted(condition: Condition, index: int) -> Wanted:
    return Wanted(
        index, condition.point, condition.is_, condition.below, condition.above,
        condition.hysteresis,
    )  # fmt: skip


def _cell(site: Site, needs: Needs, effect: Effect, name: str, kind: Kind, moment: str) -> Cell:
    outputs = _outputs(site, needs, effect) if moment == "at_once" or kind == "permissive" else ()
    return Cell(name, kind, outputs, effect.unit or "", effect.action or "", effect.station or "")


def _outputs(site: Site, needs: Needs, effect: Effect) -> tuple[int, ...]:
    """Moving outputs by name, or of a zone: there a grip that holds a load by being on stays."""
    found = []
    for point in site.points:
        need = needs.get(point.tag)
        if point.direction != "out" or need is None or not need.role.moves:
            continue
        if any(fnmatchcase(point.tag, pattern) for pattern in effect.outputs) or (
            effect.zone == point.zone and (not point.holds_load or point.on_loss == "brakes")
        ):
            found.append(point.index)
    return tuple(found)


# what follows from the machine --------------------------------------------------------------------


def _derived(site: Site, row: Row) -> Promise:
    points = site.points
    wanted = tuple(
        Wanted(test.index, points[test.index].tag, test.level, test.low, test.high, test.hysteresis)
        for test in row.tests
    )
    origin: Origin = "structure"
    device = group = ""
    cells = list(_row_cells(site, row))
    if row.silence:
        origin, device = "silence", points[row.tests[0].index].device
        cells = [*_lost_with(site, device), *cells]
    elif row.together_ms:
        origin, group = "supply", points[row.tests[0].index].supply
    return Promise(
        row.name, row.text, origin, wanted, row.needed, tuple(cells), row.bad == "left_out",
        row.on_delay_ms, row.off_delay_ms, (), row.moment, row.reset, row.zone, device, group,
    )  # fmt: skip


def _row_cells(site: Site, row: Row) -> Iterator[Cell]:
    """The cells of a derived row: its outputs by the part that they move, its units."""
    by_part: dict[str, list[int]] = {}
    for point in site.points:
        if row.acts >> point.index & 1:
            by_part.setdefault(point.tag.rpartition(".")[0], []).append(point.index)
    for part, indices in by_part.items():
        roles = "+".join(site.points[index].tag.rpartition(".")[2] for index in indices)
        yield Cell(f"{part}.{roles} off", "acts", tuple(indices))
    for action in row.actions:
        kind: Kind = "latched" if action.latched else "acts"
        yield Cell(f"{action.action}_{action.unit}", kind, (), action.unit, action.action)


def _lost_with(site: Site, device: str) -> Iterator[Cell]:
    """What a silent device takes along: its own outputs, and those of its parts elsewhere."""
    needs = needs_of(site.file)
    outputs = [p for p in site.points if p.direction == "out" and p.tag in needs]
    moving = [point for point in outputs if needs[point.tag].role.moves]
    stations = site.file.stations
    parts = {needs[p.tag].part for p in site.points if p.device == device and p.tag in needs}
    own = tuple(p.index for p in moving if p.device == device)
    others = tuple(
        p.index for p in moving if p.device != device and needs[p.tag].part in parts & set(stations)
    )
    if own:
        yield Cell(f"outputs of {device} off", "acts", own)
    if others:
        yield Cell(f"parts with points on {device} off", "acts", others)

"""Defects planted into the line: its rows with one cell wrong, its gate passed by, wires swapped.

Only the line's own tables are altered, or the plant's wiring; what is expected of a cell comes
from the site's files and cannot follow.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from linectl.commission.prove.means import Act
from linectl.commission.prove.promised import Cell, Promise
from linectl.commission.prove.stand import Loss, Stand, WatchedLine
from linectl.line.cause_rows import Action, Cause, Hold, Test
from linectl.line.causes import Causes
from linectl.line.inputs import Inputs
from linectl.site.model import Site
from linectl.site.parts import needs_of

CELL_KINDS = (
    "dropped", "inverted", "delayed", "latch made automatic", "wrong zone", "quality ignored",
)  # fmt: skip
GATE, WIRES = "gate skipped", "wires swapped"
PAST_MS = 1_000
"""By how much a delay is planted beyond the slowest limit."""


@dataclass(frozen=True)
class Defect:
    """One defect: of which kind, in which cell, or at which output or pair of wires."""

    kind: str
    cause: str
    effect: str = ""
    output: int = -1
    other: str = ""
    """The tag whose wires are swapped with the cause's own."""
    name: str = ""

    def found(self, failed: dict[str, list[tuple[str, str]]], tag: str) -> bool:
        """True if these failed checks name its cell, its output, or its cause."""
        if self.kind == GATE:
            return any(tag in text for checks in failed.values() for _, text in checks)
        return bool(failed) if self.kind == WIRES else self.effect in failed


@dataclass(frozen=True)
class Inverted(Test):
    """A comparison the wrong way round."""

    def holds(self, inputs: Inputs, held: bool) -> bool:
        return not super().holds(inputs, held)


class DeafCauses(Causes):
    """Causes of which some take a bad reading for a healthy one."""

    deaf: frozenset[int] = frozenset()

    def _present(self, number: int, inputs: Inputs) -> bool:
        row = self.rows[number]
        if number not in self.deaf or all(inputs.good[test.index] for test in row.tests):
            return super()._present(number, inputs)
        good = [test for test in row.tests if inputs.good[test.index]]
        return sum(test.holds(inputs, False) for test in good) >= row.needed


def own_part(promise: Promise, cell: Cell) -> Cell | None:
    """What of a cell no other cell of its cause does as well; None if nothing is left."""
    others = [other for other in promise.cells if other is not cell and other.kind == cell.kind]
    covered = {index for other in others for index in other.outputs}
    outputs = tuple(index for index in cell.outputs if index not in covered)
    same_unit = any((o.unit, o.action) == (cell.unit, cell.action) for o in others)
    same_station = any(other.station == cell.station for other in others)
    left = replace(
        cell, outputs=outputs, unit="" if same_unit else cell.unit,
        station="" if same_station else cell.station,
    )  # fmt: skip
    return left if left.outputs or left.unit or left.station else None


def plant_defect(stand: Stand, promise: Promise, defect: Defect, delay_ms: int) -> None:
    """Alter the stand's line, or its plant's wires."""
    if defect.kind == WIRES:
        tag = promise.wanted[0].tag
        stand.do([Act("swap wires", tag, {"other": defect.other}).on])
        return
    line = stand.line
    if defect.kind == GATE:
        line.ungated = 1 << defect.output
        return
    cell = next(cell for cell in promise.cells if cell.effect == defect.effect)
    mine = own_part(promise, cell)
    assert mine is not None
    instead = _elsewhere(stand.site, promise, mine)
    if promise.origin == "silence" and cell.outputs:
        line.loss = Loss(defect.kind, _bits(mine.outputs), _bits(instead.outputs), delay_ms)
        return
    number = next(n for n, row in enumerate(line.causes.rows) if row.name == promise.name)
    row = line.causes.rows[number]
    rest = _without(row, mine)
    rows, deaf = _mutants(row, rest, mine, instead, defect.kind, delay_ms)
    _replace_rows(line, number, rows, deaf)


def _mutants(
    row: Cause, rest: Cause, mine: Cell, instead: Cell, kind: str, delay_ms: int
) -> tuple[list[Cause], bool]:
    """The row that stands in the old one's place, the twin that carries the wrong cell, and
    whether the twin is deaf."""
    if kind == "dropped":
        return [rest], False
    if kind == "latch made automatic":
        return [_with(rest, replace(mine, kind="acts"))], False
    if kind == "wrong zone":
        return [_with(rest, instead)], False
    twin = _with(_emptied(row), mine)
    if kind == "inverted":
        tests = tuple(Inverted(t.index, t.level, t.low, t.high, t.hysteresis) for t in row.tests)
        twin = replace(twin, tests=tests, vote=len(tests) - row.needed + 1)
    elif kind == "delayed":
        twin = replace(twin, on_delay_ms=row.on_delay_ms + delay_ms)
    return [rest, twin], kind == "quality ignored"


def _without(row: Cause, cell: Cell) -> Cause:
    bits = _bits(cell.outputs)
    return replace(
        row,
        acts=row.acts & ~bits if cell.kind == "acts" else row.acts,
        latches=row.latches & ~bits if cell.kind == "latched" else row.latches,
        bars=row.bars & ~bits if cell.kind == "permissive" else row.bars,
        actions=tuple(
            a for a in row.actions
            if cell.kind == "permissive" or (a.unit, a.action) != (cell.unit, cell.action)
        ),
        stations=tuple(h for h in row.stations if h.station != cell.station),
        bars_units=tuple(
            u for u in row.bars_units if cell.kind != "permissive" or u != cell.unit
        ),
    )  # fmt: skip


def _emptied(row: Cause) -> Cause:
    return replace(row, acts=0, latches=0, bars=0, actions=(), stations=(), bars_units=())


def _with(row: Cause, cell: Cell) -> Cause:
    bits, latched = _bits(cell.outputs), cell.kind == "latched"
    if cell.kind == "permissive":
        units = (cell.unit,) if cell.unit else ()
        return replace(row, bars=row.bars | bits, bars_units=(*row.bars_units, *units))
    actions = (Action(cell.unit, cell.action, latched),) if cell.unit else ()
    stations = (Hold(cell.station, latched),) if cell.station else ()
    return replace(
        row,
        acts=row.acts | (0 if latched else bits),
        latches=row.latches | (bits if latched else 0),
        actions=(*row.actions, *actions),
        stations=(*row.stations, *stations),
    )


def _elsewhere(site: Site, promise: Promise, cell: Cell) -> Cell:
    """The same cell in another zone: its outputs, the other unit, another station."""
    needs = needs_of(site.file)
    zones = {site.points[index].zone for index in cell.outputs}
    outputs = tuple(
        point.index for point in site.points
        if cell.outputs and point.direction == "out" and point.zone not in zones
        and point.tag in needs and needs[point.tag].role.moves
    )  # fmt: skip
    unit = {"sowing": "harvest", "harvest": "sowing"}.get(cell.unit, "")
    stations = [name for name in site.file.stations if name != cell.station]
    return replace(cell, outputs=outputs, unit=unit, station=stations[0] if cell.station else "")


def _replace_rows(line: WatchedLine, number: int, rows: list[Cause], deaf: bool) -> None:
    """Causes anew with these rows, in the state in which the old ones are."""
    old = line.causes
    all_rows = (*old.rows[:number], rows[0], *old.rows[number + 1 :], *rows[1:])
    causes = DeafCauses(all_rows, len(line.site.points), old.modes)
    for name in Causes.FIELDS:
        value = getattr(old, name)
        if isinstance(value, list) and len(value) == len(old.rows):
            value = [*value, *(type(value[0])() for _ in rows[1:])]
        setattr(causes, name, value)
    causes.bypassed = old.bypassed
    twins = range(len(old.rows), len(all_rows))
    causes.deaf = frozenset(twins) if deaf else frozenset()
    causes.again.update(twins)
    causes.add_up()
    line.causes = causes


def _bits(outputs: tuple[int, ...]) -> int:
    return sum(1 << index for index in outputs)

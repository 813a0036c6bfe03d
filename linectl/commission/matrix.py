"""The cause-and-effect matrix of a site as data: rows causes, columns effects, and derived rows.

Written rows come from interlocks.yaml, what they take away from the very rows that the line runs
on; rows that follow from hardware and shape come from there alone. In the manner of IEC 62881: a
row for each cause with its tag, limit and unit, a column for each effect; the legend is our own.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal

from linectl.image import Frame
from linectl.line import Line
from linectl.line.cause_rows import Cause as Row
from linectl.line.cause_rows import Test
from linectl.line.permissives import structural_rows
from linectl.site.effects import effect_outputs
from linectl.site.hardware import Point
from linectl.site.interlocks import Bypass, Condition, Effect, Kind
from linectl.site.matrix_rows import comparison
from linectl.site.model import Site
from linectl.site.parts import moving_tags, needs_of

LETTERS: Mapping[Kind, str] = {"acts": "A", "latched": "L", "permissive": "P"}
LEGEND = (
    ("A", "acts while the cause is present"),
    ("L", "latched: until the cause's reset"),
    ("P", "permissive: what is off may not come on, what runs goes on"),
    (" ", "blank: this cause does not have this effect"),
)
Source = Literal["written", "silence", "supply", "structure"]


@dataclass(frozen=True)
class EffectColumn:
    """An effect. `number` counts from 1, as the columns of the printed matrix do."""

    number: int
    name: str
    text: str
    """`zone sowing off`, `unit sowing: abort`."""
    outputs: tuple[str, ...]
    """Moving outputs that it switches off."""


@dataclass(frozen=True)
class CauseRow:
    """A cause with all that the minimum content asks for, and its cells."""

    number: int
    name: str
    text: str
    tags: tuple[str, ...]
    comparisons: tuple[str, ...]
    """One for each tag, with limit and unit."""
    vote: str
    """`all`, `1 of 2`; empty for a single condition."""
    bad: str
    on_delay_ms: int
    off_delay_ms: int
    modes: tuple[str, ...]
    """Empty: every mode."""
    moment: str
    reset: str
    priority: str
    bypass_ms: int | None
    """None: never bypassed."""
    cells: Mapping[str, Kind]
    """effect → kind; an effect that is missing is a blank cell."""
    outputs: tuple[str, ...]
    """Everything that its row in the line switches off or bars."""
    units: tuple[str, ...]
    """`sowing: abort`, `harvest may not start`."""

    def letter(self, effect: str) -> str:
        """The cell as it is printed: A, L, P or nothing."""
        kind = self.cells.get(effect)
        return LETTERS[kind] if kind else ""


@dataclass(frozen=True)
class DerivedRow:
    """A row that the line derives: a silent device, a lost supply, the machine's shape."""

    source: Source
    name: str
    text: str
    comparisons: tuple[str, ...]
    outputs: tuple[str, ...]
    units: tuple[str, ...]


@dataclass(frozen=True)
class Matrix:
    """All rows and columns of a site, in the order of its files."""

    site: str
    digest: str
    columns: tuple[EffectColumn, ...]
    rows: tuple[CauseRow, ...]
    derived: tuple[DerivedRow, ...]


def matrix_of(site: Site) -> Matrix:
    """The matrix of a checked site."""
    line = Line(site)
    rows = {row.name: row for row in line.causes.rows}
    return Matrix(
        site.name,
        site.digest,
        tuple(_columns(site)),
        tuple(
            _row(site, number, name, rows[name])
            for number, name in enumerate(site.interlocks.causes, 1)
        ),
        tuple(_derived(site, line)),
    )


def _columns(site: Site) -> Iterator[EffectColumn]:
    needs = needs_of(site.file)
    for number, (name, effect) in enumerate(site.interlocks.effects.items(), 1):
        outputs = effect_outputs(effect, site.points, needs)
        yield EffectColumn(number, name, effect_text(effect, outputs), outputs)


def effect_text(effect: Effect, outputs: tuple[str, ...]) -> str:
    """An effect in a few words."""
    if effect.zone:
        return f"zone {effect.zone}: its {len(outputs)} moving outputs off"
    if effect.unit:
        return f"unit {effect.unit}: {effect.action or 'may not start'}"
    if effect.station:
        then = f"; {effect.action} if nothing else can work" if effect.action else ""
        return f"station {effect.station} begins no other gutter{then}"
    return "off: " + ", ".join(outputs)


def _row(site: Site, number: int, name: str, row: Row) -> CauseRow:
    cause = site.interlocks.causes[name]
    points, tags = site.points, site.tags
    count = len(cause.when)
    vote = f"{cause.vote} of {count}" if cause.vote else "all" if count > 1 else ""
    return CauseRow(
        number=number,
        name=name,
        text=cause.text,
        tags=tuple(test.point for test in cause.when),
        comparisons=tuple(comparison(t, points[tags[t.point]].unit) for t in cause.when),
        vote=vote,
        bad=cause.bad,
        on_delay_ms=cause.on_delay_ms,
        off_delay_ms=cause.off_delay_ms,
        modes=cause.modes,
        moment=cause.moment,
        reset=cause.reset,
        priority=cause.priority,
        bypass_ms=_limit_ms(cause.bypass),
        cells={cell.effect: cell.kind for cell in site.interlocks.cells(name)},
        outputs=_outputs(site, row.blocks | row.bars),
        units=_units(row),
    )


def _limit_ms(bypass: Bypass | None) -> int | None:
    return None if bypass is None else bypass.limit_ms


def _outputs(site: Site, bits: int) -> tuple[str, ...]:
    return tuple(point.tag for point in site.points if bits >> point.index & 1)


def _units(row: Row) -> tuple[str, ...]:
    """What a row asks of units."""
    asked = [f"{action.unit}: {action.action}" for action in row.actions]
    return (*asked, *(f"{unit} may not start" for unit in row.bars_units))


def _derived(site: Site, line: Line) -> Iterator[DerivedRow]:
    """The rows that no file writes, in the order in which the line has them."""
    structure = {row.name for row in structural_rows(site, site.tags)}
    for row in line.causes.rows:
        if row.name in site.interlocks.causes:
            continue
        source: Source = "structure" if row.name in structure else "supply"
        outputs = _outputs(site, row.blocks | row.bars)
        comparisons = tuple(_compared(site, test) for test in row.tests)
        if row.silence:
            source, device = "silence", site.points[row.tests[0].index].device
            outputs = lost_with(site, line, device)
            silent_ms = site.file.devices[device].silent_after_ms
            comparisons = (f"{device} gives no good answer for {silent_ms} ms",)
        elif source == "supply":
            within = f"all of {len(row.tests)} inputs read 0 within {row.together_ms} ms"
            comparisons = (within, *(site.points[test.index].tag for test in row.tests))
        yield DerivedRow(source, row.name, row.text, comparisons, outputs, _units(row))


def lost_with(site: Site, line: Line, device: str) -> tuple[str, ...]:
    """Moving outputs that the gate lets nobody switch on while a device is silent.

    The line itself is asked: every input good, then those of the device bad.
    """
    inputs = [point for point in site.points if point.direction == "in"]
    line.scan(Frame(quality=[(point.index, True) for point in inputs]), line.now)
    before = line.ready
    gone = [(point.index, False) for point in inputs if point.device == device]
    line.scan(Frame(quality=gone), line.now)
    moving = moving_tags(site.file)
    return tuple(tag for tag in _outputs(site, before & ~line.ready) if tag in moving)


def _compared(site: Site, test: Test) -> str:
    """A test of the line's, in the words of a written comparison."""
    point: Point = site.points[test.index]
    return comparison(
        Condition.model_validate(
            {"point": point.tag, "is": test.level, "below": test.low, "above": test.high,
             "hysteresis": test.hysteresis}
        ),
        point.unit,
    )  # fmt: skip

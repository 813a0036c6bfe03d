"""Writes an interlock proof as one HTML page that prints well in grey, and as JUnit XML."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined

from linectl.cli.proof_junit import junit_text
from linectl.commission.field_record import FieldStanding
from linectl.commission.proof import NOT_A_VALIDATION, CellResult, OutputReaction, Proof
from linectl.errors import Unreachable

COLUMNS_MAX = 50
"""Effects side by side; more would not fit a landscape A4 page. The rest follows below."""
WIDE_COLUMNS = 30
"""A matrix with more columns is printed across."""
PLOT_WIDTH, PLOT_HEIGHT = 1000.0, 300.0
SHARE_MAX = 2.0
"""Top of the plot at most, in limits; what is slower is drawn at the edge as an arrow."""
CLOSEST_SHOWN = 12
KIND_LETTERS = {"acts": "A", "latched": "L", "permissive": "P"}


@dataclass(frozen=True)
class MatrixPart:
    """Some columns of the matrix and the rows that have a cell in them."""

    effects: tuple[str, ...]
    rows: tuple[tuple[str, tuple[CellResult | None, ...]], ...]

    @property
    def wide(self) -> bool:
        return len(self.effects) > WIDE_COLUMNS


@dataclass(frozen=True)
class Dot:
    """One output's reaction in the plot: places in its coordinates, y downwards."""

    x: float
    y: float
    worst_y: float
    beyond: bool
    """Slower than the plot is high."""
    title: str


@dataclass(frozen=True)
class Reaction:
    """One output of one cell, against its limit."""

    cell: CellResult
    output: OutputReaction
    limit_ms: float

    @property
    def share(self) -> float:
        """Reaction ÷ limit."""
        return self.output.reaction_ms / self.limit_ms


@dataclass(frozen=True)
class Plot:
    """Reactions against limits, slowest share first."""

    dots: tuple[Dot, ...]
    ticks: tuple[tuple[float, str], ...]
    limit_y: float
    closest: tuple[Reaction, ...]
    over_limit: int
    over_worst: int
    """Slower than computed: a defect, or the arithmetic of the buses is wrong."""
    without_limit: int


def write_html(path: Path, proof: Proof, field: FieldStanding | None = None) -> None:
    """Write the page. Without `field` every cause counts as not yet tested on the machine.

    Raises Unreachable if the file cannot be written.
    """
    environment = Environment(
        loader=PackageLoader("linectl.cli", "pages"), autoescape=True, undefined=StrictUndefined
    )
    outstanding = outstanding_of(proof, field)
    by_outcome = {
        outcome: [cell for cell in proof.cells if cell.outcome == outcome]
        for outcome in ("pass", "fail", "skipped")
    }
    page = environment.get_template("proof.html").render(
        proof=proof,
        field=field,
        head=NOT_A_VALIDATION.format(causes=outstanding),
        outstanding=outstanding,
        by_outcome=by_outcome,
        written=matrix_parts([cell for cell in proof.cells if not cell.derived]),
        derived=_derived(proof.cells),
        plot=plot_of(proof.cells),
        plot_width=PLOT_WIDTH,
        plot_height=PLOT_HEIGHT,
        letters=KIND_LETTERS,
        unseen=_unseen(proof.cells),
    )
    _write(path, page)


def write_junit(path: Path, proof: Proof, field: FieldStanding | None = None) -> None:
    """Write the proof as JUnit XML. Raises Unreachable if the file cannot be written."""
    _write(path, junit_text(proof, outstanding_of(proof, field)))


def outstanding_of(proof: Proof, field: FieldStanding | None) -> int:
    """How many causes want a test on the machine: all, where no record was read."""
    return len(proof.causes) if field is None else len(field.outstanding)


def matrix_parts(cells: Sequence[CellResult]) -> tuple[MatrixPart, ...]:
    """The cells as tables of at most COLUMNS_MAX effects, in the order in which they came.

    A part leaves out the causes that have nothing in its columns.
    """
    effects = tuple(dict.fromkeys(cell.effect for cell in cells))
    causes = tuple(dict.fromkeys(cell.cause for cell in cells))
    known = {(cell.cause, cell.effect): cell for cell in cells}
    count = -(-len(effects) // COLUMNS_MAX)
    size = -(-len(effects) // count) if count else 0  # even parts, no last one of two columns
    parts = []
    for first in range(0, len(effects), size or 1):
        some = effects[first : first + size]
        rows = ((cause, tuple(known.get((cause, effect)) for effect in some)) for cause in causes)
        parts.append(MatrixPart(some, tuple(row for row in rows if any(row[1]))))
    return tuple(parts)


def _derived(cells: Sequence[CellResult]) -> dict[str, list[CellResult]]:
    """Cells by cause, of rows that no file holds: nearly each has an effect of its own, so that a
    table of them would be pages of blanks."""
    found: dict[str, list[CellResult]] = {}
    for cell in cells:
        if cell.derived:
            found.setdefault(cell.cause, []).append(cell)
    return found


def plot_of(cells: Sequence[CellResult]) -> Plot:
    """Every measured output that has a limit: its share of the limit, sorted, slowest first."""
    outputs = [(cell, output) for cell in cells for output in cell.outputs]
    reactions = [
        Reaction(cell, output, output.limit_ms) for cell, output in outputs if output.limit_ms
    ]
    reactions.sort(key=lambda one: -one.share)
    shares = [one.share for one in reactions]
    shares += [one.output.worst_ms / one.limit_ms for one in reactions]
    top = min(max([1.1, *(share * 1.05 for share in shares)]), SHARE_MAX)

    def height(share: float) -> float:
        return PLOT_HEIGHT * (1 - min(share, top) / top)

    step = PLOT_WIDTH / max(len(reactions), 1)
    return Plot(
        dots=tuple(
            Dot(
                x=(place + 0.5) * step,
                y=height(one.share),
                worst_y=height(one.output.worst_ms / one.limit_ms),
                beyond=one.share > top,
                title=f"{one.cell.cause} → {one.output.tag}: {one.output.reaction_ms:.0f} ms"
                f" of {one.limit_ms:.0f} ms, computed worst {one.output.worst_ms:.0f} ms",
            )
            for place, one in enumerate(reactions)
        ),
        ticks=tuple(
            (height(tenths / 10), f"{10 * tenths} %") for tenths in range(0, int(top * 10) + 1, 2)
        ),
        limit_y=height(1.0),
        closest=tuple(reactions[:CLOSEST_SHOWN]),
        over_limit=sum(share > 1 for share in shares[: len(reactions)]),
        over_worst=sum(output.reaction_ms > output.worst_ms for _, output in outputs),
        without_limit=len(outputs) - len(reactions),
    )


def _unseen(cells: Sequence[CellResult]) -> dict[str, tuple[str, ...]]:
    """Effect → outputs that were never on in some cell of it, so never seen to go off."""
    found: dict[str, dict[str, None]] = {}
    for cell in cells:
        for tag in cell.unseen:
            found.setdefault(cell.effect, {})[tag] = None
    return {effect: tuple(tags) for effect, tags in found.items()}


def _write(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise Unreachable(f"{path}: cannot be written ({error.strerror})") from error

"""The cause-and-effect matrix, printed: in the terminal, as a list to open, as a page to print."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined
from rich.constrain import Constrain
from rich.text import Text

from linectl import __version__
from linectl.cli.screen import heading, say, table
from linectl.commission.kept_rows import safe_cell
from linectl.commission.matrix import LEGEND, CauseRow, DerivedRow, EffectColumn, Matrix
from linectl.errors import Unreachable, UsageError
from linectl.site.durations import format_duration
from linectl.site.matrix_rows import MOMENTS, RESETS
from linectl.site.rowfile import SPREADSHEET, rows_text

WIDTH = 100
"""Columns of the terminal that everything fits in."""
_GROUP = 5
"""Rows and columns between two guides for the eye."""
_FACTS = (
    "number", "cause", "text", "source", "tags", "comparison", "vote", "bad", "on_delay_ms",
    "off_delay_ms", "modes", "moment", "reset", "priority", "bypass_ms",
)  # fmt: skip
_NARROW = 16
"""Columns of a moment, so that a tag and what it is compared with stay on one line."""
_ENDS = {"automatic": "itself", "interlock": "reset", "at_machine": "reset there"}
"""RESETS, short enough for a narrow column."""
_RESULTS = ("outputs", "units")


def print_matrix(matrix: Matrix) -> None:
    """The matrix on standard output, no wider than 100 columns."""
    count = f"{len(matrix.rows)} causes × {len(matrix.columns)} effects, and"
    say(heading(f"{matrix.site}:"), Text(f"{count} {len(matrix.derived)} rows that follow"))
    for letter, text in LEGEND:
        say(Text(f"  {letter}  {text}"))
    say(Text())
    say(heading("Effects"))
    _say_table("no|effect|what", [[c.number, c.name, c.text] for c in matrix.columns])
    for page in _pages(matrix):
        say(Text())
        say(heading("Matrix:"), Text(f"effects {page[0].number} to {page[-1].number}"))
        for line in _grid(matrix.rows, page):
            say(Text(line), soft_wrap=True)
    say(Text())
    say(heading("Causes"))
    rows = [
        [r.name, "; ".join(r.comparisons), delays(r), conditions(r), _ENDS[r.reset],
         r.priority]
        for r in matrix.rows
    ]  # fmt: skip
    _say_table("cause|comes when|delay|acts|ends|priority", rows, narrow=3)
    say(Text())
    say(heading("Derived rows:"), Text("no file writes them, and no file can leave them out"))
    _say_table("cause|comes when|outputs that it takes, units", derived_cells(matrix.derived))


def _say_table(columns: str, rows: Iterable[Iterable[object]], narrow: int | None = None) -> None:
    """A table within the width; `narrow`: the column that is folded before any other."""
    made = table(columns, rows)
    if narrow is not None:
        made.padding = (0, 1, 0, 0)
        made.columns[narrow].max_width = _NARROW
    say(Constrain(made, WIDTH))


def delays(row: CauseRow) -> str:
    """`400ms`, `off 2s`; nothing for a cause that comes and goes without delay."""
    found = [format_duration(row.on_delay_ms)] if row.on_delay_ms else []
    if row.off_delay_ms:
        found.append(f"off {format_duration(row.off_delay_ms)}")
    return ", ".join(found)


def conditions(row: CauseRow) -> str:
    """Its moment, and what else decides whether it acts: votes, modes, bad readings, bypass."""
    found = [MOMENTS[row.moment]]
    if row.vote:
        found.append(f"{row.vote} must hold")
    if row.bad == "left_out":
        found.append("bad readings left out")
    if row.modes:
        found.append(f"only in {', '.join(row.modes)}")
    if row.bypass_ms is not None:
        found.append(f"bypass up to {format_duration(row.bypass_ms)}")
    return ", ".join(found)


def reset(row: CauseRow) -> str:
    """How it ends."""
    return RESETS[row.reset]


def derived_cells(rows: Sequence[DerivedRow]) -> list[list[str]]:
    """Name, condition and result of each derived row."""
    return [
        [row.name, "; ".join(row.comparisons[:3]) + ("; …" if len(row.comparisons) > 3 else ""),
         "; ".join(filter(None, (", ".join(row.outputs), ", ".join(row.units))))]
        for row in rows
    ]  # fmt: skip


def _pages(matrix: Matrix) -> Iterator[Sequence[EffectColumn]]:
    """The effects in stretches that fit beside the names of the causes."""
    room = WIDTH - _name_width(matrix.rows)
    most = max(1, next(n for n in range(room, 0, -1) if _cells_width(n) <= room))
    count = -(-len(matrix.columns) // most)
    size = -(-len(matrix.columns) // max(1, count))
    for start in range(0, len(matrix.columns), max(1, size)):
        yield matrix.columns[start : start + size]


def _name_width(rows: Sequence[CauseRow]) -> int:
    return 4 + max((len(row.name) for row in rows), default=0) + 1


def _cells_width(count: int) -> int:
    return 2 * count + (count - 1) // _GROUP


def _grid(rows: Sequence[CauseRow], page: Sequence[EffectColumn]) -> Iterator[str]:
    """Header of two lines (tens above ones), then a line a cause, a gap after every five."""
    width = _name_width(rows)
    tens = [str(c.number // 10) if c.number > 9 else "" for c in page]
    yield (" " * width + _cells(tens)).rstrip()
    yield (" " * width + _cells([str(c.number % 10) for c in page])).rstrip()
    for place, row in enumerate(rows):
        if place % _GROUP == 0:
            yield "─" * (width + _cells_width(len(page)))
        cells = _cells([row.letter(c.name) for c in page])
        yield f"{row.number:3} {row.name:<{width - 4}}{cells}".rstrip()


def _cells(letters: Sequence[str]) -> str:
    groups = [letters[start : start + _GROUP] for start in range(0, len(letters), _GROUP)]
    return "│".join("".join(f"{letter:>2}" for letter in group) for group in groups)


def matrix_csv(matrix: Matrix) -> str:
    """One row a cause, one column an effect, A, L, P or empty; derived rows behind the written.

    In the form that spreadsheets open, no cell one that they calculate; `source` says written,
    silence, supply or structure.
    """
    columns = [*_FACTS, *(column.name for column in matrix.columns), *_RESULTS]
    rows = [*(_written(matrix, row) for row in matrix.rows), *map(_derived, matrix.derived)]
    safe = ({key: safe_cell(cell) for key, cell in row.items()} for row in rows)
    return rows_text(columns, safe, SPREADSHEET)


def _written(matrix: Matrix, row: CauseRow) -> dict[str, str]:
    facts = (
        row.number, row.name, row.text, "written", "; ".join(row.tags), "; ".join(row.comparisons),
        row.vote, row.bad, row.on_delay_ms, row.off_delay_ms, ", ".join(row.modes), row.moment,
        row.reset, row.priority, "" if row.bypass_ms is None else row.bypass_ms,
    )  # fmt: skip
    cells = dict(zip(_FACTS, map(str, facts), strict=True))
    cells |= {column.name: row.letter(column.name) for column in matrix.columns}
    return cells | {"outputs": ", ".join(row.outputs), "units": ", ".join(row.units)}


def _derived(row: DerivedRow) -> dict[str, str]:
    return {
        "cause": row.name,
        "text": row.text,
        "source": row.source,
        "comparison": "; ".join(row.comparisons),
        "outputs": ", ".join(row.outputs),
        "units": ", ".join(row.units),
    }


def matrix_html(matrix: Matrix, approval: str) -> str:
    """A page to print, in grey as well as in black. `approval`: one line, who approved it."""
    environment = Environment(
        loader=PackageLoader("linectl.cli", "pages"), autoescape=True, undefined=StrictUndefined
    )
    environment.filters |= {"delays": delays, "conditions": conditions, "reset": reset}
    return environment.get_template("matrix.html").render(
        matrix=matrix, legend=LEGEND, approval=approval, version=__version__
    )


def write_matrix(path: Path, matrix: Matrix, approval: str) -> None:
    """Writes FILE.html or FILE.csv. Raises UsageError for another ending, Unreachable if the file
    cannot be written."""
    if path.suffix not in (".html", ".csv"):
        raise UsageError(f"{path}: name a file that ends in .html or .csv")
    try:
        if path.suffix == ".html":
            path.write_text(matrix_html(matrix, approval), encoding="utf-8")
        else:
            path.write_bytes(matrix_csv(matrix).encode(SPREADSHEET.encoding))
    except OSError as error:
        raise Unreachable(f"{path}: cannot be written ({error.strerror})") from error

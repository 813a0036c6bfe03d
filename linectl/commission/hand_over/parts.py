"""The parts of a hand-over: tables as text, and what each part lacks with what would mend it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from linectl.commission.kept_rows import safe_cell
from linectl.site.rowfile import SPREADSHEET, read_lines, rows_text


@dataclass(frozen=True)
class Lack:
    """One thing that is missing or open."""

    what: str
    do: str
    """The command or the act that mends it."""


@dataclass(frozen=True)
class Table:
    """One table of a part: a CSV file, a table of its page, a list in the JSON."""

    name: str
    """Of its file, without the ending."""
    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    empty: str = "none"
    """What the page says instead of a table without rows."""
    hidden: tuple[str, ...] = ()
    """Columns that the page leaves out, for want of room."""

    @property
    def shown(self) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
        """Columns and rows of the page."""
        places = [n for n, column in enumerate(self.columns) if column not in self.hidden]
        columns, *rows = (tuple(row[n] for n in places) for row in (self.columns, *self.rows))
        return columns, tuple(rows)

    def csv(self) -> bytes:
        """As spreadsheets open it; no cell is one that they would calculate."""
        rows = (
            {column: safe_cell(cell) for column, cell in zip(self.columns, row, strict=True)}
            for row in self.rows
        )
        return rows_text(self.columns, rows, SPREADSHEET).encode(SPREADSHEET.encoding)

    def as_json(self) -> list[dict[str, str]]:
        return [dict(zip(self.columns, row, strict=True)) for row in self.rows]


@dataclass(frozen=True)
class Part:
    """One subject of the hand-over."""

    name: str
    """Of its page, without the ending."""
    title: str
    text: str
    """What it is and how it stands, in sentences."""
    tables: tuple[Table, ...]
    lacks: tuple[Lack, ...] = ()

    def as_json(self) -> dict[str, object]:
        """Keys: title, text, tables {name: [{column: text}]}, lacks [{what, do}]."""
        return {
            "title": self.title,
            "text": self.text,
            "tables": {table.name: table.as_json() for table in self.tables},
            "lacks": [{"what": one.what, "do": one.do} for one in self.lacks],
        }


def table_of(
    name: str, title: str, columns: Sequence[str], rows: Iterable[Mapping[str, object]],
    empty: str = "none",
) -> Table:  # fmt: skip
    """A table from rows by column; None is an empty cell."""
    return Table(
        name, title, tuple(columns),
        tuple(tuple(_text(row.get(column)) for column in columns) for row in rows), empty,
    )  # fmt: skip


def recorded(folder: Path, file: str, title: str, hidden: tuple[str, ...] = ()) -> Table | None:
    """A record beside the site's files as it stands, whatever its columns; None if there is none.

    A row that is shorter than the header, as a power cut leaves one, has empty cells.
    """
    path = folder / file
    if not path.exists():
        return None
    lines = [line.cells for line in read_lines(path, file, []).lines if not line.is_blank]
    if not lines:
        return Table(path.stem, title, (), ())
    header = lines[0]
    rows = tuple((*row, *[""] * len(header))[: len(header)] for row in lines[1:])
    return Table(path.stem, title, header, rows, hidden=hidden)


def _text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:g}" if isinstance(value, float) else str(value)

"""Changes cells of one row of an IO list: separator, quotes, line ends and all other rows stay."""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from csv import QUOTE_MINIMAL, writer
from typing import NamedTuple

from linectl.errors import UsageError
from linectl.site.cells import cleaned
from linectl.site.iolist import column_name, is_remark
from linectl.site.rowfile import lines_of

_ENDS = "\r\n"
_BOM = "\ufeff"


class Cell(NamedTuple):
    """A cell as it is spelt: where it begins and ends in the text, its quotes included."""

    start: int
    end: int
    text: str


def with_cells(text: str, file: str, tag: str, cells: Mapping[str, str]) -> str:
    """The text with these cells of the tag's row changed, by column.

    A column that the header lacks is added behind the last. Raises UsageError if there is no such
    row, or more than one.
    """
    listing = _Listing(text, file)
    mine = [row for row in listing.body if listing.cell(row, "tag") == tag]
    if len(mine) != 1:
        raise UsageError(f"{file}: {tag} has {len(mine)} rows there; it must have one")
    changes = listing.add_columns([column for column, cell in cells.items() if cell])
    return _made(text, [*changes, *listing.put(mine[0], cells)])


def with_row(text: str, file: str, cells: Mapping[str, str]) -> str:
    """The text with one row more, at its end; columns that the header lacks are added."""
    filled = {column: cell for column, cell in cells.items() if cell}
    if not text:
        return f"{','.join(filled)}\n{_line(filled.values(), ',')}\n"
    listing = _Listing(text, file)
    changes = listing.add_columns(list(filled))
    row = _line((filled.get(column, "") for column in listing.header), listing.separator)
    end = "\r\n" if "\r\n" in text else "\n"
    joint = "" if text.endswith(("\n", "\r")) else end
    return _made(text, [*changes, (len(text), len(text), f"{joint}{row}{end}")])


Change = tuple[int, int, str]
"""From where to where in the text, and what stands there instead."""


class _Listing:
    """The rows of a list by the places of their cells."""

    def __init__(self, text: str, file: str) -> None:
        self._text = text
        self.separator = lines_of(text.encode(), file, []).separator
        begin = text.index("\n") + 1 if text.removeprefix(_BOM).lower().startswith("sep=") else 0
        begin = max(begin, len(_BOM) if text.startswith(_BOM) else 0)
        rows = list(_rows(text, self.separator, begin))
        written = [row for row in rows if any(cell.text for cell in row)]
        head = next((n for n, row in enumerate(written) if not is_remark([c.text for c in row])), 0)
        if not written:
            raise UsageError(f"{file}: has no header")
        self._head = written[head]
        self.header = [column_name(cell.text) for cell in self._head]
        if "tag" not in self.header:
            raise UsageError(f"{file}: its header lacks the column tag")
        self.body = written[head + 1 :]

    def cell(self, row: Sequence[Cell], column: str) -> str:
        place = self.header.index(column)
        return row[place].text if place < len(row) else ""

    def add_columns(self, columns: Sequence[str]) -> list[Change]:
        """The change that gives the header those of the columns that it lacks."""
        missing = [column for column in columns if column not in self.header]
        self.header += missing
        end = self._head[-1].end
        return [(end, end, "".join(f"{self.separator}{column}" for column in missing))]

    def put(self, row: Sequence[Cell], cells: Mapping[str, str]) -> list[Change]:
        """The changes that give the row these cells; a cell in quotes stays in quotes."""
        values = {
            self.header.index(column): value
            for column, value in cells.items()
            if column in self.header
        }
        changes = []
        for place, cell in enumerate(row):
            if place in values and values[place] != cell.text:
                quoted = cell.end > cell.start and self._text[cell.start] == '"'
                instead = (
                    _quoted(values[place]) if quoted else _line([values[place]], self.separator)
                )
                changes.append((cell.start, cell.end, instead))
        last = max((place for place, value in values.items() if value), default=0)
        if last >= len(row):
            tail = [values.get(place, "") for place in range(len(row), last + 1)]
            more = self.separator + _line(tail, self.separator)
            changes.append((row[-1].end, row[-1].end, more))
        return changes


def _rows(text: str, separator: str, begin: int) -> Iterator[list[Cell]]:
    """The rows with their cells' places; quotes as the csv module reads them."""
    at, row = begin, list[Cell]()
    while at < len(text):
        start = at
        if text[at] == '"':
            at = _behind_quote(text, at + 1)
        while at < len(text) and text[at] != separator and text[at] not in _ENDS:
            at += 1
        row.append(Cell(start, at, cleaned(_plain(text[start:at]))))
        if at < len(text) and text[at] == separator:
            at += 1
            if at == len(text) or text[at] in _ENDS:  # an empty last cell
                row.append(Cell(at, at, ""))
            else:
                continue
        yield row
        row = []
        at += 2 if text.startswith("\r\n", at) else 1


def _behind_quote(text: str, at: int) -> int:
    while at < len(text):
        if text[at] == '"':
            if not text.startswith('""', at):
                return at + 1
            at += 1
        at += 1
    return at


def _plain(spelt: str) -> str:
    quoted = len(spelt) > 1 and spelt[0] == spelt[-1] == '"'
    return spelt[1:-1].replace('""', '"') if quoted else spelt


def _quoted(value: str) -> str:
    return '"' + value.replace('"', '""') + '"'


def _line(cells: Iterable[str], separator: str) -> str:
    listed = list(cells)
    if listed == [""]:
        return ""
    made = io.StringIO(newline="")
    writer(made, delimiter=separator, lineterminator="", quoting=QUOTE_MINIMAL).writerow(listed)
    return made.getvalue()


def _made(text: str, changes: Sequence[Change]) -> str:
    """The changes made from the end on, so that no place moves before it is used."""
    for start, end, instead in sorted(changes, reverse=True):
        text = text[:start] + instead + text[end:]
    return text

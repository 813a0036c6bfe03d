"""One cell of the IO list to its value; what a spreadsheet has made of a number is told.

Spreadsheets alter what they open: 1,5 for 1.5, 17.0 for 17, 1E+03 for 1000, a date for 1-2 or
1.2, WAHR for true. What they make of what is common practice, no source. Nothing of it is guessed
back: a person gets the cell, what it looks like, and what to write.
"""

from __future__ import annotations

import datetime as dt
import math
import re

from linectl.site.durations import parse_duration

WHOLE = frozenset({"bit"})
REAL = frozenset({"scale", "offset", "safe"})
TRUTH = frozenset({"invert", "holds_load"})
TIME = frozenset({"on_delay_ms", "off_delay_ms", "device_watchdog_ms"})
FREE = frozenset({"note", "unit", "cut_by"})
"""Columns for people: any character may stand in them."""

_YES = {"1", "yes", "true", "x"}
_NO = {"0", "no", "false"}
_YES_ELSEWHERE = {"wahr", "ja", "vrai", "oui", "waar", "verdadero", "vero", "sim", "prawda", "sand"}
_NO_ELSEWHERE = {"falsch", "nein", "faux", "non", "onwaar", "falso", "não", "fałsz", "falsk"}

_FAILED = re.compile(r"#(?:REF!|NAME\?|VALUE!|DIV/0!|N/A|NUM!|NULL!|#+)|Err:\d+", re.I)
_DECIMAL = re.compile(r"[+-]?\d+[.,]\d+")
_ROUND = re.compile(r"([+-]?\d+)[.,]0+")
_POWER = re.compile(r"[+-]?\d+(?:[.,]\d+)?[eE][+-]?\d+")
_GROUPED = re.compile(r"[+-]?\d{1,3}(?:[ '’]\d{3})+")
_MONTH = r"(?:jan|feb|m[aä]r|apr|ma[iy]|jun|jul|aug|sep|o[ck]t|nov|de[cz])[a-zéäû]*\.?"
_DATE = re.compile(
    rf"\d{{1,2}}[./-]\d{{1,2}}[./-](?:\d{{2}}|\d{{4}})?|\d{{4}}-\d\d-\d\d(?:[ T].*)?"
    rf"|\d{{1,2}}[. -]*{_MONTH}(?:[ -]*\d{{2,4}})?|{_MONTH}[ -]*\d{{1,4}}(?:[, ]+\d{{4}})?"
    r"|\d{1,2}:\d\d(?::\d\d)?",
    re.I,
)
_DIGITS_EXACT = 15
"""Decimal digits that a double holds for sure (IEEE 754: 53 bits, 15.95 digits)."""
_DAY_ZERO = dt.date(1899, 12, 30)
_DATE_NUMBERS = range(36_526, 54_789)
"""Numbers by which spreadsheets count the days from 2000 to 2049: common practice, no source."""
_UNSEEN = re.compile(r"[\u00a0\u00ad\u2000-\u200f\u2028-\u202f\u2060\ufeff]")


def damaged(cell: str) -> bool:
    """True for what a spreadsheet writes where its own formula failed."""
    return _FAILED.fullmatch(cell) is not None


def cleaned(cell: str) -> str:
    """The cell without blanks at its ends, those that nobody sees included."""
    before = None
    while cell != before:
        before, cell = cell, cell.strip().strip("\u200b\u200c\u200d\u200e\u200f\u2060\ufeff\u00ad")
    return cell


def check_form(column: str, cell: str) -> None:
    """Raises ValueError for a cell that cannot be meant, whatever its column."""
    if damaged(cell):
        raise ValueError(
            f"{cell!r} is what a spreadsheet shows when a formula fails; write it anew"
        )
    if cell.startswith("=") and column not in FREE:
        raise ValueError(f"{cell!r} is a formula, not its result; write the value")
    hidden = _UNSEEN.search(cell)
    if hidden and column not in FREE:
        said = f"U+{ord(hidden[0]):04X}"
        if number := _plain_number(_UNSEEN.sub("", cell)):
            raise ValueError(f"{cell!r} is not a number; write {number} (it holds {said})")
        before = cell[: hidden.start()]
        text = f"holds a character that nobody sees ({said}) behind {before!r}; delete it"
        raise ValueError(text)


def value_of(column: str, cell: str) -> object:
    """The cell's value for its column. Raises ValueError that says what to write instead."""
    if column in WHOLE:
        return _whole(cell)
    if column in REAL:
        return _real(cell)
    if column in TRUTH:
        return _truth(cell)
    if column in TIME:
        return _time(cell)
    if column == "unit" and cell.isdecimal() and cell != "1":  # 1 is a ratio's unit
        raise ValueError(f"{cell!r} is a number: has a decimal comma made two cells of one?")
    return cell


def made_of_terminal(note: str) -> str | None:
    """What a spreadsheet has made of a terminal such as 1:2 or 1-2, if a whole note looks so."""
    if re.fullmatch(r"\d{1,2}:\d\d:\d\d", note):
        return "a time of day"
    return "a date" if _DATE.fullmatch(note) and ":" not in note else None


def number_trouble(cell: str) -> str | None:
    """What a spreadsheet has made of a whole number, as words behind the cell; None if nothing."""
    if _ROUND.fullmatch(cell):
        return f"; write {cell.replace(',', '.').partition('.')[0]}"
    if _POWER.fullmatch(cell):
        return "; a spreadsheet has shortened it, and digits may be lost: take it from the manual"
    if _DATE.fullmatch(cell):
        return "; a spreadsheet has made a date of it: write it anew in a cell kept as text"
    return f"; write {number}" if (number := _plain_number(cell)) and "." not in number else None


def _whole(cell: str) -> int:
    if cell.isascii() and cell.removeprefix("-").isdecimal():
        number = int(cell)
        if number in _DATE_NUMBERS:
            raise ValueError(f"{cell} {_as_date(number)}; write it anew in a cell kept as text")
        return number
    raise ValueError(f"{cell!r} is not a whole number{number_trouble(cell) or ''}")


def _real(cell: str) -> float:
    try:
        number = float(cell) if cell.isascii() and "_" not in cell else math.nan
    except ValueError:
        raise ValueError(f"{cell!r} is not a number{_meant(cell)}") from None
    if not math.isfinite(number):
        raise ValueError(f"{cell!r} is not a number that can be counted with")
    # As a whole number: a range looks a float up by going through all that it holds.
    if cell.isdecimal() and int(cell) in _DATE_NUMBERS:
        raise ValueError(f"{cell} {_as_date(int(cell))}; write {cell}.0 if it is meant")
    return number


def _as_date(number: int) -> str:
    """The day that a spreadsheet counts by that number."""
    day = _DAY_ZERO + dt.timedelta(days=number)
    return f"is what a spreadsheet makes of the date {day.isoformat()}"


def _meant(cell: str) -> str:
    if (number := _plain_number(cell)) is not None:
        return f"; write {_short(number)}"
    return "; a spreadsheet has made a date of it" if _DATE.fullmatch(cell) else ""


def _short(number: str) -> str:
    """The number without the last digits that a spreadsheet's arithmetic adds: 0.01, not
    0.0099999999999999999998."""
    return number if len(number) < _DIGITS_EXACT else f"{float(number):.15g}"


def _plain_number(cell: str) -> str | None:
    """A number with decimal comma or grouped digits as it should be written; None if it is none."""
    if _POWER.fullmatch(cell) and "," in cell:
        return cell.replace(",", ".")
    if _GROUPED.fullmatch(cell):
        return re.sub(r"[ '’]", "", cell)
    if _DECIMAL.fullmatch(cell):
        return cell.replace(",", ".")
    commas, points = cell.count(","), cell.count(".")
    if commas == 1 and re.fullmatch(r"[+-]?\d{1,3}(?:\.\d{3})+,\d+", cell):
        return cell.replace(".", "").replace(",", ".")
    if points == 1 and re.fullmatch(r"[+-]?\d{1,3}(?:,\d{3})+\.\d+", cell):
        return cell.replace(",", "")
    if re.fullmatch(r"[+-]?,\d+", cell):
        return cell.replace(",", "0.")
    return cell if re.fullmatch(r"[+-]?\d+", cell) else None


def _truth(cell: str) -> bool:
    word = cell.lower()
    if word in _YES | _NO:
        return word in _YES
    if word in _YES_ELSEWHERE | _NO_ELSEWHERE:
        answer = "yes" if word in _YES_ELSEWHERE else "no"
        raise ValueError(f"{cell!r} is neither yes nor no; write {answer}")
    raise ValueError(f"{cell!r} is neither yes nor no")


def _time(cell: str) -> str:
    """Text that the duration fields read: a bare whole number is ms."""
    if cell.isascii() and cell.isdecimal():
        return f"{cell}ms"
    if trouble := number_trouble(cell):
        raise ValueError(f"{cell!r} is not a whole number of ms{trouble}")
    if _DECIMAL.fullmatch(cell):
        raise ValueError(f"{cell!r} has no unit; write whole milliseconds, or {cell}s for seconds")
    parse_duration(cell)
    return cell

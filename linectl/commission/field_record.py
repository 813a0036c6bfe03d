"""The record of field tests beside a site's files: one row a test, only ever added to.

`field_tests.csv` opens in a spreadsheet. A row that cannot be read, and one of a cause that has
been changed since, counts as no test: what is not known to be proven is outstanding.
"""

from __future__ import annotations

import csv
import datetime as dt
import fcntl
import hashlib
import io
import json
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Literal

from linectl.errors import Finding, LinectlError, Unreachable
from linectl.line.build import rows_of
from linectl.line.cause_rows import Cause
from linectl.site.model import Site
from linectl.site.rowfile import read_lines

FILE = "field_tests.csv"
SOON = dt.timedelta(days=30)
"""A test that is due within this time is named before it is overdue. Common practice, no source."""
DAY_MS = 86_400_000
FORMULA = ("=", "+", "-", "@")
"""A cell that begins so is calculated by spreadsheets instead of shown."""

PROVEN = {"when", "vote", "bad", "on_delay_ms", "off_delay_ms", "modes", "moment", "reset"}
"""What a test proves of a cause; its words, its priority and its interval are no part of it."""

State = Literal["never tested", "failed", "changed since", "overdue", "due soon", "valid"]
OUTSTANDING: tuple[State, ...] = ("never tested", "failed", "changed since", "overdue")


@dataclass(frozen=True)
class FieldTest:
    """One test of one cause on the machine. Times of day are ISO 8601 with the zone."""

    at: str
    cause: str
    text: str
    result: str
    """pass or fail."""
    points: str
    """Each point that was seen to trip: `guard_seed.closed = 0`."""
    edge_at: str
    """When the controller first saw it, ± one scan; empty if it never did."""
    off_ms: str
    """From that scan to the one that switched the last of its outputs off; empty without one."""
    outputs_off: str
    units: str
    also_moved: str
    """Other interlock inputs that moved, swapped wires among them."""
    seen: str
    """What was not as it should be; empty for a pass."""
    tested_by: str
    witness: str
    note: str
    next_due: str
    """The last day on which this test is still good: ISO date."""
    row_digest: str
    """Of the cause's row and its points as they were; see `row_digest`."""
    site_digest: str
    version: str


COLUMNS = tuple(field.name for field in fields(FieldTest))


@dataclass(frozen=True)
class CauseStanding:
    """Where the field test of one cause stands."""

    cause: str
    text: str
    state: State
    last: FieldTest | None
    due: dt.date | None

    def as_json(self) -> dict[str, object]:
        last = None if self.last is None else asdict(self.last)
        due = None if self.due is None else self.due.isoformat()
        return {
            "cause": self.cause, "text": self.text, "state": self.state, "due": due, "last": last,
        }  # fmt: skip


@dataclass(frozen=True)
class FieldStanding:
    """Where the field tests of a site stand."""

    causes: tuple[CauseStanding, ...]
    unreadable: tuple[Finding, ...] = ()
    """Rows of the record that count for nothing."""

    def of(self, *states: State) -> tuple[CauseStanding, ...]:
        return tuple(one for one in self.causes if one.state in states)

    @property
    def outstanding(self) -> tuple[CauseStanding, ...]:
        """Causes without a passed test that is still good."""
        return self.of(*OUTSTANDING)


def field_rows(site: Site) -> tuple[Cause, ...]:
    """The rows with a device that a person can trip: those of interlocks.yaml, silent devices and
    lost supplies. What follows from the machine's shape has none of its own."""
    return tuple(row for row in rows_of(site) if row.priority is not None)


def field_standing(site: Site, today: dt.date) -> FieldStanding:
    """Every cause's state, from the record in the site's folder."""
    tests, unreadable = read_tests(Path(site.folder))
    last = {test.cause: test for test in tests}  # a later row stands for the earlier ones
    rows = field_rows(site)
    return FieldStanding(
        tuple(_standing(site, row, last.get(row.name), today) for row in rows), unreadable
    )


def _standing(site: Site, row: Cause, last: FieldTest | None, today: dt.date) -> CauseStanding:
    if last is None:
        return CauseStanding(row.name, row.text, "never tested", None, None)
    due = dt.date.fromisoformat(last.next_due)
    if (every_ms := interval_ms_of(site, row.name)) is not None:
        due = min(due, due_after(dt.datetime.fromisoformat(last.at), every_ms))
    state: State = "valid"
    if last.result != "pass":
        state = "failed"
    elif last.row_digest != row_digest(site, row):
        state = "changed since"
    elif due < today:
        state = "overdue"
    elif due - today <= SOON:
        state = "due soon"
    return CauseStanding(row.name, row.text, state, last, due)


def interval_ms_of(site: Site, cause: str) -> int | None:
    """The interval that the site's file gives a cause, in ms."""
    written = site.interlocks.causes.get(cause)
    return None if written is None else written.test_every_ms


def due_after(tested: dt.datetime, every_ms: int) -> dt.date:
    """The last day on which a test of that time is still good."""
    try:
        return tested.date() + dt.timedelta(days=every_ms // DAY_MS)
    except OverflowError:
        return dt.date.max


def row_digest(site: Site, row: Cause) -> str:
    """Twelve letters that change when the row, what it stops, or where its points are changes."""
    written = site.interlocks.causes.get(row.name)
    said = None if written is None else written.model_dump(mode="json", include=PROVEN)
    facts = {
        "cause": said,
        "actions": row.actions,
        "stations": row.stations,
        "outputs": {
            kind: [point.tag for point in site.points if bits >> point.index & 1]
            for kind, bits in (("acts", row.acts), ("latches", row.latches), ("bars", row.bars))
        },
        "points": [
            site.points[test.index].model_dump(
                mode="json", include={"tag", "device", "table", "address", "bit", "invert"}
            )
            for test in row.tests
        ],
    }  # fmt: skip
    return hashlib.sha256(json.dumps(facts, sort_keys=True).encode()).hexdigest()[:12]


# the file ----------------------------------------------------------------------------------------


def read_tests(folder: Path) -> tuple[tuple[FieldTest, ...], tuple[Finding, ...]]:
    """The tests in order of the file, and a finding for each row that cannot be read."""
    path = folder / FILE
    if not path.exists():
        return (), ()
    findings: list[Finding] = []
    lines = [line for line in read_lines(path, FILE, findings).lines if not line.is_blank]
    if not lines:
        return (), tuple(findings)
    header = lines[0].cells
    if missing := [column for column in COLUMNS if column not in header]:
        findings.append(_finding(lines[0].line, "columns", f"has no column {', '.join(missing)}"))
        return (), tuple(findings)
    tests = []
    for line in lines[1:]:
        cells = dict(zip(header, line.cells, strict=False))
        wrong = _wrong(cells)
        if wrong is not None:
            findings.append(_finding(line.line, *wrong))
        else:
            tests.append(FieldTest(**{column: cells[column] for column in COLUMNS}))
    return tuple(tests), tuple(findings)


def _wrong(cells: Mapping[str, str]) -> tuple[str, str] | None:
    """Key and sentence if a row is none."""
    if absent := [column for column in COLUMNS if column not in cells]:
        return absent[0], "the row ends before it: a power cut may have torn it"
    if cells["result"] not in ("pass", "fail"):
        return "result", f"{cells['result']!r} is neither pass nor fail"
    for column, reads in (("at", _instant), ("next_due", dt.date.fromisoformat)):
        try:
            reads(cells[column])
        except ValueError:
            form = "2026-03-31T14:02:07+02:00" if column == "at" else "2027-03-31"
            return column, f"{cells[column]!r} is no date as the tool writes it, such as {form}"
    return None


def _instant(text: str) -> dt.datetime:
    at = dt.datetime.fromisoformat(text)
    if at.tzinfo is None:
        raise ValueError("no zone")
    return at


def _finding(line: int, key: str, message: str) -> Finding:
    return Finding(FILE, line, key, message, "it counts as no test; put it back from a copy")


def append_test(folder: Path, test: FieldTest) -> None:
    """Add one row: on the disk, whole, when this returns; earlier rows are never touched.

    Raises Unreachable if it cannot be written, LinectlError if another program has changed the
    file's columns or its encoding.
    """
    path = folder / FILE
    row = {name: _cell(value) for name, value in asdict(test).items()}
    try:
        handle = os.open(path, os.O_RDWR | os.O_APPEND | os.O_CREAT, 0o644)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX)
            size = os.fstat(handle).st_size
            text = _text([COLUMNS, row.values()], ",") if not size else _more(path, row)
            data = text.encode("utf-8-sig" if not size else "utf-8")
            if os.write(handle, data) != len(data):
                raise Unreachable(f"{path}: the disk took only a part of the row; make room")
            os.fsync(handle)
        finally:
            os.close(handle)
        if not size:
            _sync(folder)
    except OSError as error:
        raise Unreachable(f"{path}: cannot be written ({error.strerror or error})") from error


def _more(path: Path, row: Mapping[str, str]) -> str:
    """The row in the manner of the file that stands there."""
    findings: list[Finding] = []
    listing = read_lines(path, FILE, findings)
    utf16 = path.read_bytes()[:2] in (b"\xff\xfe", b"\xfe\xff")
    header = next((line.cells for line in listing.lines if not line.is_blank), ())
    if utf16 or not set(COLUMNS) <= set(header):
        raise LinectlError(
            f"{path}: another program has changed its columns or its encoding, so nothing is added."
            f" Move it away, or save it as CSV UTF-8 with the columns {', '.join(COLUMNS)}"
        )
    torn = not path.read_bytes().endswith((b"\n", b"\r"))  # a row half written at a power cut
    text = _text([[row.get(column, "") for column in header]], listing.separator)
    return "\r\n" + text if torn else text


def _text(rows: Sequence[Iterable[str]], separator: str) -> str:
    made = io.StringIO(newline="")
    csv.writer(made, delimiter=separator, lineterminator="\r\n").writerows(rows)
    return made.getvalue()


def _cell(value: str) -> str:
    """One line, and never what a spreadsheet would calculate."""
    text = " ".join(value.split())
    return f"'{text}" if text.startswith(FORMULA) else text


def _sync(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)

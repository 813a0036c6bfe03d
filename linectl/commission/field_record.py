"""The record of field tests beside a site's files: one row a test, only ever added to.

`field_tests.csv` opens in a spreadsheet. A row that cannot be read, and one of a cause that has
been changed since, counts as no test: what is not known to be proven is outstanding.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Literal

from linectl.commission.changes_record import last_reopening, read_changes
from linectl.commission.kept_rows import Cells, append_row, no_day, no_instant, read_rows
from linectl.errors import Finding
from linectl.line.build import rows_of
from linectl.line.cause_rows import Cause
from linectl.site.model import Site

FILE = "field_tests.csv"
SOON = dt.timedelta(days=30)
"""A test that is due within this time is named before it is overdue. Common practice, no source."""
DAY_MS = 86_400_000

PROVEN = {"when", "vote", "bad", "on_delay_ms", "off_delay_ms", "modes", "moment", "reset"}
"""What a test proves of a cause; its words, its priority and its interval are no part of it."""

State = Literal["never tested", "failed", "changed since", "overdue", "due soon", "valid"]
OUTSTANDING: tuple[State, ...] = ("never tested", "failed", "changed since", "overdue")
GOOD: tuple[State, ...] = ("valid", "due soon")


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
    """Every cause's state, from the record in the site's folder.

    A test counts no longer when one of its points, or an output that it switched off, has been
    moved to another channel or lies on a device that has been replaced since.
    """
    tests, unreadable = read_tests(Path(site.folder))
    last = {test.cause: test for test in tests}  # a later row stands for the earlier ones
    changes, lost = read_changes(Path(site.folder))
    reopening = last_reopening(changes)
    rows = field_rows(site)
    resting = _resting(site, rows)
    states = []
    for row in rows:
        test = last.get(row.name)
        changed = [reopening[tag].at for tag in resting[row.name] if tag in reopening]
        rewired = test is not None and any(_moment(at) > _moment(test.at) for at in changed)
        states.append(_standing(site, row, test, today, rewired))
    return FieldStanding(tuple(states), (*unreadable, *lost))


def rests_on(site: Site) -> dict[str, frozenset[str]]:
    """By cause: the tags of its points, and of the outputs that it acts on."""
    return _resting(site, field_rows(site))


def _resting(site: Site, rows: tuple[Cause, ...]) -> dict[str, frozenset[str]]:
    return {
        row.name: frozenset(
            [site.points[test.index].tag for test in row.tests]
            + [p.tag for p in site.points if (row.acts | row.latches | row.bars) >> p.index & 1]
        )
        for row in rows
    }


def _moment(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(text)


def _standing(
    site: Site, row: Cause, last: FieldTest | None, today: dt.date, rewired: bool
) -> CauseStanding:
    if last is None:
        return CauseStanding(row.name, row.text, "never tested", None, None)
    due = dt.date.fromisoformat(last.next_due)
    if (every_ms := interval_ms_of(site, row.name)) is not None:
        due = min(due, due_after(dt.datetime.fromisoformat(last.at), every_ms))
    state: State = "valid"
    if last.result != "pass":
        state = "failed"
    elif rewired or last.row_digest != row_digest(site, row):
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
    rows, findings = read_rows(folder, FILE, COLUMNS, _wrong)
    return tuple(FieldTest(**row) for row in rows), findings


def _wrong(cells: Cells) -> tuple[str, str] | None:
    """Key and sentence if a row is none."""
    if cells["result"] not in ("pass", "fail"):
        return "result", f"{cells['result']!r} is neither pass nor fail"
    return no_instant(cells, "at") or no_day(cells, "next_due")


def append_test(folder: Path, test: FieldTest) -> None:
    """Add one row, as `append_row` does and with what it raises."""
    append_row(folder, FILE, asdict(test))

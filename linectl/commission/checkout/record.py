"""The record of IO checkouts beside a site's files, and where each point stands by it.

`checkout.csv`: one row a try of a point, only ever added to. A point whose row in io.csv has
changed since its last try, or which a change on record concerns, is open again, and says why.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Literal

from linectl.commission.changes_record import ChangeMade, last_reopening, read_changes
from linectl.commission.kept_rows import Cells, append_row, no_instant, read_rows
from linectl.errors import Finding
from linectl.site.hardware import Point
from linectl.site.model import Site

FILE = "checkout.csv"
CHECKED = (
    "direction", "device", "table", "address", "bit", "type", "word_order", "byte_order", "scale",
    "offset", "unit", "invert", "on_delay_ms", "off_delay_ms", "zone", "on_loss", "safe",
)  # fmt: skip
"""What of a row a checkout has tried; its note, supply and polling class are no part of it."""

State = Literal["open", "passed", "failed", "reopened"]


@dataclass(frozen=True)
class Try:
    """One try of one point. Times of day are ISO 8601 with the zone."""

    at: str
    tag: str
    result: str
    """pass or fail."""
    found: str
    """As found, before anything was put right: `guard_seed.closed moved instead`."""
    left: str
    """As left; empty: as found."""
    trace: str
    """What was seen, in short: `1 at +0 ms, 0 at +2310 ms`."""
    readings: str
    """Of an analogue: JSON list of [reference, raw, reading, "up" or "down"]; else empty."""
    fit: str
    """Of an analogue: proposed scale and offset with the greatest residual; else empty."""
    travel_ms: str
    """Of an output with feedback: from the command to the feedback; else empty."""
    remark: str
    deficiency: str
    """Number of the deficiency that this try opened or closed; empty without one."""
    instrument: str
    by: str
    witness: str
    row: str
    """The row of io.csv as it was: `device=io_sower; table=discrete; …`."""
    site_digest: str
    version: str


COLUMNS = tuple(field.name for field in fields(Try))


@dataclass(frozen=True)
class PointStanding:
    """Where the checkout of one point stands."""

    point: Point
    state: State
    tries: tuple[Try, ...]
    why_open: str = ""
    """Of a reopened point: what has changed since, by whom."""

    @property
    def last(self) -> Try | None:
        return self.tries[-1] if self.tries else None

    @property
    def retested(self) -> bool:
        """It has passed, and failed before."""
        return self.state == "passed" and any(one.result == "fail" for one in self.tries)


@dataclass(frozen=True)
class CheckoutStanding:
    """Where the checkout of a site stands, point by point in the order of io.csv."""

    site: Site
    points: tuple[PointStanding, ...]
    gone: tuple[Try, ...] = ()
    """Last tries of tags that io.csv no longer has."""
    unreadable: tuple[Finding, ...] = ()
    """Rows of the records that count for nothing."""
    next_deficiency: int = 1
    """The number of the next deficiency: numbers are never used again."""

    def of(self, *states: State) -> tuple[PointStanding, ...]:
        return tuple(one for one in self.points if one.state in states)

    @property
    def done(self) -> bool:
        """Every point has passed, and nothing has changed since."""
        return all(one.state == "passed" for one in self.points)

    def as_json(self) -> dict[str, object]:
        """The object of `checkout --json`."""
        failed = self.of("failed")
        return {
            "site": self.site.name,
            "points": len(self.points),
            "passed": len(self.of("passed")),
            "failed": len(failed),
            "open": len(self.of("open")),
            "reopened": len(self.of("reopened")),
            "deficiencies": [
                {"tag": one.point.tag, "found": one.last.found, "number": int(one.last.deficiency)}
                for one in failed
                if one.last is not None and one.last.deficiency
            ],
        }


def checkout_standing(site: Site) -> CheckoutStanding:
    """Every point's state, from the records in the site's folder."""
    folder = Path(site.folder)
    tries, bad_tries = read_tries(folder)
    changes, bad_changes = read_changes(folder)
    reopening = last_reopening(changes)
    by_tag: dict[str, list[Try]] = {}
    for one in tries:
        by_tag.setdefault(one.tag, []).append(one)
    points = tuple(
        _standing(point, tuple(by_tag.pop(point.tag, ())), reopening) for point in site.points
    )
    gone = tuple(left[-1] for left in by_tag.values())
    numbers = [int(one.deficiency) for one in tries if one.deficiency]
    unreadable = (*bad_tries, *bad_changes)
    return CheckoutStanding(site, points, gone, unreadable, 1 + max(numbers, default=0))


def _standing(
    point: Point, tries: tuple[Try, ...], reopening: Mapping[str, ChangeMade]
) -> PointStanding:
    if not tries:
        return PointStanding(point, "open", ())
    last = tries[-1]
    why = differs(last.row, row_of(point))
    change = reopening.get(point.tag)
    if change is not None and _moment(change.at) > _moment(last.at):
        told = f"{change.kind} {change.what} by {change.by}: {change.why}"
        why = f"{told} ({why})" if why else told
    if why:
        return PointStanding(point, "reopened", tries, why)
    return PointStanding(point, "passed" if last.result == "pass" else "failed", tries)


def row_of(point: Point) -> str:
    """The row as a try keeps it: `direction=in; device=io_sower; …`; what is empty is left out."""
    facts = point.model_dump(mode="json", include=set(CHECKED))
    return "; ".join(f"{key}={facts[key]}" for key in CHECKED if facts[key] not in (None, ""))


def differs(old: str, new: str) -> str:
    """What differs between two rows, in words; empty if nothing does."""
    before, after = (dict(part.split("=", 1) for part in row.split("; ")) for row in (old, new))
    return ", ".join(
        f"{key} {before.get(key, 'nothing')} → {after.get(key, 'nothing')}"
        for key in CHECKED
        if before.get(key) != after.get(key)
    )


def _moment(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(text)


# the file ----------------------------------------------------------------------------------------


def read_tries(folder: Path) -> tuple[tuple[Try, ...], tuple[Finding, ...]]:
    """The tries in order of the file, and a finding for each row that cannot be read."""
    rows, findings = read_rows(folder, FILE, COLUMNS, _wrong)
    return tuple(Try(**row) for row in rows), findings


def append_try(folder: Path, one: Try) -> None:
    """Add one row, as `append_row` does and with what it raises."""
    append_row(folder, FILE, asdict(one))


def _wrong(cells: Cells) -> tuple[str, str] | None:
    if cells["result"] not in ("pass", "fail"):
        return "result", f"{cells['result']!r} is neither pass nor fail"
    if cells["deficiency"] and not cells["deficiency"].isdecimal():
        return "deficiency", f"{cells['deficiency']!r} is no number"
    if any("=" not in part for part in cells["row"].split("; ")):
        return "row", f"{cells['row']!r} is no row as the tool writes it"
    return no_instant(cells, "at")

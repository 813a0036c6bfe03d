"""The sheet of an IO checkout: every point with what its tries found, counts, and the punch list.

Made from the records in the site's folder, so that it says no more than what was written down when
it was done.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from typing import NamedTuple

from linectl.commission.checkout.punch_list import Deficiency, deficiencies_of
from linectl.commission.checkout.record import CheckoutStanding, PointStanding, Try
from linectl.commission.io_sheet import Place, sheet_of
from linectl.commission.kept_rows import safe_cell
from linectl.site.hardware import Point
from linectl.site.notation import both_ways

GUARDS = "guards"
"""Where the points of all guards stand together."""
OF_SHEET = ("sheet_site_digest", "sheet_version", "printed_at")
COLUMNS = (
    "tag", "state", "why_open", "station", "what", "direction", "type", "device", "table",
    "address", "reference", "bit", "unit", "note", "supply", "normal", "tries", "result", "found",
    "left", "trace", "readings", "fit", "travel_ms", "remark", "deficiency", "retested",
    "instrument", "by", "at", "witness", "row", "tried_site_digest", "tried_version",
    *OF_SHEET,
)  # fmt: skip
"""Of the CSV; `tried_…` are of the point's last try."""


class Reading(NamedTuple):
    """One reading of an analogue beside its reference, in the point's unit; `raw` in counts."""

    reference: float
    raw: float
    reading: float
    way: str
    """up or down: how the reference was approached."""

    @property
    def error(self) -> float:
        """Reading − reference."""
        return self.reading - self.reference


@dataclass(frozen=True)
class SheetRow:
    """One point of the sheet."""

    standing: PointStanding
    place: Place
    station: str

    @property
    def point(self) -> Point:
        return self.standing.point

    @property
    def last(self) -> Try | None:
        return self.standing.last

    @property
    def state(self) -> str:
        """passed, retested (passed, and failed before), failed, open or reopened."""
        return "retested" if self.standing.retested else self.standing.state

    @property
    def where(self) -> str:
        """The address both ways, with its bit: `holding 17 (reference 40018) bit 3`."""
        point = self.point
        spoken = both_ways(point.table, point.address, point.words)
        return spoken if point.bit is None else f"{spoken} bit {point.bit}"

    @property
    def readings(self) -> tuple[Reading, ...]:
        """Of the last try of an analogue."""
        return readings_of(self.last.readings) if self.last is not None else ()

    def facts(self) -> dict[str, str]:
        """Every column but the sheet's own as text."""
        cells = self.cells()
        return {key: cells[key] for key in COLUMNS if key not in OF_SHEET}

    def cells(self) -> dict[str, str]:
        """Every column as text; those of the sheet itself empty."""
        point, place = self.point, self.place.cells()
        made = dict.fromkeys(COLUMNS, "")
        made |= {key: place[key] for key in ("table", "address", "reference", "bit", "normal")}
        made |= {
            "tag": point.tag,
            "state": self.standing.state,
            "why_open": self.standing.why_open,
            "station": self.station,
            "what": self.place.text,
            "direction": point.direction,
            "type": point.type,
            "device": point.device,
            "unit": point.unit,
            "note": point.note,
            "supply": point.supply,
            "tries": str(len(self.standing.tries)),
            "retested": "yes" if self.standing.retested else "",
        }
        if self.last is None:
            return made
        told = asdict(self.last)
        made |= {
            "tried_site_digest": told.pop("site_digest"),
            "tried_version": told.pop("version"),
            "left": told["left"] or told["found"],
        }
        return made | {key: told[key] for key in told.keys() - {"tag", "left"}}


@dataclass(frozen=True)
class Tally:
    """How the points of one device or station stand. `retested` are among the passed."""

    name: str
    points: int
    passed: int
    retested: int
    failed: int
    open: int
    reopened: int

    @property
    def done(self) -> bool:
        return self.passed == self.points


class Signer(NamedTuple):
    """A person of the record: points whose last try is theirs, points that they witnessed."""

    name: str
    tried: int
    witnessed: int


@dataclass(frozen=True)
class CheckoutSheet:
    """The sheet of a whole site."""

    standing: CheckoutStanding
    rows: tuple[SheetRow, ...]
    printed_at: str
    """ISO 8601 with the zone."""
    version: str

    @property
    def per_device(self) -> tuple[Tally, ...]:
        """In the order of io.csv."""
        return _tallies([(row.point.device, row) for row in self.rows])

    @property
    def per_station(self) -> tuple[Tally, ...]:
        return _tallies([(row.station, row) for row in self.rows])

    @property
    def whole(self) -> Tally:
        """All points."""
        return _tally("all points", self.rows)

    @property
    def punch_list(self) -> tuple[Deficiency, ...]:
        """Every deficiency on record, by number, what is open first."""
        found = [one for row in self.rows for one in deficiencies_of(row.standing.tries)]
        for last in self.standing.gone:
            found += deficiencies_of((last,), gone=True)
        return tuple(sorted(found, key=lambda one: (one.closed is not None, one.number)))

    @property
    def signers(self) -> tuple[Signer, ...]:
        """Everybody whose name a last try bears, in the order in which they first come."""
        last = [row.last for row in self.rows if row.last is not None]
        names = dict.fromkeys([one.by for one in last] + [one.witness for one in last])
        return tuple(
            Signer(name, sum(o.by == name for o in last), sum(o.witness == name for o in last))
            for name in names
            if name
        )

    def of_station(self, name: str) -> tuple[SheetRow, ...]:
        return tuple(row for row in self.rows if row.station == name)

    def csv_rows(self) -> Iterator[Mapping[str, str]]:
        """A row a point; no cell is one that a spreadsheet would calculate."""
        mine = {
            "sheet_site_digest": self.standing.site.digest,
            "sheet_version": self.version,
            "printed_at": self.printed_at,
        }
        for row in self.rows:
            yield {key: safe_cell(value) for key, value in (row.cells() | mine).items()}

    def as_json(self) -> dict[str, object]:
        """The object of `checkout --json`, and beside it:

        retested (of the passed), site_digest, version, printed_at; per_device and per_station
        [{name, points, passed, retested, failed, open, reopened}]; rows [{COLUMNS but the sheet's
        own, as text}]; punch_list [{see Deficiency.as_json}]; tries {tag: [every try as recorded]};
        gone [last tries of tags that io.csv no longer has]; unreadable [str].
        """
        return {
            **self.standing.as_json(),
            "retested": self.whole.retested,
            "site_digest": self.standing.site.digest,
            "version": self.version,
            "printed_at": self.printed_at,
            "per_device": [asdict(one) for one in self.per_device],
            "per_station": [asdict(one) for one in self.per_station],
            "rows": [row.facts() for row in self.rows],
            "punch_list": [one.as_json() for one in self.punch_list],
            "tries": {
                row.point.tag: [asdict(one) for one in row.standing.tries]
                for row in self.rows
                if row.standing.tries
            },
            "gone": [asdict(one) for one in self.standing.gone],
            "unreadable": [str(finding) for finding in self.standing.unreadable],
        }


def checkout_sheet(standing: CheckoutStanding, printed_at: str, version: str) -> CheckoutSheet:
    """The sheet of a checkout as it stands. `printed_at`: ISO 8601 with the zone."""
    site = standing.site
    places = {
        place.point.tag: place
        for device in site.file.devices
        for listed in sheet_of(site, device).tables.values()
        for place in listed
        if place.point is not None
    }
    rows = (SheetRow(one, places[one.point.tag], station_of(one.point)) for one in standing.points)
    return CheckoutSheet(standing, tuple(rows), printed_at, version)


def station_of(point: Point) -> str:
    """Where a point stands: its station, lane or zone; all guards together."""
    part = point.tag.split(".")[0]
    return GUARDS if part.startswith("guard_") else part


def readings_of(text: str) -> tuple[Reading, ...]:
    """The readings of a try; none if the cell holds no list of them."""
    try:
        return tuple(
            Reading(float(reference), float(raw), float(reading), str(way))
            for reference, raw, reading, way in json.loads(text or "[]")
        )
    except (ValueError, TypeError):
        return ()


def _tallies(named: Sequence[tuple[str, SheetRow]]) -> tuple[Tally, ...]:
    groups: dict[str, list[SheetRow]] = {}
    for name, row in named:
        groups.setdefault(name, []).append(row)
    return tuple(_tally(name, rows) for name, rows in groups.items())


def _tally(name: str, rows: Sequence[SheetRow]) -> Tally:
    states = [row.state for row in rows]
    counts = {field.name: states.count(field.name) for field in fields(Tally)[2:]}
    counts["passed"] += counts["retested"]
    return Tally(name, len(rows), **counts)

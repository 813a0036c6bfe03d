"""A shift as the ledger recorded it, whole: what `linectl report` prints, writes and draws."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from linectl.crop.pace import DAY_MS
from linectl.crop.site_takt import site_takt
from linectl.errors import UsageError
from linectl.ledger.clock import differs
from linectl.ledger.shift_reading import ShiftRecord, read_shift
from linectl.runtime.account import NO_CONTROLLER, UNITS, Row
from linectl.runtime.blend_account import yields_kg
from linectl.runtime.lane_ages import LaneAges, lane_ages
from linectl.runtime.lane_look import look_at_ledger
from linectl.runtime.shift_account import collect, cut
from linectl.runtime.shift_calendar import Span, local
from linectl.runtime.shift_counts import COUNTS, Counted, takt_spread
from linectl.runtime.shift_kpi import SOURCE, UNCLAMPED, unit_kpi
from linectl.runtime.shift_waits import SHORT, ranked, stands, time_of, with_meanwhile
from linectl.site.model import Site

_OUT = {"sowing": "insert", "harvest": "eject"}
"""The move that tells a unit's takt."""


@dataclass(frozen=True)
class ShiftReport:
    """`told`: the object of `report --json`. `ages` and `times` are what its pictures need more."""

    told: dict[str, Any]
    ages: list[LaneAges]
    times_s: dict[str, list[float]]
    """By unit: when each gutter was indexed or ejected, seconds from the shift's beginning."""
    days: dict[str, tuple[float, float]]
    """By crop: its days, and the age in days from which it is ripe."""


def report(site: Site, path: str, span: Span, now_ms: int) -> ShiftReport:
    """Read the ledger at `path` and tell the shift. A shift under way is told up to now.

    Raises UsageError where the ledger has nothing of that time, LedgerUnreachable.
    """
    record = read_shift(path, site.name, span.from_ms, span.to_ms, now_ms)
    if record.archived is not None and span.from_ms < record.archived[0]:
        cut_ms, archive = record.archived
        raise UsageError(
            f"ledger {path}: what is older than {_said(cut_ms)} was moved to the archive {archive};"
            f" ask there (--ledger), or from then on (--from)"
        )
    reached_ms = max(now_ms, record.last_ms)
    if not record.boots or span.from_ms >= reached_ms:
        raise UsageError(
            f"ledger {path}: no controller ran from {_said(span.from_ms)} to {_said(span.to_ms)};"
            f" its record goes from {_said(record.first_ms)} to {_said(record.last_ms)}: ask for a"
            " shift with --shift DATE, or for a time with --from and --to"
        )
    return _Telling(site, record, min(span.to_ms, reached_ms), now_ms).report(path, span)


def _said(time_ms: int) -> str:
    return f"{local(time_ms):%Y-%m-%d %H:%M:%S}"


class _Telling:
    """One shift being told: account, counts, ages."""

    def __init__(self, site: Site, record: ShiftRecord, end_ms: int, now_ms: int) -> None:
        self._site = site
        self._record = record
        self._end_ms = end_ms - record.from_ms
        """Length of what is told."""
        self._end_s = self._end_ms / 1000
        self._account = collect(record)
        self._counted = Counted(site, record)
        self._states = cut(self._account.states(), self._end_s)
        self._waits = cut(self._account.waits(), self._end_s)
        self._stands = stands(self._states, self._waits)
        self._ages_ms = max(now_ms, record.last_ms)

    def report(self, path: str, span: Span) -> ShiftReport:
        takt_s = site_takt(self._site).possible_ms / 1000
        ages = lane_ages(self._site, self._record.slots, self._record.crops, self._ages_ms)
        summaries = {row["lane"]: row for row in (lane.summary() for lane in ages)}
        crops = self._counted.by_crop()
        told: dict[str, Any] = {
            "site": self._site.name,
            "ledger": path,
            "shift": self._shift(span),
            "controller": self._controller(),
            "gutters": {name: sum(row[name] for row in crops) for name in COUNTS},
            "crops": crops,
            "blends": self._account.blends.rows(yields_kg(self._site)),
            "lanes": [
                {**row, "filled": summaries[row["lane"]]["filled"]}
                for row in self._counted.by_lane(self._site)
            ],
            "time": [{"unit": unit, **time_of(self._states, unit)} for unit in UNITS],
            "kpi": self._kpi(takt_s),
            "stands": with_meanwhile(self._stands, self._waits),
            "pareto": [row for unit in UNITS for row in ranked(self._stands, self._waits, unit)],
            "waits": self._waits,
            "trips": [t for t in self._account.trips() if 0 <= t["at_s"] < self._end_s],
            "takt": {"possible_s": takt_s, **{unit: self._takt(unit) for unit in UNITS}},
            "alarms": cut(self._account.alarms(), self._end_s),
            "alarm_rates": self._account.alarm_rates(self._end_ms),
            "interventions": cut(self._account.interventions(), self._end_s),
            "states": self._states,
            "flow": self._account.flow(self._end_ms),
            "ages": {
                "at": local(self._ages_ms).isoformat(timespec="seconds"),
                "lanes": list(summaries.values()),
            },
            "pace": look_at_ledger(self._site, path, self._ages_ms).told(),
        }
        start = self._record.from_ms
        times = {
            unit: [(at - start) / 1000 for at in self._counted.times(move)]
            for unit, move in _OUT.items()
        }
        days = {
            name: (crop.days_ms / DAY_MS, crop.ripe_after_ms / DAY_MS)
            for name, crop in self._record.crops.items()
        }
        return ShiftReport(told, ages, times, days)

    def _shift(self, span: Span) -> Row:
        return {
            "from": local(span.from_ms).isoformat(timespec="seconds"),
            "to": local(span.to_ms).isoformat(timespec="seconds"),
            "from_ms": span.from_ms,
            "to_ms": span.to_ms,
            "length_s": span.length_ms / 1000,
            "told_s": self._end_s,
            "under_way": self._end_ms < span.length_ms,
        }

    def _controller(self) -> list[Row]:
        """The boots of the shift, how long none ran after each, and a wall clock that was off."""
        start = self._record.from_ms
        rows = cut(
            [
                {
                    "boot": boot.id,
                    "from_s": (boot.from_ms - start) / 1000,
                    "to_s": (boot.to_ms - start) / 1000,
                    "in_order": boot.in_order,
                    "running": boot.running,
                    "clock": differs(boot.from_ms, boot.wall_ms),
                }
                for boot in self._record.boots
            ],
            self._end_s,
        )
        gone = [s for s in self._states if s["state"] == NO_CONTROLLER and s["unit"] == UNITS[0]]
        for row in rows:
            after = [state for state in gone if state["from_s"] >= row["to_s"]]
            row["none_after_s"] = after[0]["to_s"] - after[0]["from_s"] if after and (
                after[0]["from_s"] == row["to_s"]) else 0.0  # fmt: skip
        return rows

    def _kpi(self, takt_s: float) -> dict[str, Any]:
        units = [
            unit_kpi(unit, time_of(self._states, unit), takt_s, self._counted.produced(unit))
            for unit in UNITS
        ]
        return {"source": SOURCE, "remark": UNCLAMPED, "units": units}

    def _takt(self, unit: str) -> dict[str, Any]:
        stood = [row for row in self._stands if row["unit"] == unit]
        short = [row for row in self._waits if row["unit"] == unit and row["state"] == SHORT]
        times = self._counted.times(_OUT[unit])
        return takt_spread(times, self._record.from_ms, stood, short)

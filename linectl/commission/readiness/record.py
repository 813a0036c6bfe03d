"""The record of what people signed, overrode and took back on the list of commissioning.

`signed.csv` beside the site's files: one row an act, only ever added to. A signature counts while
what it rests on is as it was; an override while its time runs and nothing new is wrong.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields
from pathlib import Path

from linectl.commission.kept_rows import Cells, append_row, no_instant, read_rows
from linectl.errors import Finding

FILE = "signed.csv"
SIGN, OVERRIDE, WITHDRAW = "sign", "override", "withdraw"
ACTS = (SIGN, OVERRIDE, WITHDRAW)
BETWEEN = "; "
"""Between what an override covers."""
OVERRIDE_MOST_MS = 7 * 86_400_000
"""The longest override: within a week somebody looks at it anew (common practice, no source)."""
CLOCKS_APART = dt.timedelta(minutes=5)
"""So far clocks of two computers with one record may differ (common practice, no source)."""


@dataclass(frozen=True)
class Act:
    """One act of a person. Times of day are ISO 8601 with the zone."""

    at: str
    item: str
    act: str
    """One of ACTS; `withdraw` takes back both signature and override."""
    text: str
    """What was signed, as it was shown; of an override what was wrong."""
    by: str
    witness: str
    remark: str
    """Of an override or a withdrawal: why."""
    measured_ms: str
    """Of a watchdog: from the loss of its bus until the output dropped; else empty."""
    until: str
    """Of an override: when it ends; else empty."""
    covers: str
    """Of an override: what was missing, with `; ` between; what comes later is not covered."""
    rests_on: str
    """Twelve letters that change with what a signature rests on."""
    site_digest: str
    version: str

    @property
    def covered(self) -> frozenset[str]:
        return frozenset(self.covers.split(BETWEEN))

    @property
    def ends(self) -> dt.datetime:
        """When an override ends: as it says, and never later than the longest one would."""
        most = dt.datetime.fromisoformat(self.at) + dt.timedelta(milliseconds=OVERRIDE_MOST_MS)
        return min(dt.datetime.fromisoformat(self.until), most)

    def stands(self, now: dt.datetime) -> bool:
        """Its time runs. One that begins later than now says that a clock was set back: nobody
        knows then how long it has run."""
        begins = dt.datetime.fromisoformat(self.at)
        return begins - CLOCKS_APART <= now < self.ends


COLUMNS = tuple(field.name for field in fields(Act))


@dataclass(frozen=True)
class Acts:
    """All acts of a site, by item the last that counts."""

    rows: tuple[Act, ...] = ()
    unreadable: tuple[Finding, ...] = ()

    def signature(self, item: str) -> Act | None:
        """The signature that nobody has taken back."""
        return self._last(item, SIGN)

    def override(self, item: str) -> Act | None:
        """The override that nobody has taken back; its time may be over."""
        return self._last(item, OVERRIDE)

    def _last(self, item: str, act: str) -> Act | None:
        found = [row for row in self.rows if row.item == item and row.act in (act, WITHDRAW)]
        return found[-1] if found and found[-1].act == act else None


def read_acts(folder: Path) -> Acts:
    """The acts in order of the file, and a finding for each row that cannot be read."""
    rows, findings = read_rows(folder, FILE, COLUMNS, _wrong)
    return Acts(tuple(Act(**row) for row in rows), findings)


def append_act(folder: Path, act: Act) -> None:
    """Add one row, as `append_row` does and with what it raises."""
    append_row(folder, FILE, asdict(act))


def of_items(names: Sequence[str]) -> str:
    """Names as the column `covers` has them."""
    return BETWEEN.join(names)


def _wrong(cells: Cells) -> tuple[str, str] | None:
    if cells["act"] not in ACTS:
        return "act", f"{cells['act']!r} is none of {', '.join(ACTS)}"
    if not cells["by"].strip():
        return "by", "nobody is named"
    if cells["act"] == OVERRIDE and (wrong := no_instant(cells, "until")) is not None:
        return wrong
    return no_instant(cells, "at")

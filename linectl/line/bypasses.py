"""Bypasses: interlocks that a named person keeps from acting, for a reason and a limited time.

Only a cause whose row in the site's file allows it, and never one that protects a person, a
device's silence, or what follows from the machine's shape: `refusal` holds that here, whatever
the file says. A bypass ends by a person, by expiry, with the mode of a unit it concerns, and by a
restart; from then on the cause acts again, at once. It stays on the list, with its alarm, until
the cause has been tried: seen to go, to come and to go again, on good readings.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from linectl.image import Event, Left, Value
from linectl.line.cause_rows import Cause
from linectl.line.grants import terms
from linectl.line.inputs import NEVER
from linectl.site.complaints import nearest
from linectl.site.durations import format_duration
from linectl.site.model import Site
from linectl.site.never_bypassed import never_bypassed

if TYPE_CHECKING:
    from linectl.line.line import Line
    from linectl.line.units import Unit

IN_FORCE = "in force"
TRIAL = ("to go", "to come", "to go again", "tried")
"""Stages of a trial, each named for what must be seen next."""


@dataclass
class Bypass:
    """One bypass. Times in ms on the controller's clock, below zero before it started."""

    cause: str
    by: str
    reason: str
    since: int
    due: int
    """NEVER once the cause acts again."""
    stage: str = IN_FORCE
    came: int = 0
    """How often the cause came, on good readings, while it was kept from acting."""
    was_there: bool = False

    @property
    def in_force(self) -> bool:
        """The cause is kept from acting."""
        return self.stage == IN_FORCE


def refusal(site: Site, row: Cause) -> str | None:
    """Which rule forbids that this row is bypassed; None if the site's file allows it."""
    cause = site.interlocks.causes.get(row.name)
    if row.silence:
        return f"{row.name} is the silence of a device, which is never bypassed"
    if row.together_ms:
        return f"{row.name} is a lost supply, which is never bypassed"
    if cause is None or row.priority is None:
        return f"{row.name} follows from the machine's shape and is never bypassed"
    if protects := never_bypassed(site.points[test.index].tag for test in row.tests):
        return f"{protects}, which is never bypassed"
    if cause.bypass is None:
        return f"the site allows no bypass of {row.name} (interlocks.yaml, causes.{row.name})"
    if row.moment == "warn":
        return f"{row.name} only warns: there is nothing to bypass"
    return None


class Bypasses:
    """The list, the exposure by cause, and which numbers `Causes` is to leave out."""

    def __init__(self, line: Line) -> None:
        self.line = line
        self.standing: dict[str, Bypass] = {}
        """In force, or acting again and not yet tried."""
        self.totals: dict[str, list[int]] = {}
        """By cause: bypasses that have ended, ms in force, how often the cause came meanwhile."""
        self._numbers = {row.name: number for number, row in enumerate(line.causes.rows)}

    # what people do ----------------------------------------------------------------------------

    def begin(self, cause: str, duration: str, reason: str, by: str) -> str | None:
        """Keep a cause from acting. None when it is, else which rule forbids it."""
        line = self.line
        number = self._numbers.get(cause)
        if number is None:
            near = nearest(cause, line.site.interlocks.causes)
            return f"no cause {cause!r}" + (f"; {near}" if near else "")
        row = line.causes.rows[number]
        if why := refusal(line.site, row):
            return why
        allowed = line.site.interlocks.causes[cause].bypass
        length_ms = terms(duration, reason, by, allowed.limit_ms if allowed else 0)
        if isinstance(length_ms, str):
            return length_ms
        if cause in self.standing:
            return self._stands(self.standing[cause])
        now = line.now
        bypass = Bypass(cause, by.strip(), reason.strip(), now, now + length_ms)
        self.standing[cause] = bypass
        self._count(bypass)
        self._alarm(bypass)
        self._tell(bypass, "begun", {"limit_ms": length_ms})
        self._left_out()
        return None

    def end(self, cause: str, how: str) -> str | None:
        """The cause acts again from now on, and waits to be tried. None, or why there is none."""
        bypass = self.standing.get(cause)
        if bypass is None:
            return f"no bypass of {cause!r} stands"
        if not bypass.in_force:
            return self._stands(bypass)
        length_ms = self.line.now - bypass.since
        bypass.stage, bypass.due = TRIAL[0], NEVER
        self._alarm(bypass)
        self._add(bypass, length_ms, how)
        self._left_out()
        self._try(bypass)
        return None

    def mode_changed(self, unit: Unit) -> None:
        """A unit's mode has changed: every bypass of a cause that concerns it ends."""
        for bypass in self._in_force():
            if unit in self.units_of(bypass.cause):
                self.end(bypass.cause, f"mode of {unit.name}")

    def left(self, rows: Sequence[Left], totals: Mapping[str, list[int]]) -> None:
        """After a restart: what the record has as bypassed acts again, and waits to be tried.

        totals: exposure by cause from the record, as `totals` holds it.
        """
        self.totals = {cause: list(total) for cause, total in totals.items()}
        for row in rows:
            if row.name not in self._numbers:
                self._gone(row)
                continue
            bypass = Bypass(row.name, row.by, row.reason, row.since, NEVER, TRIAL[0])
            self.standing[bypass.cause] = bypass
            self._alarm(bypass)
            if row.in_force:
                self._add(bypass, row.until - row.since, "restart")

    def _gone(self, row: Left) -> None:
        """Its cause is no longer in the site: there is nothing to try, and the record says so."""
        text = f"{row.name} was bypassed by {row.by}; the site has no such cause any more"
        data: dict[str, Value | str | None] = {
            "stage": "ended", "by": row.by, "reason": row.reason, "ended_by": "restart",
            "for_ms": row.until - row.since,
        }  # fmt: skip
        self.line.emit(Event(self.line.now, "bypass", row.name, text, data))

    # one scan ----------------------------------------------------------------------------------

    def expire(self, now: int) -> None:
        """Before the causes are judged: what has reached its due acts again in this scan."""
        for bypass in self._in_force():
            if bypass.due <= now:
                self.end(bypass.cause, "expiry")

    def watch(self) -> None:
        """After the causes were judged: count what came, and see trials through."""
        for bypass in list(self.standing.values()):
            if bypass.in_force:
                self._count(bypass)
            else:
                self._try(bypass)

    def next_due(self) -> int:
        """When the earliest expires."""
        return min((bypass.due for bypass in self.standing.values()), default=NEVER)

    # what others ask ---------------------------------------------------------------------------

    def concerns(self, unit: Unit) -> bool:
        """One stands that concerns the unit, tried or not."""
        return any(unit in self.units_of(cause) for cause in self.standing)

    def units_of(self, cause: str) -> tuple[Unit, ...]:
        """The units that a cause concerns."""
        names = self.line.causes.rows[self._numbers[cause]].units
        return tuple(unit for unit in self.line.units if unit.name in names)

    def text(self, bypass: Bypass) -> str:
        """What a person reads of it."""
        if bypass.in_force:
            span = format_duration(bypass.due - bypass.since)
            return f"{bypass.cause} bypassed by {bypass.by} for {span}: {bypass.reason}"
        return f"{bypass.cause} was bypassed by {bypass.by} and acts again; not yet tried"

    def listed(self) -> list[dict[str, Any]]:
        """Each of them for `status`; times in seconds."""
        now = self.line.now
        return [
            {
                "cause": b.cause, "by": b.by, "reason": b.reason, "stage": b.stage,
                "since_s": (now - b.since) / 1000, "came": b.came,
                "left_s": (b.due - now) / 1000 if b.in_force else None,
            }
            for b in self.standing.values()
        ]  # fmt: skip

    def exposure(self) -> list[dict[str, Any]]:
        """By cause, since the record began: how often and how long it was kept from acting."""
        now = self.line.now
        sums = {cause: list(total) for cause, total in self.totals.items()}
        for bypass in self._in_force():
            total = sums.setdefault(bypass.cause, [0, 0, 0])
            total[0] += 1
            total[1] += now - bypass.since
            total[2] += bypass.came
        return [
            {"cause": cause, "times": times, "hours": round(ms / 3_600_000, 4), "came": came}
            for cause, (times, ms, came) in sorted(sums.items())
        ]

    def plain(self) -> dict[str, Any]:
        """The state as plain data."""
        return {
            "standing": [asdict(bypass) for bypass in self.standing.values()],
            "totals": {cause: list(total) for cause, total in self.totals.items()},
        }

    def fill(self, saved: Mapping[str, Any]) -> None:
        """Take over what `plain` gave."""
        self.standing = {row["cause"]: Bypass(**row) for row in saved["standing"]}
        self.totals = {cause: list(total) for cause, total in saved["totals"].items()}
        self._left_out()

    # within ------------------------------------------------------------------------------------

    def _in_force(self) -> list[Bypass]:
        return [bypass for bypass in self.standing.values() if bypass.in_force]

    def _stands(self, bypass: Bypass) -> str:
        """Why there is nothing to begin or to end."""
        waits = "" if bypass.in_force else f": the cause has {bypass.stage}"
        return self.text(bypass) + waits

    def _left_out(self) -> None:
        causes = self.line.causes
        causes.bypassed = {self._numbers[bypass.cause] for bypass in self._in_force()}
        causes.add_up()

    def _good(self, bypass: Bypass) -> bool:
        """All that the cause reads is read."""
        good = self.line.inputs.good
        row = self.line.causes.rows[self._numbers[bypass.cause]]
        return all(good[test.index] for test in row.tests)

    def _count(self, bypass: Bypass) -> None:
        if not self._good(bypass):
            return  # what nobody can read has neither come nor gone
        there = self.line.causes.live[self._numbers[bypass.cause]]
        bypass.came += there and not bypass.was_there
        bypass.was_there = there

    def _try(self, bypass: Bypass) -> None:
        """Each thing that the trial wants seen, on good readings only."""
        line = self.line
        if not self._good(bypass):
            return
        live = line.causes.live[self._numbers[bypass.cause]]
        before = bypass.stage
        while bypass.stage in TRIAL[:3] and live is (bypass.stage == "to come"):
            bypass.stage = TRIAL[TRIAL.index(bypass.stage) + 1]
        if bypass.stage == before:
            return
        line.changed = True
        if bypass.stage == "tried":
            del self.standing[bypass.cause]
            line.alarms.clear(f"bypass.{bypass.cause}")
            self._tell(bypass, "tried", {})

    def _add(self, bypass: Bypass, length_ms: int, how: str) -> None:
        """It is no longer in force: its exposure goes into the record and the totals."""
        total = self.totals.setdefault(bypass.cause, [0, 0, 0])
        for place, more in enumerate((1, length_ms, bypass.came)):
            total[place] += more
        self._tell(bypass, "acts again", {"ended_by": how, "for_ms": length_ms})

    def _alarm(self, bypass: Bypass) -> None:
        tag = f"bypass.{bypass.cause}"
        do = f"put right why it was bypassed, then: bypass-end {bypass.cause}"
        if not bypass.in_force:
            do = "try it: bring the cause about at its sensor and take it away again"
        self.line.alarms.clear(tag)
        self.line.alarms.raise_(tag, "medium", self.text(bypass), do)

    def _tell(self, bypass: Bypass, stage: str, more: Mapping[str, Value | str]) -> None:
        line = self.line
        for unit in self.units_of(bypass.cause):
            unit.touched = True
        data: dict[str, Value | str | None] = {
            "stage": stage, "by": bypass.by, "reason": bypass.reason, "from_ms": bypass.since,
            "to_ms": line.now, "came": bypass.came, **more,
        }  # fmt: skip
        line.emit(Event(line.now, "bypass", bypass.cause, self.text(bypass), data))
        line.changed = True

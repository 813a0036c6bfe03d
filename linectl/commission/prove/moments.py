"""When each cause is tripped: the fewest moments that have every output of its cells on before it.

One reference run records when each output is on. An output that is never on for as long as the
line may take to switch it off cannot be seen to be switched off: it is listed, not counted.
"""

from __future__ import annotations

import random
from dataclasses import dataclass

from linectl.commission.prove.promised import Promise
from linectl.commission.prove.reactions import Limits
from linectl.commission.prove.stand import UNITS, Stand
from linectl.site.model import Site

RUN_MAX_MS = 40 * 60_000
STEP_MS = 30_000
NEWS_MAX_MS = 10 * 60_000
"""Without an output that comes on for the first time or the second for so long, it ends."""
TIMES_WANTED = 2
"""How often an output should have been on before the reference run may end."""
QUIET_MS = 200
"""How long the line is watched before the trip."""
LAG_MS = 150
"""From an act to its sensor: air vents, relays drop (a real delay of the plant)."""
Spans = dict[int, list[tuple[int, int]]]


@dataclass(frozen=True)
class Moment:
    """A time of the reference run, and the outputs that stay on from it long enough."""

    at_ms: int
    on: frozenset[int]


class Reference:
    """One undisturbed run: when outputs were on, when both units were in Execute."""

    def __init__(
        self, site: Site, seed: int, mode: str = "production", run_max_ms: int = RUN_MAX_MS
    ) -> None:
        self.site = site
        stand = Stand(site, seed, mode)
        self._began: dict[int, int] = {}
        self.spans: Spans = {}
        self.working_from = 0
        stand.watchers.append(lambda now: self._look(stand, now))
        wanted = set(self._moving(stand))
        often, news_at = 0, 0
        while stand.now < min(run_max_ms, news_at + NEWS_MAX_MS) and often < len(wanted):
            stand.run_for(STEP_MS)
            before, often = often, sum(self._often(index, stand.now) for index in wanted)
            news_at = stand.now if often > before else news_at
        self.end_ms = stand.now
        for index, began in self._began.items():
            self.spans.setdefault(index, []).append((began, self.end_ms))

    def _often(self, index: int, now: int) -> bool:
        """It has been on some times, or is on for long."""
        spans = len(self.spans.get(index, ()))
        return spans >= TIMES_WANTED or now - self._began.get(index, now) > STEP_MS

    def _moving(self, stand: Stand) -> list[int]:
        rows = stand.line.causes.rows
        blocked = 0
        for row in rows:
            blocked |= row.blocks | row.bars
        return [p.index for p in stand.bool_outputs if blocked >> p.index & 1]

    def _look(self, stand: Stand, now: int) -> None:
        for index in stand.line.written:
            if not self.site.points[index].is_bool:
                continue
            if stand.is_on(index):
                self._began.setdefault(index, now)
            elif index in self._began:
                self.spans.setdefault(index, []).append((self._began.pop(index), now))
        if not self.working_from and all(stand.state(unit) == "Execute" for unit in UNITS):
            self.working_from = now


def moments(
    reference: Reference, promise: Promise, limits: Limits, seed: int
) -> tuple[tuple[Moment, ...], frozenset[int]]:
    """The moments to trip a cause at, and the outputs that are on at none of them."""
    chance = random.Random(f"{seed} {promise.name}")
    scan = reference.site.file.scan_ms
    first = reference.working_from + 10 * scan + QUIET_MS
    usable: Spans = {}
    for index in promise.watched:
        need = limits.worst_ms(promise, index) + LAG_MS
        usable[index] = [
            (max(began + 2 * scan, first), round(ended - need))
            for began, ended in reference.spans.get(index, ())
            if max(began + 2 * scan, first) <= ended - need
        ]
    left = {index for index in usable if usable[index]}
    unseen = frozenset(set(usable) - left)
    chosen: list[Moment] = []
    times = sorted(
        {
            -(-(began + chance.randint(0, min(ended - began, 120))) // scan) * scan
            for spans in usable.values()
            for began, ended in spans
        }
    )
    on_at = {
        at: frozenset(i for i, spans in usable.items() if any(b <= at <= e for b, e in spans))
        for at in times
    }
    while left:
        at = max(times, key=lambda time: (len(on_at[time] & left), -time))
        chosen.append(Moment(at, on_at[at]))
        left -= on_at[at]
    if not chosen:
        chosen.append(Moment((first + chance.randint(0, 20_000)) // scan * scan, frozenset()))
    return tuple(chosen), unseen

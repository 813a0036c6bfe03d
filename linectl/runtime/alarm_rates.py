"""How alarms burden people: rates, floods, chattering, stale ones, the top ten, priority shares.

Measures of ISA-18.2-2016 clause 16 and IEC 62682 [limits from memory]. Counted are annunciations:
each time an alarm calls for an acknowledgement, also one that rings again before it was reset, or
is shown again after it was hidden.
Pure: the same events give the same figures.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

from linectl.image import Event

MINUTE_MS = 60_000
TEN_MINUTES_MS = 10 * MINUTE_MS
HOUR_MS = 60 * MINUTE_MS
FLOOD_BEGINS_ABOVE = 10
"""Alarms in ten minutes."""
FLOOD_ENDS_BELOW = 5
CHATTERS_FROM = 3
"""Alarms of one tag in a minute."""
STALE_MS = 24 * HOUR_MS
TARGET_PER_TEN_MINUTES = 1.0
TARGET_SHARES = {"low": 0.80, "medium": 0.15, "high": 0.05}
TOP = 10
CHANGES_MAX = 20_000
"""Changes that a running controller keeps: a week at ten times the target rate, two a piece."""

_IN_FORCE = ("unacknowledged", "acknowledged", "latched_unacknowledged", "latched_acknowledged")
_PUT_ASIDE = ("shelved", "suppressed_by_design", "out_of_service")


class Change(NamedTuple):
    """An alarm's change of state. `at` in ms."""

    at: int
    tag: str
    priority: str
    state: str
    in_force: bool
    """Its condition or latch is there, shown or not."""
    rang: bool
    """It called for an acknowledgement anew."""


def change_of(event: Event) -> Change:
    """The change that an `alarm_state` event tells."""
    data = event.data
    was, state = str(data["was"]), str(data["state"])
    rang = state == "unacknowledged" or (state.startswith("latched_un") and was in _PUT_ASIDE)
    priority, in_force = str(data["priority"]), bool(data["in_force"])
    return Change(event.at, event.source, priority, state, in_force, rang)


class AlarmLog:
    """The last changes of state, in order."""

    def __init__(self) -> None:
        self._changes: deque[Change] = deque(maxlen=CHANGES_MAX)
        self._lost_at = 0

    def take(self, events: Iterable[Event]) -> None:
        """Keep what these events say of alarms."""
        for event in events:
            if event.kind == "alarm_state":
                if len(self._changes) == CHANGES_MAX:
                    self._lost_at = self._changes[1].at
                self._changes.append(change_of(event))

    @property
    def since(self) -> int:
        """From when on it is complete, in ms."""
        return self._lost_at

    def changes(self) -> list[Change]:
        """What is kept."""
        return list(self._changes)


def rates(changes: Sequence[Change], since: int, until: int) -> dict[str, Any]:
    """Every measure over `since` ≤ time ≤ `until` (ms); `changes` in order of time.

    Times out are seconds as the changes' own clock counts them.
    """
    seen = [change for change in changes if since <= change.at <= until]
    rung = [change for change in seen if change.rang]
    times = [change.at for change in rung]
    tens = _per(times, since, until, TEN_MINUTES_MS)
    hours = _per(times, since, until, HOUR_MS)
    count = len(rung)
    return {
        "from_s": since / 1000,
        "to_s": until / 1000,
        "alarms": count,
        "per_10min": _rate(tens, count, until - since, TEN_MINUTES_MS),
        "per_hour": _rate(hours, count, until - since, HOUR_MS),
        "target_per_10min": TARGET_PER_TEN_MINUTES,
        "floods": floods(times, until),
        "chattering": chattering(rung),
        "stale": stale(changes, until),
        "top": top(rung),
        "priorities": _shares(rung),
        "now": _now(changes, until),
    }


def _per(times: Sequence[int], since: int, until: int, period: int) -> list[int]:
    """How many fall into each period, counted from `since`; the last may be cut short."""
    counts = [0] * max(1, -(-(until - since) // period))
    for time in times:
        counts[min((time - since) // period, len(counts) - 1)] += 1
    return counts


def _rate(counts: Sequence[int], count: int, lasted: int, period: int) -> dict[str, Any]:
    """`mean` is None where less than one period was measured."""
    return {
        "mean": round(count * period / lasted, 3) if lasted >= period else None,
        "most": max(counts),
        "counts": list(counts),
    }


def floods(times: Sequence[int], until: int) -> list[dict[str, Any]]:
    """Spans in which alarms came faster than people can look.

    Begun by the alarm that is more than the tenth within ten minutes; over as soon as the last
    ten minutes hold fewer than five. The ten minutes slide, so that no flood hides astride the
    ends of regular ones. Still on at `until`: its end is None.
    """
    found: list[dict[str, Any]] = []
    window: deque[int] = deque()
    running = False
    for time in times:
        if running and _over(window) < time:
            found[-1]["to_s"] = _over(window) / 1000
            running = False
        window.append(time)
        while window[0] <= time - TEN_MINUTES_MS:
            window.popleft()
        if running:
            found[-1]["alarms"] += 1
        elif len(window) > FLOOD_BEGINS_ABOVE:
            running = True
            found.append({"from_s": time / 1000, "to_s": None, "alarms": len(window)})
    if running and _over(window) <= until:
        found[-1]["to_s"] = _over(window) / 1000
    return found


def _over(window: deque[int]) -> int:
    """When a flood is over if no other alarm comes: the fifth last is ten minutes old."""
    return window[-FLOOD_ENDS_BELOW] + TEN_MINUTES_MS


def chattering(rung: Sequence[Change]) -> list[dict[str, Any]]:
    """Alarms that came three times or more within a minute: how often in all, and at most."""
    by_tag: dict[str, list[int]] = {}
    for change in rung:
        by_tag.setdefault(change.tag, []).append(change.at)
    found = []
    for tag, times in by_tag.items():
        most = max(sum(at <= other < at + MINUTE_MS for other in times) for at in times)
        if most >= CHATTERS_FROM:
            found.append({"tag": tag, "times": len(times), "most_in_a_minute": most})
    return sorted(found, key=lambda row: (-row["most_in_a_minute"], row["tag"]))


def stale(changes: Sequence[Change], until: int) -> list[dict[str, Any]]:
    """Alarms in force for more than a day on end, shown all the time; still so, or ended."""
    began: dict[str, int] = {}
    found: list[dict[str, Any]] = []

    def close(tag: str, end: int, to_s: float | None) -> None:
        start = began.pop(tag)
        if end - start > STALE_MS:
            found.append({"tag": tag, "from_s": start / 1000, "to_s": to_s})

    for change in changes:
        if change.at > until:
            break
        if change.state in _IN_FORCE:
            began.setdefault(change.tag, change.at)
        elif change.tag in began:
            close(change.tag, change.at, change.at / 1000)
    for tag in list(began):
        close(tag, until, None)
    return sorted(found, key=lambda row: (row["from_s"], row["tag"]))


def top(rung: Sequence[Change]) -> list[dict[str, Any]]:
    """The ten alarms that came most often, with their share of all."""
    counts = Counter(change.tag for change in rung)
    first = sorted(counts.items(), key=lambda item: (-item[1], item[0]))[:TOP]
    return [
        {"tag": tag, "times": times, "share": round(times / len(rung), 4)} for tag, times in first
    ]


def _shares(rung: Sequence[Change]) -> dict[str, dict[str, Any]]:
    counts = Counter(change.priority for change in rung)
    return {
        priority: {
            "times": counts[priority],
            "share": round(counts[priority] / len(rung), 4) if rung else None,
            "target": target,
        }
        for priority, target in TARGET_SHARES.items()
    }


def _now(changes: Sequence[Change], until: int) -> dict[str, int]:
    """How many alarms are in which state at the end; of the suppressed those in force."""
    last = {change.tag: change for change in changes if change.at <= until}
    counts = Counter(
        change.state
        for change in last.values()
        if change.in_force or change.state != "suppressed_by_design"
    )
    waiting = ("unacknowledged", "latched_unacknowledged", "returned_unacknowledged")
    return {
        "standing": sum(counts[state] for state in _IN_FORCE),
        "unacknowledged": sum(counts[state] for state in waiting),
        **{state: counts[state] for state in _PUT_ASIDE},
    }

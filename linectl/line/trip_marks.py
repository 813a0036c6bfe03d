"""A trip as plain data, and the judgement on it: what came first, what followed, what is apart.

Nobody sees when something happened in the field, only when a scan saw it. So every mark has an
interval: it came no later than the scan that saw it, and no earlier than the last look at its
point could have been (the point's worst age and one scan before). Of two marks whose intervals
overlap nobody can say which came first: they are a tie. The ages are those of a healthy line.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

AFTER_SHOWN = 4
"""Things named in the one line for a person; the record has all."""
STOPPED = {"abort": "aborted", "hold": "held", "suspend": "suspended"}


@dataclass
class Mark:
    """One thing that a trip has seen: a cause, a station's alarm, or a sign. Times in ms."""

    tag: str
    text: str
    where: str
    """The points it reads, as a person finds them; or its own tag."""
    kind: str
    """cause, alarm or sign."""
    earliest: int
    latest: int
    explains: list[str] = field(default_factory=list)
    own: bool = False
    """It follows from the line's own stop."""

    @property
    def words(self) -> str:
        """As the one line names it."""
        return f"{self.text} ({self.where})"


@dataclass
class Trip:
    """Units that moved and were stopped, outputs that were on and were cut, and the marks."""

    number: int
    began: int
    units: dict[str, str] = field(default_factory=dict)
    """unit → what was done to it: abort, hold or suspend."""
    parts: list[str] = field(default_factory=list)
    """Parts whose outputs a cause cut."""
    cut: int = 0
    """Bits of the outputs that went off with it."""
    marks: list[Mark] = field(default_factory=list)
    beyond: int = 0
    """Marks that found no room."""
    held_before: list[str] = field(default_factory=list)
    """Signs that held before it began: they tell nothing."""

    def has(self, tag: str) -> bool:
        """True if that mark is in it already."""
        return any(mark.tag == tag for mark in self.marks)


def followers(marks: Sequence[Mark]) -> dict[str, str]:
    """Mark → the mark that explains it, empty for the line's own stop; those apart left out.

    An explanation counts only if it may have come before what it explains.
    """
    found: dict[str, str] = {}
    for mark in marks:
        parents = (
            other.tag
            for other in marks
            if mark.tag in other.explains and other.earliest <= mark.latest and other is not mark
        )
        parent = next(parents, "" if mark.own else None)
        if parent is not None:
            found[mark.tag] = parent
    if len(found) == len(marks):  # causes that explain each other: none of them explains anything
        return {mark.tag: "" for mark in marks if mark.own and len(marks) > 1}
    return found


def first_of(marks: Sequence[Mark]) -> list[Mark]:
    """The marks that may have come first; more than one: a tie. Empty only without marks."""
    after = followers(marks)
    roots = [mark for mark in marks if mark.tag not in after] or list(marks)
    limit = min((mark.latest for mark in roots), default=0)
    return [mark for mark in roots if mark.earliest <= limit]


def record(trip: Trip, outputs: Mapping[int, str], ended: bool) -> dict[str, Any]:
    """The trip as plain data; `outputs`: tags by index. Times are the controller's ms."""
    after = followers(trip.marks)
    first = first_of(trip.marks)
    tags = [mark.tag for mark in first]
    apart = [mark for mark in trip.marks if mark.tag not in after and mark.tag not in tags]
    followed = [mark for mark in trip.marks if mark.tag in after]
    alarms_last = sorted(followed, key=lambda mark: mark.kind == "alarm")
    return {
        "number": trip.number,
        "began_ms": trip.began,
        "what": _what(trip),
        "units": dict(trip.units),
        "parts": list(trip.parts),
        "first": tags,
        "first_words": [mark.words for mark in first],
        "tie": len(first) > 1,
        "resolution_ms": max((mark.latest - mark.earliest for mark in first), default=0),
        "after": [_short(mark) for mark in alarms_last],
        "apart": [f"{mark.words} {_later(mark.latest - trip.began)}" for mark in apart],
        "beyond": trip.beyond,
        "ended": ended,
        "cut": [tag for index, tag in outputs.items() if trip.cut >> index & 1],
        "marks": [
            {
                "tag": mark.tag, "text": mark.text, "where": mark.where, "kind": mark.kind,
                "earliest_ms": mark.earliest, "latest_ms": mark.latest,
                "is": "first" if mark.tag in tags else "after" if mark.tag in after else "apart",
                "follows": after.get(mark.tag),
            }
            for mark in trip.marks
        ],
    }  # fmt: skip


def sentence(told: Mapping[str, Any], when: str = "") -> str:
    """The one line for a person, from a record and the time of day as they read it.

    "Sowing aborted 14:02:07.350 (±80 ms): guard at seeder opened (seed.guard); after it: vacuum
    low". A tie names all that may have been first.
    """
    head = f"{told['what']} {when}".rstrip()
    words = told["first_words"]
    if told["tie"]:
        within = f"cannot be told apart within {told['resolution_ms']} ms"
        text = f"{head}: one of ({within}): {'; '.join(words)}"
    else:
        text = f"{head} (±{told['resolution_ms']} ms): {'; '.join(words)}"
    if told["after"]:
        text += f"; after it: {_some(told['after'])}"
    if told["apart"]:
        text += f"; apart from it: {_some(told['apart'])}"
    return text


def _what(trip: Trip) -> str:
    """Sowing aborted; Sowing and harvest held; Lane 1 stopped."""
    if trip.units:
        by_action: dict[str, list[str]] = {}
        for unit, action in sorted(trip.units.items(), reverse=True):
            by_action.setdefault(action, []).append(unit)
        clauses = [f"{' and '.join(units)} {STOPPED[a]}" for a, units in by_action.items()]
        text = ", ".join(clauses)
    else:
        text = f"{', '.join(trip.parts) or 'outputs'} stopped"
    return text[:1].upper() + text[1:]


def _short(mark: Mark) -> str:
    return mark.text if mark.kind != "alarm" else mark.tag.replace(".", " ").replace("_", " ")


def _later(milliseconds: int) -> str:
    return f"{'later' if milliseconds >= 0 else 'before'} by {abs(milliseconds) / 1000:g} s"


def _some(words: Sequence[str]) -> str:
    shown = ", ".join(words[:AFTER_SHOWN])
    return shown if len(words) <= AFTER_SHOWN else f"{shown} and {len(words) - AFTER_SHOWN} more"

"""What the sensors cannot settle after a power cut: plain questions, and what a person may answer.

A question is data only. What it asks about is judged anew whenever an input changes while it
stands, so that it ends by itself as soon as the sensors do settle it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from linectl.site.machine import Lane as LaneFacts

if TYPE_CHECKING:
    from linectl.line.part import Part

LOCK_OUT = (
    "Lock out zone {zone} before you reach in; local rules and a licensed electrician decide how"
)


class Question(NamedTuple):
    """One question about one gutter or slot.

    id: the same as long as it stands, and after a further power cut (`lane3.mouth`). place: what a
    person has to look at. choices: (word, what follows from it). caution: what comes before a hand
    reaches in. part: whose judgement it waits for; gutter: id, 0 for none, -1 for unknown.
    """

    id: str
    place: str
    text: str
    choices: tuple[tuple[str, str], ...]
    caution: str
    part: str
    gutter: int = 0

    def plain(self) -> list[object]:
        """As the snapshot keeps it."""
        return [*self[:3], [list(choice) for choice in self.choices], *self[4:]]

    @classmethod
    def of(cls, row: list[object]) -> Question:
        """From what `plain` gave."""
        row = list(row)
        row[3] = tuple(tuple(choice) for choice in row[3])  # type: ignore[attr-defined]
        return cls(*row)  # type: ignore[arg-type]


def caution(part: Part) -> str:
    """Lock-out of the zone where the part stands."""
    facts = getattr(part, "facts", None)
    zone = facts.zone if facts is not None else part.name
    text = LOCK_OUT.format(zone=zone)
    if isinstance(facts, LaneFacts):
        return text
    return f"{text}; a gutter is lifted by two people"

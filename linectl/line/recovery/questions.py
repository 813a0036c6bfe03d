"""What the sensors cannot settle after a power cut: plain questions, and what a person may answer.

A question is data only. What it asks about is judged anew when an input has changed while it
stands and has been still since, so that it ends by itself once the sensors do settle it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

from linectl.site.machine import Lane as LaneFacts

if TYPE_CHECKING:
    from linectl.line.part import Part

LOCK_OUT = (
    "Lock out zone {zone} before you reach in; local rules and a licensed electrician decide how"
)


CLOCK = "clock"
"""Id of the question about the wall clock, which waits in no part."""
BY_HAND = "by_hand"
"""Id of the question about what was moved by hand in maintenance; it waits in no part either."""
OF_NO_PART = frozenset((CLOCK, BY_HAND))


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
    def of(cls, row: Sequence[Any]) -> Question:
        """From what `plain` gave."""
        identity, place, text, choices, caution, part, gutter = row
        known = tuple((word, consequence) for word, consequence in choices)
        return cls(identity, place, text, known, caution, part, gutter)


def of_the_clock(text: str) -> Question:
    """Was the controller off for as long as the wall clock says? No sensor and no part knows."""
    choices = (
        ("right", "it was off for so long: ages count it from the controller's next start on"),
        ("wrong", "the clock is wrong: set it, then start the controller again"),
    )
    return Question(CLOCK, "the controller's clock", text, choices, "", CLOCK)


def caution(part: Part) -> str:
    """Lock-out of the zone where the part stands."""
    facts = getattr(part, "facts", None)
    zone = facts.zone if facts is not None else part.name
    text = LOCK_OUT.format(zone=zone)
    if isinstance(facts, LaneFacts):
        return text
    return f"{text}; a gutter is lifted by two people"

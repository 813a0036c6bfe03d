"""What one try of a point came to, and what holds for a whole round of tries."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

from linectl.commission.controller import Change

IN_ORDER = "in order"
WAIT_MS = 120_000
"""How long a person may take to a device and act, before the tool asks whether it is dead."""
TOLERANCE = 0.01
"""Of the span, by which a reading may differ from its reference (common practice, no source)."""


@dataclass(frozen=True)
class Outcome:
    """One try. `found` names the fault, or says that all was in order."""

    passed: bool
    found: str = IN_ORDER
    trace: str = ""
    readings: str = ""
    fit: str = ""
    travel_ms: str = ""
    remark: str = ""
    partners: tuple[str, ...] = ()
    """Points that moved instead: they are tried next."""
    beside: Mapping[str, Outcome] = field(default_factory=dict)
    """Feedbacks that were tried with it, by tag."""

    def faulty(self, found: str, partners: tuple[str, ...] = ()) -> Outcome:
        """The same try, with what was wrong."""
        return replace(self, passed=False, found=found, partners=partners)


@dataclass(frozen=True)
class Terms:
    """What holds for a whole round."""

    by: str
    witness: str
    instrument: str
    now: Callable[[], dt.datetime]
    """The wall clock, with its zone."""
    pause: Callable[[], None]
    """Between two looks at the controller."""
    wait_ms: int = WAIT_MS
    tolerance: float = TOLERANCE
    ranges: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    """Least and greatest of numbers, by tag; what is not here is proposed, and asked."""


class Trial(Protocol):
    """One way to try a point."""

    def run(self) -> Outcome | None:
        """What was found; None if it was left out. Raises Ended."""


def failed(
    found: str,
    *,
    trace: str = "",
    readings: str = "",
    fit: str = "",
    partners: tuple[str, ...] = (),
) -> Outcome:
    """A try that found that."""
    return Outcome(False, found, trace=trace, readings=readings, fit=fit, partners=partners)


def trace_of(edges: Sequence[Change], tag: str = "") -> str:
    """`1 at +0 ms, 0 at +2310 ms`: the edges of one point, from the first on."""
    named = f"{tag} " if tag else ""
    first = edges[0].at_ms if edges else 0
    told = (f"{_level(edge)} at +{edge.at_ms - first} ms" for edge in edges)
    return ", ".join(f"{named}{one}" for one in told)


def _level(edge: Change) -> str:
    return "no reading" if edge.value is None else f"{int(bool(edge.value))}"

"""Early or late: what a lane's rate does to the age at which its gutters come out.

A lane is first in, first out, and one goes in for one out. So the gutter that has j others before
it leaves after j more ejects, and all that a rate decides is when that is. A lane of N gutters that
keeps its crop's days D gives N ÷ D a day (Little). Each gutter that harvest does not take makes
every other stand D ÷ N days longer; nothing but ejecting faster ever takes that back.

Days are days of the calendar: a lane that works five days a week gives its rate on the mean of
seven.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import inf
from typing import NamedTuple

from linectl.crop.lanes import gutters_per_day


class Stands(NamedTuple):
    """A gutter in a lane. All in days; age None: nobody knows it."""

    age: float | None
    days: float
    """Its crop's days."""
    ripe: float
    """Age from which it may be ejected."""
    tolerance: float
    """How far from its days it may come out and still be in time."""


class Rates(NamedTuple):
    """Gutters a day of a lane: what keeps its crop's days, and what still does within tolerance."""

    slowest: float
    keeps: float
    fastest: float


class Grown(NamedTuple):
    """Days by which residence is longer than the crop's days (below 0: shorter)."""

    tail: float
    """Of those that come out from then on, until the first sown after it does."""
    mean: float
    """Of all that stood when it began."""


class Work(NamedTuple):
    """A shift to come: from when to when, in days from now, and gutters taken evenly in it."""

    begins: float
    ends: float
    gutters: float


class Off(NamedTuple):
    """A tail that is early or late."""

    in_days: float
    """When, from now."""
    days: float
    """By how much it is late; below 0: early."""


class Outlook(NamedTuple):
    """How what stands in a lane will come out. None: nothing of the kind."""

    now: Off | None
    """The tail now, whatever is taken."""
    first: Off | None
    """When first a tail is early or late by more than its tolerance, and by how much it leaves."""
    most: Off | None
    """When the one leaves that goes farthest the same way as the first."""
    unripe_in: float | None
    """Days until first a tail is not ripe when its turn comes: harvest waits there."""


def rates(standing: float, days: float, tolerance: float) -> Rates:
    """What a lane of `standing` gutters must give a day for its crop's days, and give or take.

    Raises ValueError unless 0 ≤ tolerance < days and standing is not negative.
    """
    if not 0 <= tolerance < days:
        raise ValueError(f"a tolerance of {tolerance} days on {days} days")
    return Rates(
        slowest=gutters_per_day(standing, days + tolerance),
        keeps=gutters_per_day(standing, days),
        fastest=gutters_per_day(standing, days - tolerance),
    )


def missed(standing: float, days: float, gutters: float) -> Grown:
    """What `gutters` that harvest did not take do to a lane that else keeps its pace.

    All stand as long as those would have taken: gutters · days ÷ standing, tail and mean alike.
    Raises ValueError if there is no lane, or for a negative number.
    """
    if gutters < 0:
        raise ValueError(f"{gutters} missed")
    longer = gutters / gutters_per_day(_there(standing), days)
    return Grown(longer, longer)


def slowed(standing: int, days: float, a_day: float, for_days: float) -> Grown:
    """What `for_days` at `a_day` do to a lane that kept its pace before and does after.

    The k-th gutter from the tail leaves 1/a_day − 1/keeps later for each of the first k that go
    at that rate; those after them all by for_days · (1 − a_day ÷ keeps). Raises ValueError if
    there is no lane, or for a negative rate or time.
    """
    if a_day < 0 or for_days < 0:
        raise ValueError(f"{a_day} a day for {for_days} days")
    keeps = gutters_per_day(_there(standing), days)
    taken = a_day * for_days
    if taken >= standing:
        each = 1 / a_day - 1 / keeps
        return Grown(standing * each, each * (standing + 1) / 2)
    whole = int(taken)
    tail = for_days * (1 - a_day / keeps)
    first = (1 / a_day - 1 / keeps) * whole * (whole + 1) / 2 if whole else 0.0
    return Grown(tail, (first + (standing - whole) * tail) / standing)


def leaving(number: int, works: Iterable[Work]) -> list[float]:
    """When each of `number` gutters leaves, in days from now, the tail's first; inf: in none.

    The tail leaves when work begins, and each next one when as many have been taken as stood
    before it. Raises ValueError for work that ends before it begins, or takes less than none.
    """
    found: list[float] = []
    taken = 0.0
    for work in works:
        if work.ends < work.begins or work.gutters < 0:
            raise ValueError(f"{work} is no work")
        while len(found) < number and work.gutters and len(found) - taken < work.gutters:
            share = (len(found) - taken) / work.gutters
            found.append(work.begins + share * (work.ends - work.begins))
        if len(found) == number:
            break
        taken += work.gutters
    return found + [inf] * (number - len(found))


def outlook(from_tail: Sequence[Stands], leaves: Sequence[float]) -> Outlook:
    """How the gutters that stand now come out when they leave at those times.

    from_tail: the first one stands at the tail. leaves: days from now, as `leaving`. A gutter of
    unknown age takes its turn and tells nothing. Raises ValueError if the two do not go together.
    """
    now: Off | None = None
    if from_tail and from_tail[0].age is not None:
        now = Off(0.0, from_tail[0].age - from_tail[0].days)
    offs: list[tuple[Off, Off]] = []
    unripe: float | None = None
    comes = 0.0
    for gutter, goes in zip(from_tail, leaves, strict=True):
        off = None if comes == inf else _off(gutter, comes, goes)
        if off is not None:
            offs.append(off)
        if unripe is None and gutter.age is not None and gutter.age + goes < gutter.ripe:
            unripe = goes
        comes = goes
    if not offs:
        return Outlook(now, None, None, unripe)
    first = min(off for off, _ in offs)
    same = [most for _, most in offs if most.days * first.days > 0]
    return Outlook(now, first, max(same, key=lambda off: abs(off.days)), unripe)


def _off(gutter: Stands, comes: float, goes: float) -> tuple[Off, Off] | None:
    """When that gutter is first out of its tolerance at the tail, and when it leaves so.

    comes: when it becomes the tail; goes: when it leaves. One that never does is late from when it
    has passed its days.
    """
    if gutter.age is None:
        return None
    passes = max(comes, gutter.days + gutter.tolerance - gutter.age)
    if goes == inf:
        late = Off(passes, gutter.age + passes - gutter.days)
        return late, late
    late_days = gutter.age + goes - gutter.days
    if late_days > gutter.tolerance:
        return Off(passes, late_days), Off(goes, late_days)
    if late_days < -gutter.tolerance:
        return Off(goes, late_days), Off(goes, late_days)
    return None


def _there(standing: float) -> float:
    if standing <= 0:
        raise ValueError(f"{standing} gutters are no lane")
    return standing

"""What one table of one device gives: where it can be read, and how much of it at once.

Both by bisection, within a number of requests that is fixed beforehand and told. A block that is
refused is halved until single addresses are left; a quantity that is refused shrinks all later
blocks. Reads only. The bisection of the quantity takes it that a device which gives n registers
gives fewer too (common practice, no source).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple

from linectl.commission.talk import REPEATS, Heard, Talk
from linectl.site.notation import Table
from linectl.site.reading import MAX_READ_BITS, MAX_READ_REGISTERS

SILENCES_MAX = 4
"""Addresses without a clear answer in one table after which it is left alone: all cost time."""

FOR_QUANTITY = 8
"""Requests kept back for the most per read: 2000 bits are settled in at most eleven, 125 registers
in at most seven, and the ranges have told most of it by then."""

ABSENT = "refused_1"
QUANTITY = "refused_3"


class TableSurvey(NamedTuple):
    """One table of one device, as far as it was asked."""

    table: Table
    exists: bool
    why: str
    """If it does not exist, or nothing of it could be read: the kind of the answer."""
    ranges: tuple[range, ...]
    """Readable addresses, within what was asked."""
    asked: tuple[range, ...]
    most: int | None
    """Most registers or bits in one read that worked; None if none did."""
    most_is_limit: bool
    """False: nothing longer could be tried, because no readable range is longer."""
    complete: bool
    """False: the allowance of requests, or the patience for silence and damage, was used up."""
    requests: int


class Where(NamedTuple):
    """Whom to ask."""

    name: str
    unit: int
    pause_ms: int = 0


def protocol_most(table: Table) -> int:
    """Most bits or registers of one read (MODBUS Application Protocol V1.1b3, 6.1 to 6.4)."""
    return MAX_READ_BITS if table in ("coil", "discrete") else MAX_READ_REGISTERS


def survey_table(
    talk: Talk,
    where: Where,
    table: Table,
    windows: Sequence[range],
    most_requests: int,
    tell: Callable[[int], None] = lambda requests: None,
) -> TableSurvey:
    """Readable ranges within `windows` and the most per read, in at most `most_requests`."""
    return _Survey(talk, where, table, most_requests, tell).run(windows)


class _Survey:
    def __init__(
        self, talk: Talk, where: Where, table: Table, left: int, tell: Callable[[int], None]
    ) -> None:
        self._talk = talk
        self._where = where
        self._table = table
        self._left = left
        self._allowance = left
        self._tell = tell
        self._silent = 0
        self._most = protocol_most(table)
        self._best = 0
        self._cut = False

    def run(self, windows: Sequence[range]) -> TableSurvey:
        first = self._ask(windows[0].start, 1)
        if first.kind == ABSENT or not first.there:
            return self._result(False, first.kind, (), windows)
        good = self._ranges(windows, first)
        limit = self._bisect_quantity(good) if good else False
        return self._result(True, "" if good else first.kind, good, windows, limit)

    def _result(
        self,
        exists: bool,
        why: str,
        ranges: tuple[range, ...],
        windows: Sequence[range],
        is_limit: bool = False,
    ) -> TableSurvey:
        return TableSurvey(
            self._table,
            exists,
            why,
            ranges,
            tuple(windows),
            self._best or None,
            is_limit,
            not self._cut,
            self._allowance - self._left,
        )

    def _ask(self, address: int, quantity: int) -> Heard:
        """One question, repeated while the line rather than the device may be at fault."""
        where = self._where
        for _ in range(1 + REPEATS):
            self._left -= 1
            self._tell(self._allowance - self._left)
            heard = self._talk.read(
                where.name, where.unit, self._table, address, quantity, where.pause_ms
            )
            if heard.settled or self._left <= 0:
                break
        if heard.good:
            self._best = max(self._best, quantity)
        elif not heard.settled:
            self._silent += 1
            self._cut = True  # what is there is not known
        return heard

    def _ranges(self, windows: Sequence[range], first: Heard) -> tuple[range, ...]:
        """Readable addresses; broad blocks first, so that a cut allowance cuts detail only."""
        readable: set[int] = {windows[0].start} if first.good else set()
        blocks = deque(block for window in windows for block in _blocks(window, self._most))
        while blocks:
            block = blocks.popleft()
            if len(block) > self._most:
                blocks.extend(_blocks(block, self._most))
                continue
            if len(block) == 1 and block.start == windows[0].start:
                continue
            if self._left <= FOR_QUANTITY or self._silent >= SILENCES_MAX:
                self._cut = True
                break
            heard = self._ask(block.start, len(block))
            if heard.good:
                readable.update(block)
            elif len(block) > 1:
                if heard.kind == QUANTITY:
                    self._most = max(1, min(self._most, len(block) // 2))
                half = block.start + len(block) // 2
                blocks += (range(block.start, half), range(half, block.stop))
        return joined(readable)

    def _bisect_quantity(self, ranges: Sequence[range]) -> bool:
        """Raises `_best` to the most that one read gives; True if more is truly refused."""
        longest = max(ranges, key=len)
        good, bad = max(self._best, 1), min(len(longest), protocol_most(self._table)) + 1
        if good >= bad - 1:
            return good == protocol_most(self._table)
        if self._room() and self._ask(longest.start, bad - 1).good:
            return bad - 1 == protocol_most(self._table)
        bad -= 1
        while bad - good > 1:
            if not self._room():
                self._cut = True
                return False
            middle = (good + bad) // 2
            if self._ask(longest.start, middle).good:
                good = middle
            else:
                bad = middle
        return True

    def _room(self) -> bool:
        return self._left > 0 and self._silent < SILENCES_MAX


def _blocks(window: range, most: int) -> list[range]:
    return [
        range(start, min(start + most, window.stop))
        for start in range(window.start, window.stop, most)
    ]


def joined(addresses: Iterable[int]) -> tuple[range, ...]:
    """Addresses as unbroken ranges, in order."""
    found: list[range] = []
    for at in sorted(addresses):
        if found and found[-1].stop == at:
            found[-1] = range(found[-1].start, at + 1)
        else:
            found.append(range(at, at + 1))
    return tuple(found)


def offset_hint(named: Iterable[int], survey: TableSurvey) -> int:
    """By how much the map's addresses seem to be off: −1, 1, or 0 if nothing says so.

    All named addresses would answer if each were one lower (or higher), and as written they do
    not: that is what a map counted from the wrong end looks like.
    """
    wanted = set(named)
    readable = {at for one in survey.ranges for at in one}
    if not wanted or not survey.complete or wanted <= readable:
        return 0
    for by in (-1, 1):
        if {at + by for at in wanted} <= readable:
            return by
    return 0

"""The punch list of an IO checkout: what was found amiss, by whom, and how it was put right."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from linectl.commission.checkout.record import Try


@dataclass(frozen=True)
class Deficiency:
    """One line of the punch list: open until a later try of the point has passed."""

    number: int
    tag: str
    what: str
    """As found by the try that opened it."""
    opened: Try
    closed: Try | None
    gone: bool = False
    """io.csv has no such point any more."""

    def as_json(self) -> dict[str, object]:
        """Keys: number, tag, what, remark, opened_at, opened_by, open, closed_at, closed_by,
        closed_as (as left by the try that closed it), closed_remark, gone. The closed_… are null
        while it is open."""
        closed = self.closed
        return {
            "number": self.number,
            "tag": self.tag,
            "what": self.what,
            "remark": self.opened.remark,
            "opened_at": self.opened.at,
            "opened_by": self.opened.by,
            "open": closed is None,
            "closed_at": closed.at if closed else None,
            "closed_by": closed.by if closed else None,
            "closed_as": (closed.left or closed.found) if closed else None,
            "closed_remark": closed.remark if closed else None,
            "gone": self.gone,
        }


def deficiencies_of(tries: Sequence[Try], gone: bool = False) -> Iterator[Deficiency]:
    """Each number that a failed try bears, with the first pass after the last such try."""
    for number in dict.fromkeys(t.deficiency for t in tries if t.deficiency and t.result == "fail"):
        mine = [place for place, one in enumerate(tries)
                if one.deficiency == number and one.result == "fail"]  # fmt: skip
        after = tries[mine[-1] + 1 :]
        closed = next((one for one in after if one.result == "pass"), None)
        opened = tries[mine[0]]
        yield Deficiency(int(number), opened.tag, opened.found, opened, closed, gone)

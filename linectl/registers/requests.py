"""One read request of the plan: which addresses, which points, at which polls. Pure."""

from __future__ import annotations

from typing import NamedTuple

from linectl.registers.frames import READ_FUNCTIONS
from linectl.site.notation import Table

TABLE_OF: dict[int, Table] = {function: table for table, function in READ_FUNCTIONS.items()}


class ReadRequest(NamedTuple):
    """One read: `points` are the image indices that are taken from it, by address.

    It is due at the polls whose number leaves `phase` when divided by `every`, counted from 0.
    """

    device: str
    unit: int
    function: int
    address: int
    quantity: int
    points: tuple[int, ...]
    poll: str = ""
    """Its polling class; "": every poll."""
    every: int = 1
    phase: int = 0

    @property
    def table(self) -> Table:
        return TABLE_OF[self.function]

    @property
    def rate(self) -> float:
        """Share of the polls at which it is due."""
        return 1 / self.every

    def due(self, poll: int) -> bool:
        """True if the request belongs to the poll of that number."""
        return poll % self.every == self.phase

"""Watches bodies and device outputs, never the controller's opinion, and keeps what it saw."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from linectl.image import Move, Slot
from linectl.site.model import Site
from linectl_sim.bodies import Body
from linectl_sim.kernel import Kernel

if TYPE_CHECKING:
    from linectl_sim.lanes import LanePart

VIOLATIONS_MAX = 500
"""Kept; a controller that breaks more rules than this has been understood."""


class Auditor:
    """Collects violations. Parts of the plant report what happens; rules live beside it."""

    def __init__(self, site: Site, kernel: Kernel) -> None:
        self._kernel = kernel
        self.violations: list[dict[str, Any]] = []
        self._said: set[tuple[str, str]] = set()
        self.zones = {name: number for number, name in enumerate(site.file.zones)}
        self.stirred: Callable[[int, bool, str], object] = lambda zone, moving, what: None

    def violate(self, rule: str, detail: str) -> None:
        """A rule is broken now. The same rule with the same detail is kept once."""
        if (rule, detail) in self._said or len(self.violations) >= VIOLATIONS_MAX:
            return
        self._said.add((rule, detail))
        self.violations.append({"rule": rule, "at_s": self._kernel.now / 1000, "detail": detail})

    def stocked(self, slots: list[Slot]) -> None:
        """These gutters stand in the lanes at the start."""

    def told(self, move: Move) -> None:
        """A move of the controller's ledger."""

    def check_ripeness(self, on: bool) -> None:
        """Whether an unripe gutter taken from a tail is a violation."""

    def last_eject(self) -> dict[str, Any]:
        """Holes open and gutters wetted since the last eject."""
        return {"holes_open": 0, "wetted_after": 0}

    def arrived(self, body: Body, place: str) -> None:
        """A gutter's middle has come into a belt zone."""

    def wetted(self, body: Body) -> None:
        """Water falls on a gutter for the first time."""

    def indexed(self, body: Body, lane: LanePart) -> None:
        """A gutter has come into a lane's mouth."""

    def ejected(self, body: Body, lane: LanePart) -> None:
        """A gutter has left a lane's tail."""

    def stir(self, zone: str, what: str) -> Callable[[bool], object]:
        """The callback with which a part says that it begins to move, or stands."""
        number = self.zones[zone]
        return lambda moving: self.stirred(number, moving, what)

"""Watches bodies and device outputs, never the controller's opinion, and keeps what it saw.

Rules that one part can see are reported by that part (`violate`). Rules over several parts or
over time are in claims, wet, warning and causes; this file collects them and passes on what
the parts report.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from linectl.image import Move
from linectl.site.model import Site
from linectl_sim.bodies import Body
from linectl_sim.kernel import Kernel
from linectl_sim.rules import RULES

if TYPE_CHECKING:
    from linectl_sim.lanes import LanePart
    from linectl_sim.machine import Machine
    from linectl_sim.placebook import PlaceBook

VIOLATIONS_MAX = 500
"""Kept; a controller that breaks more rules than this has been understood."""


class Auditor:
    """Collects violations. Until `attach` the rules over several parts do not watch."""

    def __init__(self, site: Site, kernel: Kernel) -> None:
        self._kernel = kernel
        self.violations: list[dict[str, Any]] = []
        self._said: set[tuple[str, str]] = set()
        self.zones = {name: number for number, name in enumerate(site.file.zones)}
        self.excused: set[str] = set()
        """What moves by a fault of its own: its motion is not the controller's."""

    def attach(self, machine: Machine, book: PlaceBook) -> None:
        """The machine stands: begin to watch."""
        from linectl_sim.causes import CauseWatch
        from linectl_sim.claims import Claims
        from linectl_sim.warning import WarningWatch
        from linectl_sim.wet import WetWatch

        self.claims = Claims(machine, book, self)
        self.wet = WetWatch(machine, self.claims, self)
        self.warning = WarningWatch(machine, self)
        self.causes = CauseWatch(machine, self)

    def violate(self, rule: str, detail: str) -> None:
        """A rule is broken now. The same rule with the same detail is kept once."""
        if rule not in RULES:
            raise KeyError(f"the auditor has no rule {rule!r}")
        if (rule, detail) in self._said or len(self.violations) >= VIOLATIONS_MAX:
            return
        self._said.add((rule, detail))
        self.violations.append({"rule": rule, "at_s": self._kernel.now / 1000, "detail": detail})

    def told(self, move: Move) -> None:
        """A move of the controller's ledger."""
        self.claims.told(move)

    def stroked(self, row_name: str) -> None:
        """A run begins a stroke."""
        self.claims.stroked(row_name)

    def arrived(self, body: Body, place: str, driven: bool) -> None:
        """A gutter's middle has come into a belt zone; `driven` by a belt that was told to."""
        if driven:
            self.claims.needs_intent("convey", body, place)

    def worked(self, body: Body, station: str) -> None:
        """A tool begins on a gutter."""
        self.claims.needs_work_intent(body, station)

    def wetted(self, body: Body) -> None:
        """Water falls on a gutter for the first time."""
        self.wet.wetted(body)

    def indexed(self, body: Body, lane: LanePart) -> None:
        """A gutter has come into a lane's mouth."""
        self.claims.needs_intent("insert", body, lane.facts.prefix)
        self.wet.indexed(body)

    def ejected(self, body: Body, lane: LanePart) -> None:
        """A gutter has left a lane's tail."""
        self.claims.needs_intent("eject", body, "the outfeed carriage")
        self.wet.ejected(body)

    def stir(self, zone: str, what: str) -> Callable[[bool], object]:
        """The callback with which a part says that it begins to move, or stands."""
        number = self.zones[zone]

        def stirred(moving: bool) -> None:
            self.warning.stirred(number, moving, what)

        return stirred

"""Wet gutters and holes: none wetted without a hole, none wet too long, none taken unripe."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

from linectl_sim.bodies import Body
from linectl_sim.claims import Claims
from linectl_sim.kernel import LATE
from linectl_sim.lanes import LanePart
from linectl_sim.machine import Machine

if TYPE_CHECKING:
    from linectl_sim.auditor import Auditor

TAKE_OFF_MS = 300_000
"""Time for people to carry off a gutter that has been rejected at the wet limit."""


class AfterEject(NamedTuple):
    """One eject and what followed until the next."""

    at: int
    holes_open: int
    wetted: int


class WetWatch:
    """Follows every wetted gutter until it is indexed, and every eject."""

    def __init__(self, machine: Machine, claims: Claims, auditor: Auditor) -> None:
        self._machine, self._claims, self._auditor = machine, claims, auditor
        self._kernel = machine.world.kernel
        self.waiting: set[Body] = set()
        """Wetted, not yet in a lane."""
        self.ripe_check = True
        self._now: AfterEject | None = None
        self._longest: AfterEject | None = None
        self._longest_ms = -1

    def wetted(self, body: Body) -> None:
        """Water falls on a gutter for the first time."""
        self._forget_gone()
        if self.open_mouths() - len(self.waiting) < 1:
            self._auditor.violate("wetted_without_hole", f"{body} wetted, no hole at any mouth")
        elif self._claims.heard and body.gutter not in self._claims.holes.values():
            self._auditor.violate("wetted_without_hole", f"{body} wetted without a reservation")
        self.waiting.add(body)
        if self._now is not None:
            self._now = self._now._replace(wetted=self._now.wetted + 1)
        limit_ms = self._machine.world.site.file.limits.wet_limit_ms
        self._kernel.after(limit_ms + TAKE_OFF_MS, lambda: self._over_limit(body), LATE)

    def _over_limit(self, body: Body) -> None:
        if body in self.waiting and not body.gone:
            self._auditor.violate("wet_over_limit", f"{body} stands wet beyond the limit")

    def _forget_gone(self) -> None:
        self.waiting = {body for body in self.waiting if not body.gone}

    def open_mouths(self) -> int:
        """Holes that a gutter could be inserted into: one a lane, at its mouth (a lane that
        moves with the insert: anywhere)."""
        return sum(1 for lane in self._machine.lanes.values() if _mouth_open(lane))

    def indexed(self, body: Body) -> None:
        """A gutter has come into a lane."""
        self.waiting.discard(body)

    def ejected(self, body: Body) -> None:
        """A gutter has left a tail."""
        now = self._kernel.now
        if self.ripe_check and body.ripe_at > now and not body.handled:
            self._auditor.violate("unripe_ejected", f"{body} ({body.crop}) is not ripe")
        self._close(now)
        self._forget_gone()
        self._now = AfterEject(now, self.holes() - len(self.waiting), 0)

    def holes(self) -> int:
        """Empty slots of the lanes that take gutters of the crop in the drum."""
        crop = self._machine.seeder.crop
        return sum(
            lane.facts.slots - lane.filled()
            for lane in self._machine.lanes.values()
            if crop in lane.facts.crops and lane.facts.programme in ("filling", "steady")
        )

    def _close(self, now: int) -> None:
        if self._now is not None and now - self._now.at > self._longest_ms:
            self._longest, self._longest_ms = self._now, now - self._now.at

    def last_eject(self) -> dict[str, Any]:
        """The last eject before the longest time without one: holes then open to wet gutters
        (holes less gutters wetted but not yet in), and gutters wetted until the next eject."""
        longest = self._longest
        if self._now is not None and self._kernel.now - self._now.at > self._longest_ms:
            longest = self._now
        if longest is None:
            return {"at_s": None, "holes_open": 0, "wetted_after": 0}
        return {
            "at_s": longest.at / 1000,
            "holes_open": longest.holes_open,
            "wetted_after": longest.wetted,
        }


def _mouth_open(lane: LanePart) -> bool:
    first = lane.rows[0].slots[0]
    if first is None or first.handled:
        return True
    return lane.facts.advance == "with_insert" and lane.filled() < lane.facts.slots

"""A person who puts the line right after a trip: looks round, does one round of acts, again.

What they do is what the line's own words ask for: reset, clear, start, unhold, finish or take off
a gutter that was interrupted. Deterministic, and at fixed times.
"""

from __future__ import annotations

from collections.abc import Sequence

from linectl.commission.prove.means import Act
from linectl.commission.prove.stand import UNITS, Stand
from linectl.line.part import Part

ROUND_MS = 5_000
FOLLOWING = {"Aborted": "clear", "Stopped": "reset", "Idle": "start", "Held": "unhold"}


class Attendant:
    """Works on a stand from now on until `stop` is called."""

    def __init__(self, stand: Stand) -> None:
        self._stand = stand
        self._at_work = True
        self._round()

    def stop(self) -> None:
        """No further round."""
        self._at_work = False

    def _round(self) -> None:
        if not self._at_work:
            return
        stand = self._stand
        for part in stand.line.stations.values():
            if part.state == "partial":
                self._partial(part)
            elif part.state == "faulted":
                self._faulted(part)
        lanes = stand.line.lanes.lanes
        for lane in lanes:
            if lane.state == "faulted":
                self._lane(lane.name, lane.back, lane.joints[lane.which : lane.which + 1])
        causes = stand.line.causes
        latched = [row for n, row in enumerate(causes.rows) if row.latched and causes.active[n]]
        zones = dict.fromkeys(row.zone for row in latched if row.reset == "at_machine")
        for zone in zones:
            stand.do([Act("interlock reset", zone).on])
        if latched:
            stand.command("", "interlock-reset")
        for lane in lanes:
            if lane.state == "faulted":
                stand.command("", "lane-resume", str(lane.id))
        for unit in UNITS:
            if stand.state(unit) in FOLLOWING:
                stand.command(unit, FOLLOWING[stand.state(unit)])
        stand.bench.at(stand.now + ROUND_MS, self._round)

    def _reads(self, tag: str) -> bool | None:
        index = self._stand.line.site_io.get(tag)
        return None if index is None else bool(self._stand.plant.read(index))

    def _partial(self, part: Part) -> None:
        """Finish it; a bed under a press is taken off, as nobody sees how it was pressed."""
        if f"{part.name}.press_up" in self._stand.line.site_io:
            self._take_off(part, "reject")
        else:
            self._stand.command("", "partial", f"{part.name} finish")

    def _faulted(self, part: Part) -> None:
        """What unholding alone does not put right: a gutter that lies where no eye sees it."""
        places = self._stand.plant.places()
        here = places.get(part.name)
        if part.gutter and part.gutter not in places.values() and part.fault != "handover":
            self._stand.command("", "removed", part.name)
        elif part.fault in ("centred", "no_entry", "length", "dropped", "stray", "double"):
            self._take_off(part, "removed")
        elif part.fault == "no_exit" and here == part.gutter:
            if not self._reads(f"{part.name}.exit_eye"):
                self._take_off(part, "removed")
        elif part.fault == "handover" and here is None:
            self._stand.command("", "handed-over")

    def _take_off(self, part: Part, how: str) -> None:
        self._stand.do([Act("take out", part.name).on])
        self._stand.command("", how, part.name)

    def _lane(self, name: str, back: str, joints: Sequence[str]) -> None:
        """A gutter that lies across a lift's joint is taken off, two people."""
        if back not in ("fetching", "loading", "carrying", "unloading", "crossing") or not joints:
            return
        (joint,) = joints
        clear = [self._reads(f"{joint}.{role}") for role in ("low_clear", "high_clear")]
        if not all(clear):
            self._stand.do([Act("take out", joint).on])
            self._stand.command("", "removed", name)

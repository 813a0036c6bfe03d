"""How fast an output must be off: the computed worst case, and what its zone allows."""

from __future__ import annotations

from linectl.commission.prove.promised import Promise
from linectl.registers.budget import Budget
from linectl.site.model import Site


class Limits:
    """Worst reactions of a site, computed once. All times in ms from the edge at the device."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self._budget = Budget(site)
        self._known: dict[tuple[str, int, str], float] = {}

    def worst_ms(self, promise: Promise, output: int, lost: str = "") -> float:
        """From the last of the cause's comparisons to the output off at its device.

        lost: the device that falls silent; its own outputs go by its own watchdog.
        """
        key = promise.name, output, lost
        if key not in self._known:
            self._known[key] = self._worst_ms(promise, output, lost or promise.device)
        return self._known[key]

    def _worst_ms(self, promise: Promise, output: int, lost: str) -> float:
        reading = promise.on_delay_ms + self.read_ms(promise, output)
        if not lost:
            return reading
        device = self.site.file.devices[lost]
        if self.site.points[output].device == lost:
            return float(device.watchdog_ms or device.silent_after_ms)
        return device.silent_after_ms + reading

    def read_ms(self, promise: Promise, output: int) -> float:
        """The bus's part of it, the slowest of the cause's points taken."""
        points = self.site.points
        return max(
            self._budget.reaction(points[wanted.index], points[output]).worst_ms
            for wanted in promise.wanted
        )

    def seen_ms(self, promise: Promise, lost: str = "") -> float:
        """Until a scan must have seen the cause, for one whose cells have no outputs."""
        site = self.site
        lost = lost or promise.device
        points = [site.points[wanted.index] for wanted in promise.wanted]
        ages = [self._budget.worst_age_ms(point) for point in points]
        filters = [max(point.on_delay_ms, point.off_delay_ms) for point in points]
        silent_ms = site.file.devices[lost].silent_after_ms if lost else 0
        return silent_ms + promise.on_delay_ms + max(ages) + max(filters) + 2.0 * site.file.scan_ms

    def allowed_ms(self, promise: Promise, output: int, lost: str = "") -> float | None:
        """The zone's limit, a declared on-delay of the cause allowed on top; None: no zone."""
        point = self.site.points[output]
        zone = self.site.file.zones.get(point.zone)
        lost = lost or promise.device
        if zone is None:
            return None
        if lost and point.device == lost:
            return float(zone.watchdog_limit_ms)
        silent_ms = self.site.file.devices[lost].silent_after_ms if lost else 0
        return float(zone.reaction_limit_ms + promise.on_delay_ms + silent_ms)

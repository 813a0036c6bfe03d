"""The plant's side of the image: what is true, and what the devices deliver of it.

Role meanings live in `truth`; `raw` is what a device delivers: inverted where the IO list says
so, wrong where a sensor fault or a mistake in the wiring says so, dead where its card has lost
its supply.
"""

from __future__ import annotations

from collections.abc import Callable

from linectl.image import Value
from linectl.site import roles
from linectl.site.model import Site
from linectl_sim.wiring import Wiring, nothing

Watcher = Callable[[Value], object]


class Points:
    """Values by point index. A role that the site has no point for binds to a spare index."""

    __slots__ = (
        "_changed", "_counters", "_inputs_of", "_nothing", "announces", "by_tag", "dead", "fresh",
        "invert", "overrides", "raw", "spare", "truth", "watchers", "wiring",
    )  # fmt: skip

    def __init__(self, site: Site) -> None:
        count = len(site.points)
        self.by_tag = site.tags
        self.spare = count
        self.truth: list[Value] = [False if point.is_bool else 0 for point in site.points]
        self.truth.append(False)
        self.invert = [point.is_bool and point.invert for point in site.points] + [False]
        self.raw: list[Value] = [
            inverted if point.is_bool else 0
            for point, inverted in zip(site.points, self.invert, strict=False)
        ]
        self.raw.append(False)
        counters = {role.name for table in _tables() for role in table if role.kind == "counter"}
        self.announces = [
            point.direction == "in" and point.tag.rpartition(".")[2] not in counters
            for point in site.points
        ]
        self.announces.append(False)
        self._inputs_of: dict[str, list[int]] = {}
        for point in site.points:
            if point.direction == "in":
                self._inputs_of.setdefault(point.device, []).append(point.index)
        self.watchers: list[list[Watcher] | None] = [None] * (count + 1)
        self.overrides: dict[int, Value] = {}
        self.dead: set[int] = set()
        self.fresh = False
        self._changed: set[int] = set()
        self._counters: dict[int, Callable[[], int]] = {}
        self._nothing = [nothing(point) for point in site.points] + [False]
        self.wiring = Wiring(site.points)

    def bind(self, part: str, role: str) -> int:
        """Index of the point `part.role`, or the spare index."""
        return self.by_tag.get(f"{part}.{role}", self.spare)

    def put(self, index: int, value: Value) -> None:
        """Something became true in the plant; the device delivers it if it can."""
        if self.truth[index] == value:
            return
        self.truth[index] = value
        watchers = self.watchers[index]
        if watchers is not None:
            for watcher in watchers:
                watcher(value)
        if self.overrides and index in self.overrides:
            return
        self._deliver(index, value)

    def override(self, index: int, value: Value | None) -> None:
        """The sensor tells `value` whatever is true; None ends it."""
        if value is None:
            self.overrides.pop(index, None)
        else:
            self.overrides[index] = value
        self.tell(index)

    def kill(self, index: int, dead: bool) -> None:
        """The card's supply is lost: its raw inputs read 0 whatever is true."""
        if dead:
            self.dead.add(index)
            self._announce(index, self._nothing[index])
        else:
            self.dead.discard(index)
            self.tell(self.wiring.other_end(index))

    def tell(self, index: int) -> None:
        """The sensor tells anew: its wire, or what it is held at, has changed."""
        self._deliver(index, self.overrides.get(index, self.truth[index]))

    def count(self, index: int, reading: Callable[[], int]) -> None:
        """A counter: `reading` gives its value whenever somebody reads it."""
        self._counters[index] = reading

    def read(self, index: int) -> Value:
        """The raw value that the device delivers now."""
        wiring = self.wiring
        sensor = wiring.other_end(index) if wiring.amiss else index
        counter = self._counters.get(sensor)
        if counter is None or index in self.dead:
            return self.raw[index]
        value = self.overrides[sensor] if sensor in self.overrides else counter()
        return wiring.at_register(sensor, value) if wiring.amiss else value

    def watch(self, index: int, watcher: Watcher) -> None:
        """Call `watcher(value)` whenever the truth of a point changes."""
        watchers = self.watchers[index]
        if watchers is None:
            self.watchers[index] = [watcher]
        else:
            watchers.append(watcher)

    def take_changed(self) -> list[int]:
        """Announcing inputs changed since the last call, ascending."""
        if not self._changed:
            return []
        changed = sorted(self._changed)
        self._changed.clear()
        return changed

    def touch(self, device: str) -> None:
        """A device has fallen silent or answers again: whoever samples it must look anew."""
        self._changed.update(self._inputs_of.get(device, ()))
        self.fresh = True

    def _deliver(self, index: int, value: Value) -> None:
        signal = (not value) if self.invert[index] else value
        wiring = self.wiring
        if wiring.amiss and index != self.spare:
            signal = wiring.at_register(index, signal)
            index = wiring.other_end(index)
        if not (self.dead and index in self.dead):
            self._announce(index, signal)

    def _announce(self, index: int, raw: Value) -> None:
        if self.raw[index] != raw:
            self.raw[index] = raw
            if self.announces[index]:
                self._changed.add(index)
                self.fresh = True


def _tables() -> tuple[tuple[roles.Role, ...], ...]:
    return (*roles.STATION_ROLES.values(), roles.RUN_ROLES, roles.LIFT_ROLES, roles.ZONE_ROLES)

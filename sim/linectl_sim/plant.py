"""The plant as a bench or a server drives it: time, points, stock, verbs, what it was told."""

from __future__ import annotations

from typing import Any

from linectl.errors import UsageError
from linectl.image import Move, Slot, Value
from linectl.site.model import Site
from linectl_sim import report
from linectl_sim.hidden import as_json
from linectl_sim.machine import Machine
from linectl_sim.moved import Moved
from linectl_sim.placebook import PlaceBook
from linectl_sim.verbs import Verbs
from linectl_sim.world import World


class PlantModel:
    """Fulfils the runtime's plant protocol. `now` is ms since start; the same seed and the same
    writes and verbs at the same times give the same plant, however time is stepped."""

    def __init__(self, site: Site, seed: int) -> None:
        self.site = site
        self.world = World(site, seed)
        self.machine = Machine(self.world)
        self.book = PlaceBook(self.machine)
        self.auditor = self.world.auditor
        self.auditor.attach(self.machine, self.book)
        self._verbs = Verbs(self.machine, self.book)
        self._moved = Moved(self.machine)
        self._points = self.world.points
        self._kernel = self.world.kernel
        self._outputs = self.world.outputs
        self._at_start = 0
        self.now = 0
        self._quiet()

    def _quiet(self) -> None:
        """What stands at time 0 is the image's beginning, not a change."""
        self._points.take_changed()
        self._points.fresh = False

    def stock(self, slots: list[Slot]) -> None:
        """Stand these gutters in the lanes; called once, before time runs."""
        for slot in slots:
            place = self.book.get(slot.place)
            if place is None or not place.lane:
                raise UsageError(f"{slot.place} is not a slot of a lane of site {self.site.name}")
            if place.body() is not None:
                raise UsageError(f"{slot.place} is stocked twice")
            body = self.world.new_body()
            body.gutter, body.crop, body.from_stock = slot.gutter, slot.crop, True
            body.sown_at, body.ripe_at = slot.sown_at, slot.ripe_at
            body.yield_kg = self.machine.seeder.yields.draw(slot.crop)
            place.put(body)
            self._at_start += 1
        self._quiet()

    def run_until(self, limit: int) -> int:
        """Advance to `limit`, or stop at the first instant an input point changes; that time.

        A change made by a write or a verb at the present instant stops it at once."""
        points = self._points
        if points.fresh:
            points.fresh = False
            return self.now
        kernel = self._kernel
        while kernel.instant(limit):
            if points.fresh:
                points.fresh = False
                self.now = kernel.now
                return self.now
        if limit > kernel.now:
            kernel.now = limit
        self.now = kernel.now
        return self.now

    def take_changed(self) -> list[int]:
        """Indices of announcing inputs changed since the last call, ascending."""
        return self._points.take_changed()

    def read(self, index: int) -> Value:
        """What the device delivers for a point now, an output as last written."""
        return self._points.read(index)

    def write(self, index: int, value: Value) -> None:
        """An output arrives at its device now; lost if the device does not answer."""
        if self.machine.safety.answers(self.site.points[index].device):
            self._outputs.write(index, value)

    def fall_safe(self, device: str) -> None:
        """The device's own watchdog acts (the wire server calls it when writes stay away)."""
        self._outputs.fall_safe(device)

    def answers(self, device: str) -> bool:
        """False while the device is silent, late or without power. When that begins or ends all
        its inputs count as changed, so that a leaping bench looks."""
        return self.machine.safety.answers(device)

    def lags(self, device: str) -> bool:
        """True while the device's answers come too late, on a wire (see `goes_on_wire`)."""
        return self.machine.safety.lags(device)

    def goes_on_wire(self) -> None:
        """From now on real bytes carry the answers: a late device answers late, not never."""
        self.machine.safety.on_wire = True

    def do(self, verb: str, part: str = "", **options: Any) -> None:
        """A scenario's verb, now. Unknown verb, part, kind or option: UsageError."""
        self._verbs.do(verb, part, options)

    def told(self, move: Move) -> None:
        """The controller's ledger move, held against the bodies by the auditor."""
        self.auditor.told(move)

    def places(self) -> dict[str, int | None]:
        """Every place: the id of its gutter (−1: never told to us), or None if empty."""
        return self.book.where()

    def seen(self) -> dict[str, Any]:
        """What somebody sees who walks round: gutters by place, which of them are tamped, zones
        in which something moves; beside it the last move and the open ones that were told."""
        return {
            "now_ms": self.now,
            "places": self.places(),
            "tamped": [body.gutter for body in self.world.bodies if body.tamped and not body.gone],
            "moving": self.auditor.warning.moving(),
            "last": self.auditor.claims.last,
            "open": self.auditor.claims.open(),
        }

    def moved(self, who: str = "") -> dict[str, dict[str, Any]]:
        """What is on or has moved since `who` asked last (see linectl_sim.moved)."""
        return self._moved.since(who)

    def switched(self, who: str = "") -> list[tuple[int, str, bool]]:
        """Each coming on and going off of actuators since `who` asked last (linectl_sim.moved)."""
        return self._moved.switched(who)

    def set_points(self) -> dict[str, float]:
        """What each device that is told a number shows of it now, by tag."""
        return self._moved.set_points()

    def weigh(self, part: str) -> dict[str, Any]:
        """What the vessel under `part` holds (see linectl_sim.vessels); it is emptied."""
        return self._verbs.vessels.weigh(part)

    def hidden(self) -> dict[str, Any] | None:
        """What the machine truly is, to hold a calibration against; None: nothing is hidden."""
        found = self.machine.hidden
        return None if found is None else as_json(found, *self.machine.seeder.usual())

    def sown(self) -> list[dict[str, Any]]:
        """Where the seeds of every gutter sown so far lie (see `report.sown`); drawn now."""
        return report.sown(self.machine)

    def report(self) -> dict[str, Any]:
        """Counts from bodies, violations, materials, residences."""
        counted = report.totals(self.machine)
        return {
            "gutters": report.gutters(self.machine, self._at_start),
            "lanes": report.lanes(self.machine),
            "violations": list(self.auditor.violations),
            "packed": report.packed(self.machine),
            "last_eject": self.auditor.wet.last_eject(),
            **counted,
        }

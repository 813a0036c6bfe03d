"""Magazine with its singulating gate, and the filler: doser and hopper."""

from __future__ import annotations

from linectl.site.machine import Fill, Magazine
from linectl_sim.belts import Axis, Stage
from linectl_sim.bodies import Body
from linectl_sim.kernel import Entry, cancel, whole_ms
from linectl_sim.outlets import Outlet
from linectl_sim.world import LAG_MS, World

DROP_BEYOND_EYE_MM = 50
RESTOCK_MS = 120_000
"""People bring washed gutters this long after the low eye shows it (common practice)."""
REFILL_MS = 45_000
LEVEL_EVERY_MS = 10_000


class MagazinePart:
    """Washed empties; each rising edge of the gate drops one on the belt."""

    def __init__(self, world: World, name: str, facts: Magazine, axis: Axis, stage: Stage) -> None:
        self._world, self.name, self._facts = world, name, facts
        self._axis, self._stage = axis, stage
        self._low = max(2, facts.holds // 5)
        self.count = facts.holds
        self.fault = ""
        self.fed_two = False
        """The gate's own fault dropped two: not the controller's doing."""
        self._cycling = False
        self._restocking = False
        self._stir = world.auditor.stir(facts.zone, f"{name}.gate")
        self._i_home = world.input(name, "gate_home", True)
        self._i_not_low = world.input(name, "not_low", True)
        self._i_not_empty = world.input(name, "not_empty", True)
        self._i_single = world.input(name, "single", True)
        world.output(name, "gate", self._gate)

    def _gate(self, on: object) -> None:
        world = self._world
        if not on or self._cycling or not world.air[self._facts.zone]:
            return
        self._cycling = True
        self._stir(True)
        world.points.put(self._i_home, False)
        world.kernel.after(self._facts.gate_ms // 2, self._drop)
        world.kernel.after(self._facts.gate_ms, self._home)

    def _drop(self) -> None:
        wanted = {"feeds_two": 2, "feeds_none": 0}.get(self.fault, 1)
        self.fed_two = wanted == 2
        for _ in range(min(wanted, self.count)):
            self.count -= 1
            head = self._facts.exit_eye_mm + DROP_BEYOND_EYE_MM
            self._axis.lay(self._world.new_body(), self._stage, head)
        if wanted != 1:
            self.fault = ""  # once
        self.show()

    def _home(self) -> None:
        self._cycling = False
        self._stir(False)
        self._world.points.put(self._i_home, True)

    def show(self) -> None:
        """Bring the level eyes in line with the contents."""
        points = self._world.points
        points.put(self._i_not_low, self.count > self._low)
        points.put(self._i_not_empty, self.count > 0)
        self.show_single()
        if self.count <= self._low and not self._restocking and self.fault != "empty":
            self._restocking = True
            self._world.kernel.after(RESTOCK_MS, self._restock)

    def show_single(self) -> None:
        """Bring the double-feed eye in line with the belt."""
        self._world.points.put(self._i_single, len(self._stage.bodies) < 2)

    def _restock(self) -> None:
        self._restocking = False
        if self.fault != "empty":
            self.refill()

    def refill(self) -> None:
        """People fill it up."""
        self.count = self._facts.holds
        self.show()

    def run_dry(self) -> None:
        """Fault: empty, and nobody brings any."""
        self.fault = "empty"
        self.count = 0
        self.show()

    def bring(self) -> None:
        """A washed gutter comes back from packing."""
        if self.count < self._facts.holds and self.fault != "empty":
            self.count += 1
            self.show()


class Filler:
    """Doser over the fill belt; loose substrate from a hopper whose level is read coarsely."""

    def __init__(self, world: World, name: str, facts: Fill) -> None:
        self._world, self.name, self._facts = world, name, facts
        self._on = False
        self._rate_ml_s = 0.0
        self._true_to_set = world.site.calibration.doser_factor
        """What falls for what is asked: this doser is the one that was measured."""
        self._spread = 0.0
        self._random = world.stream(name)
        self._this_run = 1.0
        self._stir = world.auditor.stir(facts.zone, f"{name}.doser")
        crops = world.site.crops.crops.values()
        self._full_l = max((crop.substrate_l for crop in crops), default=0.0)
        self._least_l = min((crop.substrate_l for crop in crops), default=0.0)
        self.level_l = float(facts.hopper_l)
        self._booked_l = 0.0
        self._dry: Entry | None = None
        self._tick: Entry | None = None
        self._refilling = False
        self.fault = ""
        self.outlet = Outlet(world, name, world.clock, self._give, self._begin, self._ended)
        self._i_level = world.input(name, "hopper_level", float(facts.hopper_l))
        self._i_running = world.input(name, "doser_running", False)
        world.output(name, "doser", self._doser)
        world.output(name, "doser_rate", self._rate)

    def _begin(self, body: Body) -> None:
        self._world.auditor.worked(body, self.name)
        if body.water_ml > 0 or body.seeds > 0:
            self._world.auditor.violate("out_of_order", f"substrate on {body} already watered")

    def _give(self, body: Body, litres: float) -> None:
        body.substrate_l += litres
        if body.substrate_l > 1.5 * self._full_l:
            self._world.auditor.violate("processed_twice", f"substrate dosed twice on {body}")

    def _ended(self, body: Body) -> None:
        if 0 < body.substrate_l < 0.75 * self._least_l:
            body.partial.add("substrate")
        else:
            body.partial.discard("substrate")

    def is_truly(self, factor: float, spread: float) -> None:
        """What falls for what is asked, and the standard deviation of that from run to run."""
        self._true_to_set, self._spread = factor, spread
        self.settle()

    def _doser(self, on: object) -> None:
        self._on = bool(on)
        if self._on and self._spread:
            self._this_run = self._random.gauss(1.0, self._spread)
        self._stir(self._on)
        running = self._on
        self._world.kernel.after(LAG_MS, lambda: self._world.points.put(self._i_running, running))
        self.settle()
        if self._on:
            self._tick = self._world.kernel.after(LEVEL_EVERY_MS, self._show_while_dosing)
        else:
            cancel(self._tick)
            self._show()

    def _rate(self, rate: float) -> None:
        self._rate_ml_s = float(rate)
        if self._on:
            self.settle()

    def settle(self) -> None:
        """Book what has left the hopper; go on at the present rate until it is empty."""
        outlet = self.outlet
        outlet.settle()
        self.level_l = max(0.0, self.level_l - (outlet.total - self._booked_l))
        self._booked_l = outlet.total
        factor = self._true_to_set * self._this_run
        rate = self._rate_ml_s * factor / 1_000_000 if self._on else 0.0
        if self.level_l <= 1e-9 or f"{self.name}.doser" in self._world.backwards:
            rate = 0.0
        outlet.set_rate(rate, commanded=True)
        cancel(self._dry)
        self._dry = None
        if rate > 0:
            self._dry = self._world.kernel.after(whole_ms(self.level_l / rate), self.settle)

    def _show_while_dosing(self) -> None:
        self.settle()
        self._show()
        self._tick = self._world.kernel.after(LEVEL_EVERY_MS, self._show_while_dosing)

    def _show(self) -> None:
        self._world.points.put(self._i_level, float(round(self.level_l)))
        low = self.level_l < 0.35 * self._facts.hopper_l
        if low and not self._refilling and self.fault != "hopper_empty":
            self._refilling = True
            self._world.kernel.after(REFILL_MS, self._refill)

    def _refill(self) -> None:
        self._refilling = False
        if self.fault != "hopper_empty":
            self.refill()

    def refill(self) -> None:
        """People fill the hopper."""
        self.settle()
        self.level_l = float(self._facts.hopper_l)
        self.settle()
        self._show()

    def run_dry(self) -> None:
        """Fault: the hopper is empty and nobody fills it."""
        self.fault = "hopper_empty"
        self.settle()
        self.level_l = 0.0
        self.settle()
        self._show()

"""The waterer (valve, control valve, meter) and the seeder (vacuum, drum, seed hopper)."""

from __future__ import annotations

from linectl.site.machine import Seed, Water
from linectl_sim.bodies import Body
from linectl_sim.drives import Drive
from linectl_sim.kernel import Entry
from linectl_sim.outlets import Outlet
from linectl_sim.singulation import Chances, Stretch, chances, laid
from linectl_sim.world import LAG_MS, World
from linectl_sim.yields import Yields

LEAK_ML_S = 4.0
VACUUM_STEPS = (0.35, 0.7, 0.9, 1.0)
VACUUM_STEP_MS = 500
SEED_HOPPER_GUTTERS = 300.0
REFILL_MS = 45_000


VACUUM_USUAL = 1.4
"""Working vacuum as a multiple of the least that seeding needs."""


def _picked(strength: float) -> float:
    """Seeds for each hole that passes, at a vacuum so many times the least needed."""
    if strength >= 1:
        return 0.98 + 0.03 * min(strength - 1, 1)
    return max(0.0, 0.98 - 1.5 * (1 - strength))


PICKS_USUAL = _picked(VACUUM_USUAL)


class Waterer:
    """Nozzle bar behind a valve; the meter counts what really flows."""

    def __init__(self, world: World, name: str, facts: Water) -> None:
        self._world, self.name = world, name
        self._random = world.stream(name)
        self._most_ml = max((crop.water_ml for crop in world.site.crops.crops.values()), default=0)
        self._least_ml = min((crop.water_ml for crop in world.site.crops.crops.values()), default=0)
        self._open = False
        self._rate_ml_s = 0.0
        self._usual = world.site.calibration.water_factor
        """What flows for what is asked: this bar is the one that was measured."""
        self._true_to_set = self._usual
        self.leaks = False
        self._i_supply = world.input(name, "supply_ok", True)
        self.outlet = Outlet(
            world, name, lambda: world.kernel.now, self._give, self._begin, self._ended
        )
        measured = world.site.calibration.water
        meter = measured.pulses_per_l if measured is not None else None
        self._pulses_per_l = meter or facts.pulses_per_l
        index = world.points.bind(name, "flow_pulses")
        world.points.count(index, self._pulses)
        world.output(name, "valve", self._valve)
        world.output(name, "flow_rate", self._rate)

    def _pulses(self) -> int:
        return int(self.outlet.present_total() * self._pulses_per_l / 1000 + 1e-6)

    def is_truly(self, factor: float, pulses_per_l: float) -> None:
        """What flows for what is asked, and what the meter gives for a litre."""
        self._usual = self._true_to_set = factor
        self._pulses_per_l = pulses_per_l
        self.settle()

    def _begin(self, body: Body) -> None:
        auditor = self._world.auditor
        auditor.worked(body, self.name)
        if body.seeds > 0:
            auditor.violate("out_of_order", f"water on {body} already seeded")
        if body.substrate_l <= 0 or not body.tamped:
            auditor.violate("out_of_order", f"water on {body} before filling and tamping")
        if body.wetted_at is None:
            body.wetted_at = self._world.kernel.now
            auditor.wetted(body)

    def _give(self, body: Body, millilitres: float) -> None:
        body.water_ml += millilitres
        if body.water_ml > 1.5 * self._most_ml:
            self._world.auditor.violate("processed_twice", f"{body} watered twice")

    def _ended(self, body: Body) -> None:
        if 0 < body.water_ml < 0.75 * self._least_ml:
            body.partial.add("water")
        else:
            body.partial.discard("water")

    def _valve(self, on: object) -> None:
        self._open = bool(on)
        if self._open:
            self._true_to_set = self._usual * self._random.gauss(1.0, 0.01)
        self.settle()

    def _rate(self, rate: float) -> None:
        self._rate_ml_s = float(rate)
        self.settle()

    def settle(self) -> None:
        """Bring the flow in line with valve, set-point, supply and leak."""
        rate = 0.0
        if self._world.points.truth[self._i_supply]:
            if self._open:
                rate = self._rate_ml_s * self._true_to_set / 1000
            elif self.leaks:
                rate = LEAK_ML_S / 1000
        self.outlet.set_rate(rate, commanded=self._open)

    def supply(self, present: bool) -> None:
        """Supply pressure comes or goes."""
        self._world.points.put(self._i_supply, present)
        self.settle()


class Seeder:
    """Vacuum drum geared to the seed belt: it drops by belt travel, as well as the vacuum lets
    it pick."""

    def __init__(self, world: World, name: str, facts: Seed, drive: Drive, crop: str) -> None:
        self._world, self.name = world, name
        self.yields = Yields(world)
        self._facts, self._drive = facts, drive
        self._random = world.stream(name)
        self.crop = crop
        self.lot = ""
        """What is in the drum, and the label it came with; another comes by people alone."""
        self.fault = ""
        self._pump = self._drum = False
        self._rate_s = 0.0
        self._true_to_set = 1.0
        self._turned = (0.0, 0.0)
        """Holes per mm of belt and vacuum since the outlet was last set."""
        self._need_kpa = float(facts.vacuum_min_kpa)
        """Vacuum from which on its seed is held."""
        self._true_factor: float | None = None
        """Seeds for each one asked at the usual strength; None: what was measured."""
        self._nominal_kpa = round(VACUUM_USUAL * facts.vacuum_min_kpa, 1)
        self.vacuum_kpa = 0.0
        self._step = 0
        self._stepping: Entry | None = None
        self._booked = 0.0
        self._refilling = False
        self.level = SEED_HOPPER_GUTTERS
        self._stir = world.auditor.stir(facts.zone, f"{name}.drum")
        self.outlet = Outlet(world, name, drive.travel, self._give, self._begin, self._ended)
        self.outlet.cells = self._passed
        self._i_vacuum = world.input(name, "vacuum", 0.0)
        self._i_running = world.input(name, "drum_running", False)
        self._i_level = world.input(name, "seed_level", self.level)
        index = world.points.bind(name, "seed_counter")
        world.points.count(index, lambda: int(self.outlet.present_total() + 1e-6))
        world.output(name, "pump", self._pumped)
        world.output(name, "drum", self._drummed)
        world.output(name, "drum_rate", self._rate)

    def _begin(self, body: Body) -> None:
        world = self._world
        world.auditor.worked(body, self.name)
        if body.water_ml <= 0:
            world.auditor.violate("out_of_order", f"seed on {body} before watering")
        if body.seeded_at is not None:
            if (body.crop, body.seed_lot) != (self.crop, self.lot):
                world.auditor.violate("mixed_seed", f"{body} gets {self.crop}, lot {self.lot}, too")
        else:
            crop = world.site.crops.crops[self.crop]
            body.crop, body.seed_lot = self.crop, self.lot
            body.seeded_at = body.sown_at = world.kernel.now
            body.ripe_at = world.kernel.now + crop.ripe_after_ms
            body.yield_kg = self.yields.draw(self.crop)

    def _dose(self, body: Body) -> int:
        return self._world.site.crops.crops[body.crop].seeds_per_gutter

    def _give(self, body: Body, seeds: float) -> None:
        body.seeds += seeds
        laid(body.sown, self._passed(seeds))
        if (
            body.crop
            and body.seeds > 1.5 * self._world.site.crops.crops[body.crop].seeds_per_gutter
        ):
            self._world.auditor.violate("processed_twice", f"{body} seeded twice")

    def _passed(self, seeds: float) -> Stretch:
        """The cells that have passed while so many seeds fell."""
        return Stretch(seeds / self.outlet.rate, *self._turned)

    def _ended(self, body: Body) -> None:
        if (
            body.crop
            and body.seeds < 0.75 * self._world.site.crops.crops[body.crop].seeds_per_gutter
        ):
            body.partial.add("seed")
        else:
            body.partial.discard("seed")

    def _pumped(self, on: object) -> None:
        self._pump = bool(on)
        if self._stepping is None:
            self._stepping = self._world.kernel.after(VACUUM_STEP_MS, self._breathe)

    def _breathe(self) -> None:
        """One step of the vacuum toward what pump and leaks allow."""
        self._stepping = None
        top = len(VACUUM_STEPS)
        self._step += 1 if self._pump else -1
        self._step = min(max(self._step, 0), top)
        self.show_vacuum()
        if 0 < self._step < top:
            self._stepping = self._world.kernel.after(VACUUM_STEP_MS, self._breathe)

    def trim(self, vacuum_kpa: float) -> None:
        """The relief valve of the drum is set to another vacuum."""
        self._nominal_kpa = vacuum_kpa
        self.show_vacuum()

    def show_vacuum(self) -> None:
        """Bring vacuum and picking in line with pump, step and fault."""
        share = VACUUM_STEPS[self._step - 1] if self._step else 0.0
        if self.fault == "vacuum_low":
            share *= 0.4
        elif f"{self.name}.pump" in self._world.backwards:
            share = 0.0
        self.vacuum_kpa = round(self._nominal_kpa * share, 2)
        self._world.points.put(self._i_vacuum, self.vacuum_kpa)
        self.settle()

    def _drummed(self, on: object) -> None:
        self._drum = bool(on)
        self._stir(self._drum)
        running = self._drum
        self._world.kernel.after(LAG_MS, lambda: self._world.points.put(self._i_running, running))
        if self._drum:
            self._true_to_set = self._random.gauss(1.0, 0.01)
        self.settle()
        if not self._drum:
            self._show_level()

    def _rate(self, rate: float) -> None:
        self._rate_s = float(rate)
        self.settle()

    def is_truly(self, factor: float, need: float) -> None:
        """Seeds for each one asked at the usual strength, and the vacuum that its seed needs as a
        multiple of the site's least one."""
        self._true_factor = factor
        self._need_kpa = need * self._facts.vacuum_min_kpa
        self.settle()

    def picks(self) -> float:
        """Seeds dropped for each one asked: misses under a poor vacuum, doubles under a strong
        one. At the usual vacuum it is what was measured of this drum, if somebody has."""
        return self._picks_at(self.vacuum_kpa, self.crop)

    def _picks_at(self, vacuum_kpa: float, crop: str) -> float:
        measured = self._world.site.calibration.drum
        usual = PICKS_USUAL if measured is None else measured.factor_of(crop)
        usual = usual if self._true_factor is None else self._true_factor
        strength = vacuum_kpa / self._need_kpa
        return usual * _picked(strength) / PICKS_USUAL

    def chances_at(self, vacuum_kpa: float, crop: str) -> Chances:
        """What a hole does with that crop at that vacuum: its mean is `picks` there."""
        return chances(vacuum_kpa / self._need_kpa, self._picks_at(vacuum_kpa, crop))

    def usual(self) -> tuple[float, float]:
        """Seeds for each one asked at the vacuum the relief valve is set to, and the vacuum (kPa)
        at which the most cells have just one seed."""

        def single(tenth_kpa: int) -> float:
            miss, multiple = self.chances_at(tenth_kpa / 10, self.crop)
            return 1 - miss - multiple

        best = max(range(1, round(30 * self._need_kpa)), key=single)
        return self._picks_at(self._nominal_kpa, self.crop), best / 10

    def settle(self) -> None:
        """Bring what falls in line with drum, vacuum, seed and its rate."""
        rate = holes_per_mm = 0.0
        turns = self._drum and f"{self.name}.drum" not in self._world.backwards
        if turns and self.level > 0 and self.fault != "seed_empty":
            per_mm = self._rate_s / self._drive.facts.speed_mm_s
            rate = per_mm * self.picks() * self._true_to_set
            holes_per_mm = per_mm * self._true_to_set
        self.outlet.set_rate(rate, commanded=True)
        self._turned = (holes_per_mm, self.vacuum_kpa)

    def _show_level(self) -> None:
        dropped = self.outlet.total - self._booked
        self._booked = self.outlet.total
        per_gutter = self._world.site.crops.crops[self.crop].seeds_per_gutter
        self.level = max(0.0, self.level - dropped / per_gutter)
        self._world.points.put(self._i_level, round(self.level, 1))
        low = self.level < 0.2 * SEED_HOPPER_GUTTERS
        if low and not self._refilling and self.fault != "seed_empty":
            self._refilling = True
            self._world.kernel.after(REFILL_MS, self._refill)

    def _refill(self) -> None:
        self._refilling = False
        if self.fault != "seed_empty":
            self.refill()

    def change(self, crop: str, lot: str) -> None:
        """People empty hopper and drum, and fill in seed with another label."""
        if self._drum:
            self._world.auditor.violate("seed_changed_running", f"{self.name}: to {crop}")
        self._show_level()  # what was dropped was of the crop before
        self.lot = lot
        self.refill(crop)

    def refill(self, crop: str = "") -> None:
        """People fill the seed hopper, perhaps with another crop."""
        if crop:
            self.crop = crop
        self.level = SEED_HOPPER_GUTTERS
        self.settle()
        self._show_level()

    def run_dry(self) -> None:
        """Fault: no seed, and nobody fills it."""
        self.fault = "seed_empty"
        self.level = 0.0
        self.settle()
        self._show_level()

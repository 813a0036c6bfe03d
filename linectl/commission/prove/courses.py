"""The courses of a proof: what is done with a cause on the stand, from quiet to gutters that flow.

whole    quiet, trip, stands, cause cleared alone, wrong reset, right reset, gutters flow again
trip     quiet, trip: for the outputs that are on at other moments
quality  the devices of its points fall silent
gutter   a cause that waits for the next gutter: nothing is cut, no other gutter is taken
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from linectl.commission.prove.attendant import Attendant
from linectl.commission.prove.means import Act, Means, silencing
from linectl.commission.prove.means import means as means_of
from linectl.commission.prove.moments import Moment
from linectl.commission.prove.notes import Enough, Notes
from linectl.commission.prove.promised import Cell, Promise
from linectl.commission.prove.reactions import Limits
from linectl.commission.prove.stand import UNITS, Acting, Stand
from linectl.commission.prove.tripping import AT_WORK, Tripping

STAND_MS = 1_500
"""How long it is watched that nothing happens after an act."""
REST_MAX_MS = 180_000
"""A unit that holds finishes what is under a tool; by then it must stand."""
FLOW_MAX_MS = 15 * 60_000
"""After the right acts a gutter must be indexed and one ejected within this."""
RESTING = {"abort": ("Aborted",), "hold": ("Held", "Aborted"),
           "suspend": ("Suspended", "Held", "Aborted")}  # fmt: skip


@dataclass(frozen=True)
class Course:
    """One thing to do with one cause at one moment of the reference run."""

    kind: str
    cause: str
    moment: Moment
    mode: str = "production"
    device: str = ""
    """Whose silence the quality course plays."""


class Run:
    """One course, run on a stand that has reached its moment (less the quiet time before it)."""

    def __init__(self, stand: Stand, course: Course, promise: Promise, limits: Limits,
                 notes: Notes) -> None:  # fmt: skip
        self.stand, self.course, self.promise, self.notes = stand, course, promise, notes
        self.limits = limits
        self.means = means_of(stand.site, promise)
        self.tripping = Tripping(stand, course.moment, limits, notes)
        self._violations = len(stand.plant.report()["violations"])

    def run(self) -> None:
        """Run it; with `one_is_enough` it ends at the first failed check."""
        try:
            getattr(self, f"_{self.course.kind}")()
        except Enough:
            return

    # courses -----------------------------------------------------------------------------------

    def _trip(self) -> None:
        self.tripping.quiet()
        self._trip_all()
        self._no_violation()

    def _whole(self) -> None:
        self._trip()
        self._rest()
        self._stands()
        self._cleared_alone()
        if self.promise.reset != "automatic":
            self._wrong_reset()
            self._right_reset()
        self._flows()
        self._no_violation()

    def _quality(self) -> None:
        """The point's device falls silent; the cause's other comparisons are made to hold."""
        self.tripping.quiet()
        points = self.stand.site.points
        silent = silencing(self.course.device)
        others = [
            each.trip.on
            for wanted, each in zip(self.promise.wanted, self.means, strict=True)
            if points[wanted.index].device != self.course.device
        ]
        self.notes.trip = silent.text
        self.tripping.lost_device = self.course.device
        self.tripping.trip([*others, silent.trip.on], [])

    def _gutter(self) -> None:
        self.tripping.quiet()
        self._trip_all()
        before = self._taken()
        for cell in (cell for cell in self.promise.cells if cell.station):
            self._waits(cell, before)
        self.notes.stage()
        self._cleared_alone()
        if self.promise.reset != "automatic":
            self._wrong_reset()
            self._right_reset()
        self._flows()
        self._no_violation()

    # stages ------------------------------------------------------------------------------------

    def _trip_all(self) -> None:
        chosen = self.means[: self.promise.needed]
        self.notes.trip = " and ".join(dict.fromkeys(each.text for each in chosen))
        edges = (
            []
            if self.promise.origin in ("silence", "supply")
            else [
                wanted.index
                for wanted in self.promise.wanted[: self.promise.needed]
                if not self._holds_already(wanted.index)
            ]
        )
        self.tripping.trip([each.trip.on for each in _once(chosen)], edges)

    def _holds_already(self, index: int) -> bool:
        wanted = next(w for w in self.promise.wanted if w.index == index)
        point = self.stand.site.points[index]
        value = self.stand.plant.read(index)
        return wanted.holds((not value) if point.invert else value)

    def _rest(self) -> None:
        """The units come to rest as they were asked to; others that follow are told."""
        stand, promise = self.stand, self.promise
        asked = {unit: promise.of_unit(unit) for unit in UNITS if promise.of_unit(unit)}
        if promise.moment == "at_once" or asked:
            deadline = stand.now + (REST_MAX_MS if asked else STAND_MS)
            while stand.now < deadline:
                stand.run_for(STAND_MS)
                if all(stand.state(unit) in RESTING[asked[unit]] for unit in asked):
                    break
        for cell in (cell for cell in promise.cells if cell.unit and cell.kind != "permissive"):
            state = stand.state(cell.unit)
            self.notes.say(cell, "unit at rest", state in RESTING[asked[cell.unit]],
                           f"{cell.unit} is {state}")  # fmt: skip
        if promise.moment != "at_once":
            parts = [part.name for part in stand.line.stations.values() if part.state == "partial"]
            self.notes.say_all("nothing cut in mid-gutter", not parts, ", ".join(parts))
        for unit in UNITS:
            if unit not in asked and stand.state(unit) != "Execute":
                found = next(u for u in stand.line.units if u.name == unit)
                self.notes.consequences.append(f"{unit} {found.state}: {found.reason}")
        self.notes.stage()

    def _stands(self) -> None:
        """With the cause present a person's resets and commands bring nothing on."""
        self._nothing_follows("stays while present", ("interlock-reset",), commands=True)

    def _cleared_alone(self) -> None:
        """The cause is put right: what is latched stays, nothing starts by itself."""
        self._halves()
        acts = [each.clear.on for each in _once(self.means[: self.promise.needed])]
        suspends = any(cell.action == "suspend" for cell in self.promise.cells)
        self._nothing_follows("clearing restarts nothing", (), acts, may_resume=suspends)
        self._still_latched("stays until reset")
        if self.promise.off_delay_ms:
            self.stand.run_for(self.promise.off_delay_ms)
        over = not self.stand.holds(self.promise)  # a part may stand so by itself
        for cell in self.promise.cells:
            if cell.kind != "latched" and over:
                named = self.tripping.part_of(cell, self.stand.line.verdict(self.promise.name))
                self.notes.say(cell, "ends with its cause", not named, f"still named for {named}")
        self.notes.stage()

    def _halves(self) -> None:
        """An undoing that is not enough, such as a stop pulled out without its safety reset."""
        acts = [each.half.on for each in self.means[: self.promise.needed] if each.half]
        if acts:
            self._nothing_follows("release restarts nothing", (), acts, commands=True)
            self._still_latched("stays until reset")

    def _wrong_reset(self) -> None:
        """The alarm acknowledged, and commands without the interlock reset; at the machine: the
        reset of everyone else."""
        self.stand.command("", "alarm-ack", self.promise.name)
        wrong: tuple[str, ...] = ()
        acts = []
        if self.promise.reset == "at_machine":
            wrong = ("interlock-reset",)
            others = [zone for zone in self.stand.site.file.zones if zone != self.promise.zone]
            acts = [Act("interlock reset", zone).on for zone in others]
        self._nothing_follows("wrong reset restarts nothing", wrong, acts, commands=True)
        self._still_latched("stays until reset")

    def _right_reset(self) -> None:
        """The reset lets go of the cause, and starts nothing by itself."""
        button = self.promise.reset == "at_machine"
        acts = [Act("interlock reset", self.promise.zone).on] if button else []
        words = () if button else ("interlock-reset",)
        self._nothing_follows("reset restarts nothing", words, acts)
        still = self.stand.line.verdict(self.promise.name)
        for cell in self.promise.cells:
            named = self.tripping.part_of(cell, still)
            self.notes.say(cell, "reset lets go", not named, f"still named for {named}")
        self.notes.stage()

    def _flows(self) -> None:
        """A person puts the line right; gutters are indexed and ejected again."""
        stand = self.stand
        before = stand.plant.report()["gutters"]
        attendant = Attendant(stand)
        deadline = stand.now + FLOW_MAX_MS
        flows = False
        while stand.now < deadline and not flows:
            stand.run_for(10_000)
            after = stand.plant.report()["gutters"]
            moved = all(after[key] > before[key] for key in ("indexed", "ejected"))
            flows = moved and all(stand.state(unit) == "Execute" for unit in UNITS)
        attendant.stop()
        states = ", ".join(
            f"{unit.name} {unit.state}" + (f" ({unit.reason})" if unit.reason else "")
            for unit in stand.line.units
        )
        self.notes.say_all("gutters flow again", flows, f"not within 15 min: {states}")

    def _no_violation(self) -> None:
        found = self.stand.plant.report()["violations"][self._violations :]
        text = f"{found[0]['rule']}: {found[0]['detail']}" if found else ""
        self.notes.say_all("no rule violated", not found, text)
        self.notes.stage()

    # parts of stages ---------------------------------------------------------------------------

    def _do(self, words: tuple[str, ...], acts: Sequence[Acting]) -> None:
        for word in words:
            self.stand.command("", word)
        if acts:
            self.stand.do(acts)

    def _nothing_follows(
        self, name: str, words: tuple[str, ...], acts: Sequence[Acting] = (),
        commands: bool = False, may_resume: bool = False,
    ) -> None:  # fmt: skip
        """After these acts no output of the cells comes on, no unit of the cells goes to work."""
        stand = self.stand
        came, states = len(stand.came_on), len(stand.states)
        self._do(words, acts)
        stand.run_for(STAND_MS)
        if commands:
            for word in ("clear", "reset", "start", "unhold", "unsuspend"):
                for unit in UNITS:
                    if stand.state(unit) not in AT_WORK and self.promise.of_unit(unit):
                        stand.command(unit, word)
                stand.run_for(STAND_MS // 3)
        on = {index for _, index in stand.came_on[came:]}
        went = {(unit, state) for _, unit, state in stand.states[states:] if state in AT_WORK}
        for cell in self.promise.cells:
            if cell.kind == "permissive":
                continue
            back = on & set(cell.outputs)
            self.notes.say(cell, name, not back, f"{self.tripping.tags(back)} came on")
            if cell.unit and not may_resume:
                began = sorted(state for unit, state in went if unit == cell.unit)
                self.notes.say(cell, name, not began, f"{cell.unit} went to {', '.join(began)}")
        self.notes.stage()

    def _still_latched(self, name: str) -> None:
        named = self.stand.line.verdict(self.promise.name)
        for cell in (cell for cell in self.promise.cells if cell.kind == "latched"):
            missing = [i for i in cell.outputs if i not in named.outputs]
            held = self.tripping.part_of(cell, named)
            ok = not missing and bool(held)
            what = self.tripping.tags(missing) or cell.unit or cell.station
            self.notes.say(cell, name, ok, f"{what} is let go without it")
        self.notes.stage()

    def _taken(self) -> dict[str, int]:
        return {
            cell.station: sum(
                move.dest == cell.station and not move.done for move in self.stand.record.moves
            )
            for cell in self.promise.cells
            if cell.station
        }

    def _waits(self, cell: Cell, before: dict[str, int]) -> None:
        """What is in the station is finished; no other gutter is taken; then the unit stands."""
        stand, station = self.stand, cell.station
        part = stand.line.stations[station]
        unit = part.unit.name if part.unit is not None else ""
        allowed = RESTING[cell.action] if cell.action else ()
        deadline = stand.now + 2 * REST_MAX_MS
        cut = ""
        while stand.now < deadline:
            stand.run_for(STAND_MS)
            if part.state in ("partial", "faulted"):
                cut = f"{station} is {part.state}"
                break
            if stand.state(unit) in allowed:
                break
        taken = self._taken()[station] - before[station]
        self.notes.say(cell, "nothing cut in mid-gutter", not cut, cut)
        self.notes.say(cell, "no further gutter", not taken, f"{station} took {taken} more")
        if cell.action:
            state = stand.state(unit)
            self.notes.say(cell, "unit at rest", state in allowed, f"{unit} is {state}")


def _once(means: tuple[Means, ...]) -> list[Means]:
    """Each act once, though several comparisons come by it."""
    return list({each.text: each for each in means}.values())

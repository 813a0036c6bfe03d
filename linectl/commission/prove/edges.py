"""The courses at a cause's edge: what must not trip it, and what is only kept from starting.

inside      a number just inside its limit, just beyond it, and on its way back
short       present for less than its delay
fewer       one vote too few
mode        in a mode in which it is not enabled
permissive  what runs goes on; what stands may not come on while it is present
"""

from __future__ import annotations

from linectl.commission.prove.courses import STAND_MS, Run
from linectl.commission.prove.means import held
from linectl.commission.prove.promised import Cell, Wanted
from linectl.commission.prove.stand import UNITS
from linectl.commission.prove.tripping import AT_WORK, Acts

PERMIT_MS = 90_000
"""How long it is watched that nothing comes on which may not."""


class EdgeRun(Run):
    """A run of any course, those at the edge included."""

    def _named(self) -> str:
        """What of the cause's cells the line names now, in words; empty for nothing."""
        said = self.stand.line.verdict(self.promise.name)
        parts = [self.tripping.part_of(cell, said) for cell in self.promise.cells]
        return ", ".join(dict.fromkeys(part for part in parts if part))

    def _see_ms(self) -> int:
        return round(self.limits.seen_ms(self.promise)) + 4 * self.stand.site.file.scan_ms

    def _never_named(self, name: str, ms: int) -> None:
        """For that long no scan names the cause."""
        found: list[str] = []

        def look(now: int) -> None:
            if not found and (named := self._named()):
                found.append(named)

        self.stand.watchers.append(look)
        self.stand.run_for(ms)
        self.stand.watchers.remove(look)
        self.notes.say_all(name, not found, f"it was named for {''.join(found)}")
        self.notes.stage()

    # numbers -----------------------------------------------------------------------------------

    def _inside(self) -> None:
        self.tripping.quiet()
        for wanted in (wanted for wanted in self.promise.wanted if wanted.level is None):
            for limit, sign in ((wanted.below, 1), (wanted.above, -1)):
                if limit is not None:
                    self._one_limit(wanted, limit, sign)

    def _one_limit(self, wanted: Wanted, limit: float, sign: int) -> None:
        """sign: towards healthy values, +1 from a `below`, −1 from an `above`."""
        step = self._step(wanted, limit) * sign
        slack = wanted.hysteresis * sign
        others = [
            each.trip.on
            for other, each in zip(self.promise.wanted, self.means, strict=True)
            if other is not wanted
        ]
        self._hold(wanted, limit + step, others)
        self._never_named("no trip just inside", self._see_ms())
        self._hold(wanted, limit - step)
        self.stand.run_for(self._see_ms())
        self.notes.say_all("trip just beyond", bool(self._named()), f"not at {limit - step:g}")
        if wanted.hysteresis:
            self._hold(wanted, limit + slack - step)
            self.stand.run_for(self._see_ms() + self.promise.off_delay_ms)
            self.notes.say_all(
                "held by its hysteresis", bool(self._named()), f"ended at {limit + slack - step:g}"
            )
        self._hold(wanted, limit + slack + step)
        self.stand.run_for(self._see_ms() + self.promise.off_delay_ms)
        if all(cell.kind != "latched" for cell in self.promise.cells):
            named = self._named()
            self.notes.say_all("ends beyond it", not named, f"still named for {named}")
        self.stand.do([held(wanted).clear.on])
        self.notes.stage()

    def _hold(self, wanted: Wanted, value: float, others: Acts = ()) -> None:
        self.stand.do([*others, held(wanted, value).trip.on])

    def _step(self, wanted: Wanted, limit: float) -> float:
        """The smallest step that its register can tell, or a thousandth of a real number."""
        point = self.stand.site.points[wanted.index]
        return max(abs(limit) / 1000, 1e-3) if point.type == "f32" else abs(point.scale)

    # time, votes, modes ------------------------------------------------------------------------

    def _short(self) -> None:
        """As long as sampling can leave in doubt shorter than the delay."""
        self.tripping.quiet()
        doubt_ms = self._see_ms() - self.promise.on_delay_ms
        pulse_ms = self.promise.on_delay_ms - doubt_ms
        if pulse_ms <= 0:
            return
        makers = [held(wanted) for wanted in self.promise.wanted[: self.promise.needed]]
        self.stand.do([maker.trip.on for maker in makers])
        bench = self.stand.bench
        bench.at(self.stand.now + pulse_ms, lambda: self.stand.do([m.clear.on for m in makers]))
        self._never_named("not before its delay", pulse_ms + self._see_ms())

    def _fewer(self) -> None:
        self.tripping.quiet()
        chosen = self.means[: self.promise.needed - 1]
        self.stand.do([each.trip.on for each in chosen])
        self._never_named("one vote fewer does not trip", self._see_ms() + STAND_MS)

    def _mode(self) -> None:
        self.stand.run_for(STAND_MS)
        self.stand.do([each.trip.on for each in self.means[: self.promise.needed]])
        name = f"not enabled in {self.course.mode.replace('_', ' ')}"
        self._never_named(name, self._see_ms() + STAND_MS)

    # permissives -------------------------------------------------------------------------------

    def _permissive(self) -> None:
        self.tripping.quiet()
        on = {index for index in self.course.moment.on if self.stand.is_on(index)}
        self._trip_all()
        for cell in self.promise.cells:
            cut = [i for i in cell.outputs if i in on and not self.stand.is_on(i)]
            self.notes.say(cell, "what runs goes on", not cut, f"{self.tripping.tags(cut)} was cut")
            if cell.unit:
                state = self.stand.state(cell.unit)
                self.notes.say(cell, "what runs goes on", state in AT_WORK, f"{cell.unit} {state}")
        self.notes.stage()
        self._nothing_comes_on()
        for cell in (cell for cell in self.promise.cells if cell.unit):
            self._may_not_start(cell)
        self.stand.do([each.clear.on for each in self.means[: self.promise.needed]])
        self.stand.run_for(STAND_MS + self.promise.off_delay_ms)
        named = self._named()
        self.notes.say_all("ends with its cause", not named, f"still named for {named}")
        self.notes.stage()
        self._flows()
        self._no_violation()

    def _nothing_comes_on(self) -> None:
        came = len(self.stand.came_on)
        self.stand.run_for(PERMIT_MS if any(c.outputs for c in self.promise.cells) else STAND_MS)
        later = {index for _, index in self.stand.came_on[came:]}
        for cell in self.promise.cells:
            began = later & set(cell.outputs)
            text = f"{self.tripping.tags(began)} came on"
            self.notes.say(cell, "what stands stays off", not began, text)
        self.notes.stage()

    def _may_not_start(self, cell: Cell) -> None:
        """The unit is held by a person; no command brings it back while the cause is present."""
        assert cell.unit in UNITS
        self.stand.command(cell.unit, "hold")
        for _ in range(80):
            self.stand.run_for(STAND_MS)
            if self.stand.state(cell.unit) == "Held":
                break
        self.stand.command(cell.unit, "unhold")
        self.stand.run_for(STAND_MS)
        state = self.stand.state(cell.unit)
        self.notes.say(cell, "what stands stays off", state == "Held", f"{cell.unit} is {state}")
        self.notes.stage()

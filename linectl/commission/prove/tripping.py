"""One cause tripped at one moment: quiet before it, then in the scan that sees it, at the device.

Everything is timed from the edge at the plant's own sensor.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from linectl.commission.proof import OutputReaction
from linectl.commission.prove.moments import QUIET_MS, Moment
from linectl.commission.prove.notes import Notes
from linectl.commission.prove.promised import Cell
from linectl.commission.prove.reactions import Limits
from linectl.commission.prove.stand import UNITS, Stand, Verdict
from linectl.runtime.plant import Plant

EDGE_MAX_MS = 5_000
"""An act that changes no sensor of the cause within this has not tripped it."""
STOPPED = {
    "abort": frozenset(("Aborting", "Aborted")),
    "hold": frozenset(("Holding", "Held", "Aborting", "Aborted")),
    "suspend": frozenset(("Suspending", "Suspended", "Holding", "Held", "Aborting", "Aborted")),
}
"""Where a unit may be after it was asked to: a stronger cause may come with it."""
AT_WORK = frozenset(("Starting", "Unholding", "Unsuspending", "Execute"))
"""States in which a unit moves its stations, or is about to."""

Acts = Sequence[Callable[[Plant], None]]


class Tripping:
    """Trips the cause of `notes` on a stand and looks at every cell of it."""

    def __init__(self, stand: Stand, moment: Moment, limits: Limits, notes: Notes) -> None:
        self.stand, self.moment, self.limits, self.notes = stand, moment, limits, notes
        self.promise = notes.promise
        self.edge = 0
        """When the cause came at the plant's sensor."""
        self.acts_at: int | None = None
        """The first scan that sees the cause, its delay over."""
        self.lost_device = ""
        """The device whose silence is played: its outputs cannot be written."""
        self._tripped = False
        self._held_since: int | None = None
        self._off_then: frozenset[int] = frozenset()
        self._named_then: Verdict | None = None
        self._units_then: dict[str, str] = {}
        stand.watchers.append(self._scanned)

    # before ------------------------------------------------------------------------------------

    def quiet(self) -> None:
        """Until the moment: the cause is not named, and the outputs of its cells are on."""
        stand, name = self.stand, self.promise.name
        stand.run_for(QUIET_MS)
        named = stand.line.verdict(name)
        for cell in self.promise.cells:
            said = self.part_of(cell, named)
            self.notes.say(cell, "quiet before", not said, f"named before the trip: {said}")
            missing = [i for i in cell.outputs if i in self.moment.on and not stand.is_on(i)]
            self.notes.say(
                cell, "quiet before", not missing,
                f"{self.tags(missing)} off before the trip",
            )  # fmt: skip
        self.notes.stage()

    def part_of(self, cell: Cell, named: Verdict) -> str:
        """What of a cell a verdict names, in words; empty for nothing."""
        if cell.kind == "permissive":
            bits = named.barred & set(cell.outputs)
            return self.tags(bits) or (cell.unit if cell.unit in named.barred_units else "")
        if cell.outputs:
            return self.tags(named.outputs & set(cell.outputs))
        if cell.station:
            return cell.station if cell.station in named.stations else ""
        return cell.unit if (cell.unit, cell.action) in named.units else ""

    # the trip ----------------------------------------------------------------------------------

    def trip(self, acts: Acts, edges: Sequence[int]) -> None:
        """Do it, and run on until the slowest output must be off. `edges`: the sensors' points;
        none: it counts from the act itself."""
        stand = self.stand
        self._on_before = {i for i in self.promise.outputs if stand.is_on(i)}
        self._at_device = {i for i in self._on_before if stand.on_at_device(i)}
        stand.plant.edges.clear()
        stand.plant.writes.clear()
        began = self.edge = stand.now
        self._tripped = True
        stand.do(acts)
        scan = stand.site.file.scan_ms
        off_seen: dict[int, int] = {}
        window = self._window_ms()
        end = began + (EDGE_MAX_MS if edges else window)
        while stand.now < end:
            stand.run_for(scan)
            if edges and all(index in stand.plant.edges for index in edges):
                self.edge = max(stand.plant.edges[index] for index in edges)
                edges, end = (), self.edge + window
            for index in self._at_device:
                if index not in off_seen and not stand.on_at_device(index):
                    written = index, stand.plant.read(index)
                    off_seen[index] = stand.plant.writes.get(written, stand.now)
        self.notes.say_all("sensor", not edges, "the act changed no sensor of this cause")
        self._seen_checks()
        self._device_checks(off_seen)
        self.notes.stage()

    def _window_ms(self) -> int:
        scan = self.stand.site.file.scan_ms
        worst = [
            self.limits.worst_ms(self.promise, i, self.lost_device) for i in self.promise.outputs
        ]
        reading = self.limits.seen_ms(self.promise, self.lost_device)
        return round(max([reading, *worst])) + 4 * scan

    def _scanned(self, now: int) -> None:
        """After each scan: has it seen the cause, and what did it do in that very scan?"""
        if not self._tripped or self.acts_at is not None:
            return
        if not self.stand.holds(self.promise):
            self._held_since = None
            return
        if self._held_since is None:
            self._held_since = now
        if now - self._held_since >= self.promise.on_delay_ms:
            stand = self.stand
            self.acts_at = now
            self._off_then = frozenset(i for i in self.promise.outputs if not stand.is_on(i))
            self._named_then = stand.line.verdict(self.promise.name)
            self._units_then = {unit: stand.state(unit) for unit in UNITS}

    def _seen_checks(self) -> None:
        notes, named = self.notes, self._named_then
        if self.acts_at is None or named is None:
            notes.say_all("seen", False, "the line never read it")
            return
        notes.say_all("seen", True)
        mine: set[int] = set()
        for cell in self.promise.cells:
            mine |= set(cell.outputs)
            self._named_check(cell, named)
            if cell.kind == "permissive":
                continue
            late = [i for i in cell.outputs if i in self._on_before and i not in self._off_then]
            if cell.outputs:
                notes.say(cell, "off in the scan", not late,
                          f"{self.tags(late)} on in the scan that saw it")  # fmt: skip
            if cell.unit:
                self._unit_check(cell)
        beside = named.outputs - mine
        units = {unit for unit, _ in named.units} - {cell.unit for cell in self.promise.cells}
        stations = named.stations - {cell.station for cell in self.promise.cells}
        extra = ", ".join([self.tags(beside), *sorted(units), *sorted(stations)]).strip(", ")
        notes.say_all("blank cells", not extra, f"it is named for {extra} too")

    def _named_check(self, cell: Cell, named: Verdict) -> None:
        """The line's own verdict on every output, unit or station of the cell names the cause."""
        if self.promise.origin == "silence" and cell.outputs:
            lost = [i for i in cell.outputs if self.stand.line.counted_ready >> i & 1]
            self.notes.say(cell, "named", not lost, f"{self.tags(lost)} counts as ready")
            return
        if cell.kind == "permissive":
            missing = [i for i in cell.outputs if i not in named.barred]
            ok = not missing and (not cell.unit or cell.unit in named.barred_units)
        elif cell.outputs:
            missing = [i for i in cell.outputs if i not in named.outputs]
            ok = not missing
        else:
            missing = []
            ok = bool(self.part_of(cell, named))
        what = self.tags(missing) or cell.unit or cell.station
        self.notes.say(cell, "named", ok, f"the verdict on {what} does not name it")

    def _unit_check(self, cell: Cell) -> None:
        allowed = STOPPED[self.promise.of_unit(cell.unit)]
        state = self._units_then[cell.unit]
        self.notes.say(cell, "unit stopped", state in allowed, f"{cell.unit} was {state}")

    def _device_checks(self, off_seen: dict[int, int]) -> None:
        """Every output that was on is off at its device in time; how long each took."""
        points, limits = self.stand.site.points, self.limits
        for cell in self.promise.cells:
            if cell.kind == "permissive":
                continue
            for index in (i for i in cell.outputs if i in self._at_device):
                tag = points[index].tag
                if index not in off_seen:
                    after_ms = self.stand.now - self.edge
                    text = f"{tag} still on {after_ms} ms after it"
                    self.notes.say(cell, "off at the device", False, text)
                    continue
                took = float(max(0, off_seen[index] - self.edge))
                worst = limits.worst_ms(self.promise, index, self.lost_device)
                allowed = limits.allowed_ms(self.promise, index, self.lost_device)
                in_time = took <= worst and (allowed is None or took <= allowed)
                self.notes.say(
                    cell, "off at the device", in_time,
                    f"{tag} off after {took:.0f} ms; computed {worst:.0f} ms, allowed"
                    f" {'–' if allowed is None else f'{allowed:.0f} ms'}",
                )  # fmt: skip
                if not self.lost_device:
                    self.notes.react(cell, index, OutputReaction(tag, took, worst, allowed))

    def tags(self, indices: Iterable[int]) -> str:
        points = self.stand.site.points
        return ", ".join(points[i].tag for i in sorted(indices))

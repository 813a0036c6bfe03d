"""The hard-wired side: stops and their relays, guards, the cut, air, horns, buttons, power.

The cut acts on the effects of outputs, not on the outputs: a controller that leaves an output
on is still seen by the auditor. `hard_cut` switches the cut off, so that hardware cannot hide
software.
"""

from __future__ import annotations

from collections.abc import Callable

from linectl.errors import UsageError
from linectl.image import Value
from linectl_sim.kernel import Entry, cancel
from linectl_sim.world import World

CUT_MS = 50
"""From a stop or guard to its contactors open (common practice: two relays in series)."""
PRESSURE_MS, VENT_MS = 300, 100
BUTTON_MS = 500


class ZoneSafety:
    """Stop, reset buttons, control place, air and horn of one zone."""

    def __init__(self, world: World, name: str, changed: Callable[[], object]) -> None:
        self._world, self.name, self._changed = world, name, changed
        self.pressed = False
        self.tripped = False
        self.air_lost = False
        self._air_on = False
        self._venting: Entry | None = None
        self.i_estop_ok = world.input(name, "estop_ok", True)
        self._i_safety_reset = world.input(name, "safety_reset", False)
        self._i_interlock_reset = world.input(name, "interlock_reset", False)
        self._i_remote = world.input(name, "remote_selected", True)
        world.input(name, "air_ok", False)
        world.output(name, "air", self._air)
        self.i_horn_on = world.follow(name, "horn", "horn_on")
        world.follow(name, "beacon", "beacon_on")
        self._i_enabling = world.input(name, "enabling", False)

    def press(self) -> None:
        """Somebody hits the emergency stop; its relay drops."""
        self.pressed = self.tripped = True
        self._world.points.put(self.i_estop_ok, False)
        self._changed()

    def release(self) -> None:
        """The button is pulled out again; the relay stays dropped."""
        self.pressed = False

    def safety_reset(self) -> None:
        """Press and release the hard-wired reset; the relay acts on release."""
        self._push(self._i_safety_reset, self._reset)

    def _reset(self) -> None:
        if self.tripped and not self.pressed:
            self.tripped = False
            self._world.points.put(self.i_estop_ok, True)
            self._changed()

    def interlock_reset(self) -> None:
        """Press and release the interlock reset, an input like any other."""
        self._push(self._i_interlock_reset, lambda: None)

    def _push(self, index: int, released: Callable[[], object]) -> None:
        points = self._world.points
        points.put(index, True)

        def up() -> None:
            points.put(index, False)
            released()

        self._world.kernel.after(BUTTON_MS, up)

    def enable(self, held: bool) -> None:
        """A person holds the zone's enabling device, or lets it go. UsageError without one."""
        if self._i_enabling == self._world.points.spare:
            raise UsageError(f"zone {self.name} has no enabling device")
        self._world.hands[self.name] = None if held else self._world.kernel.now
        self._world.points.put(self._i_enabling, held)

    def select(self, room: bool) -> None:
        """Control place: the control room, or the machine."""
        self._world.points.put(self._i_remote, room)

    def _air(self, on: Value) -> None:
        self._air_on = bool(on)
        self.supply()

    def supply(self) -> None:
        """Air comes or goes with the dump valve and the supply."""
        wanted = self._air_on and not self.air_lost
        cancel(self._venting)
        delay = PRESSURE_MS if wanted else VENT_MS
        self._venting = self._world.kernel.after(
            delay, lambda: self._world.set_air(self.name, wanted)
        )


class Safety:
    """All zones and guards, the hard-wired cut over them, and the devices' power."""

    def __init__(self, world: World) -> None:
        self._world = world
        file = world.site.file
        self.zones = {name: ZoneSafety(world, name, self._stops_changed) for name in file.zones}
        self._guard_zone = {
            guard: name for name, zone in file.zones.items() for guard in zone.guards
        }
        self._guards = {
            guard: world.input(f"guard_{guard}", "closed", True) for guard in self._guard_zone
        }
        cut = [point for point in world.site.points if point.direction == "out" and point.cut_by]
        self._all_cut = [point.index for point in cut]
        self._zone_cut = {
            name: [point.index for point in cut if point.zone == name] for name in file.zones
        }
        self.hard_cut = True
        self.was_cut: Callable[[str], object] = lambda zone: None
        """Told each zone that a cut or a loss of power has stopped."""
        self.powered = True
        self._silent: dict[str, int] = {}
        self._silences = 0
        self.on_wire = False
        """True once real bytes carry the answers: then a late answer is late, not silence."""
        self._lagging: dict[str, int] = {}

    @property
    def guards(self) -> tuple[str, ...]:
        """Names of all guards."""
        return tuple(self._guards)

    def set_guard(self, guard: str, closed: bool) -> None:
        """Open or close a guard."""
        self._world.points.put(self._guards[guard], closed)
        self._world.kernel.after(CUT_MS if not closed else 0, self._cut_guards)

    def _stops_changed(self) -> None:
        self._world.kernel.after(CUT_MS, self._cut_stops)

    def set_hard_cut(self, on: bool) -> None:
        """Whether stops and guards cut anything by themselves."""
        self.hard_cut = on
        self._cut_stops()
        self._cut_guards()

    def _cut_stops(self) -> None:
        stopped = any(zone.tripped for zone in self.zones.values())
        self._world.outputs.cut("stops", self._all_cut, stopped and self.hard_cut)
        if stopped:
            for zone in self.zones:
                self.was_cut(zone)

    def _cut_guards(self) -> None:
        truth = self._world.points.truth
        for zone, indices in self._zone_cut.items():
            opened = any(
                not truth[self._guards[guard]]
                for guard, of_zone in self._guard_zone.items()
                if of_zone == zone
            )
            self._world.outputs.cut(f"guards of {zone}", indices, opened and self.hard_cut)
            if opened:
                self.was_cut(zone)

    def answers(self, device: str) -> bool:
        """False while the device is silent or without power."""
        return self.powered and device not in self._silent

    def silence(self, device: str, for_ms: int) -> None:
        """The device answers nothing for a time; its own watchdog then acts."""
        self._silences += 1
        mark = self._silences
        self._silent[device] = mark
        self._world.points.touch(device)
        kernel = self._world.kernel
        watchdog_ms = self._world.site.file.devices[device].watchdog_ms

        def bark() -> None:
            if self._silent.get(device) == mark:
                self._world.outputs.fall_safe(device)

        def back() -> None:
            if self._silent.get(device) == mark:
                self.speak(device)

        if watchdog_ms is not None and watchdog_ms <= for_ms:
            kernel.after(watchdog_ms, bark)
        kernel.after(for_ms, back)

    def lags(self, device: str) -> bool:
        """True while the device's answers come too late on the wire."""
        return device in self._lagging

    def lag(self, device: str, for_ms: int) -> None:
        """The device answers too late for a time. Without a wire that is as good as silence."""
        if not self.on_wire:
            self.silence(device, for_ms)
            return
        self._silences += 1
        mark = self._silences
        self._lagging[device] = mark

        def in_time() -> None:
            if self._lagging.get(device) == mark:
                del self._lagging[device]

        self._world.kernel.after(for_ms, in_time)

    def speak(self, device: str) -> None:
        """The device answers again, and in time."""
        self._lagging.pop(device, None)
        if self._silent.pop(device, None) is not None:
            self._world.points.touch(device)

    def cut_power(self, for_ms: int) -> None:
        """All devices lose power; outputs fall to safe values, nothing moves, positions stay."""
        self._set_power(False)
        self._world.kernel.after(for_ms, lambda: self._set_power(True))

    def _set_power(self, present: bool) -> None:
        self.powered = present
        for device in self._world.site.file.devices:
            self._world.outputs.power(device, present)
            self._world.points.touch(device)
        for zone in self.zones:
            self.was_cut(zone)

"""The packing hall: people who are late by a distribution, take gutters, and stop for breaks."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from linectl.site.machine import Packing
from linectl_sim.belts import driven
from linectl_sim.bodies import Body
from linectl_sim.kernel import Entry, cancel
from linectl_sim.world import LAG_MS, World

BUSY_TAKTS = 0.45
"""Mean time with one gutter, as a share of the takt: the hall is quicker than the line."""
BUSY_SPREAD = 0.15
LATE_TO_WORK_MS = 4_000
"""Mean lateness at the start of work."""
TAKE_MS = 300
SAID_MS = 1_000
"""How long a word stands for which no offer stands (a controller that is gone)."""
WEIGH_MS = 4_000
"""From taking a gutter until what it gave lies on the scale, where there is one."""
WEIGHED_MS = 2_000
"""How long the scale shows that a weight stands."""
WASH_MS = 240_000
"""From the hall through washing back to the magazine."""


class Hall:
    """Ready, taken, offer. `came` is told each gutter, `washed` when it comes back empty."""

    def __init__(self, world: World, name: str, facts: Packing) -> None:
        self._world, self.name, self._facts = world, name, facts
        self._random = world.stream(name)
        self._busy_ms = BUSY_TAKTS * world.site.file.takt_ms
        self.working = True
        """False while harvest is stopped."""
        self._busy = True
        self.fault = ""
        self.body: Body | None = None
        """The gutter people work on."""
        self.packed: list[tuple[int, Body]] = []
        """What came, and when (ms)."""
        self._offer = self._owed = False
        self._back: Entry | None = None
        self.came: Callable[[Body], object] = lambda body: None
        self.washed: Callable[[], object] = lambda: None
        self.doubled: Callable[[Body], object] = lambda body: None
        self._i_ready = world.input(name, "ready", False)
        self._i_taken = world.input(name, "taken", False)
        self._i_weight = world.input(name, "weight", 0.0)
        self._i_weighed = world.input(name, "weighed", False)
        self.weighs = True
        """False while people leave out the scale."""
        world.output(name, "offer", self._on_offer)
        late = round(self._random.expovariate(1 / LATE_TO_WORK_MS))
        self._back = world.kernel.after(min(late, 5 * LATE_TO_WORK_MS), self._free)

    @property
    def ready(self) -> bool:
        """Whether people take the next gutter now."""
        return bool(self._world.points.truth[self._i_ready])

    def _show_ready(self) -> None:
        self._world.points.put(self._i_ready, self.working and not self._busy)

    def stop(self) -> None:
        """Harvest stops: a hand-over under way is finished, no other begun."""
        self.working = False
        if not self._offer:
            self._show_ready()

    def resume(self) -> None:
        """Harvest resumes."""
        self.working = True
        self._show_ready()

    def arriving(self, body: Body) -> None:
        """The head of a gutter comes over the edge of the turn-out."""
        if driven(body) and (self._busy or not self._offer):
            why = "packing is busy" if self._busy else "it was not offered"
            self._world.auditor.violate("handover_onto_occupied", f"{body} comes though {why}")

    def took(self, body: Body, grabbed: bool = False) -> None:
        """Its tail has left the turn-out (or people have grabbed it): it lies in packing."""
        if self.body is not None:
            self._world.auditor.violate("two_in_one_place", f"{body} on {self.body} in packing")
        self.body = body
        self.packed.append((self._world.kernel.now, body))
        self._busy = True
        self.came(body)
        kernel = self._world.kernel
        self._owed = not grabbed
        if self._owed and self.fault != "handshake_sticks":
            kernel.after(TAKE_MS, self._say_taken)
        kernel.after(TAKE_MS, self._show_ready)
        if self._facts.weighing is not None and self.weighs:
            kernel.after(WEIGH_MS, lambda: self._weigh(body))
        self._work()

    def _weigh(self, body: Body) -> None:
        """What it gave lies on the scale: the weight first, then the word that it stands."""
        put = self._world.points.put
        put(self._i_weight, body.yield_kg)
        put(self._i_weighed, True)
        self._world.kernel.after(WEIGHED_MS, lambda: put(self._i_weighed, False))

    def _say_taken(self) -> None:
        if self._owed:
            self._owed = False
            self._world.points.put(self._i_taken, True)
            if not self._offer:  # nobody asks any more: the word is said, and taken back
                self._world.kernel.after(SAID_MS, self._unless_offered)

    def _unless_offered(self) -> None:
        if not self._offer and self.fault != "handshake_sticks":
            self._end_of_handshake()

    def settle_handshake(self) -> None:
        """The handshake works again: say what it owes, end what hangs."""
        if self._owed and self._offer:
            self._say_taken()
        elif not self._offer and self._world.points.truth[self._i_taken]:
            self._end_of_handshake()

    def _work(self) -> None:
        mean = self._busy_ms * (5 if self.fault == "late" else 1)
        busy = self._random.gauss(mean, BUSY_SPREAD * mean)
        cancel(self._back)
        delay = round(min(max(busy, 0.3 * mean), 2 * mean))
        self._back = self._world.kernel.after(delay, self._free)

    def _free(self) -> None:
        self._back = None
        if self.body is not None:
            self._world.kernel.after(WASH_MS, self.washed)
            self.body = None
        if not self._world.points.truth[self._i_taken]:
            self._busy = False
            self._show_ready()

    def _on_offer(self, on: Any) -> None:
        self._offer = bool(on)
        if not self._offer and self.fault == "handshake_sticks":
            self._owed = False  # nobody waits for the word any more
        if not self._offer and self._world.points.truth[self._i_taken]:
            if self.fault != "handshake_sticks":
                self._world.kernel.after(LAG_MS, self._end_of_handshake)
        elif not self._offer:
            self._show_ready()

    def _end_of_handshake(self) -> None:
        self._world.points.put(self._i_taken, False)
        if self._back is None:
            self._busy = False
        self._show_ready()

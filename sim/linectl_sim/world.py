"""What every part of the plant shares: clock, points, outputs, auditor, air, seeded streams."""

from __future__ import annotations

from collections.abc import Callable
from random import Random

from linectl.image import Value
from linectl.site.model import Site
from linectl_sim.auditor import Auditor
from linectl_sim.bodies import Body
from linectl_sim.kernel import Kernel
from linectl_sim.outputs import Handler, Outputs
from linectl_sim.points import Points

LAG_MS = 50
"""Of feedback contacts behind their contactor."""
HAND_OVER_MS = 2_000
"""After an enabling device was let go: a reaction, a run-down and a spring's way back."""


class World:
    """Built once per plant; parts keep a reference and bind their points through it."""

    def __init__(self, site: Site, seed: int) -> None:
        self.site = site
        self.seed = seed
        self.kernel = Kernel()
        self.points = Points(site)
        self.outputs = Outputs(site, self.points, self.clock)
        self.auditor = Auditor(site, self.kernel)
        self.bodies: list[Body] = []
        self.backwards: set[str] = set()
        """Tags of the outputs whose actuators turn the wrong way."""
        self.air: dict[str, bool] = dict.fromkeys(site.file.zones, False)
        self.hands: dict[str, int | None] = {}
        """Zones whose enabling device was held: since when it is let go, ms; None: held now."""
        self._on_air: list[tuple[str, Callable[[bool], object]]] = []

    def stream(self, part: str) -> Random:
        """The random stream of one part: its draws shift nobody else's."""
        return Random(f"{self.seed}/{part}")

    def clock(self) -> float:
        """Now, ms: the progress of what flows by time."""
        return float(self.kernel.now)

    def by_hand(self, zone: str) -> bool:
        """What moves or is let down in that zone now, a person drives with the enabling device; so
        for what a run-down may take after it was let go."""
        if zone not in self.hands:
            return False
        let_go = self.hands[zone]
        return let_go is None or self.kernel.now - let_go <= HAND_OVER_MS

    def zone_of(self, station: str) -> str:
        """Zone of a station."""
        return self.site.file.stations[station].zone

    def new_body(self) -> Body:
        """A washed, empty gutter that the plant has not seen before."""
        body = Body(len(self.bodies))
        self.bodies.append(body)
        return body

    def input(self, part: str, role: str, value: Value | None = None) -> int:
        """Bind an input; `value` is what is true at the start."""
        index = self.points.bind(part, role)
        if value is not None and index != self.points.spare:
            self.points.put(index, value)
        return index

    def output(self, part: str, role: str, handler: Handler) -> int:
        """Bind an output to the handler of its effect."""
        return self.outputs.bind(part, role, handler)

    def follow(self, part: str, output: str, feedback: str) -> int:
        """A feedback contact that follows the effect of an output after its lag."""
        index = self.points.bind(part, feedback)

        def changed(value: Value) -> None:
            self.kernel.after(LAG_MS, lambda: self.points.put(index, value))

        self.output(part, output, changed)
        return index

    def set_air(self, zone: str, present: bool) -> None:
        """Air pressure of a zone comes or goes."""
        if self.air[zone] != present:
            self.air[zone] = present
            self.points.put(self.points.bind(zone, "air_ok"), present)
            for wanted, changed in self._on_air:
                if wanted == zone:
                    changed(present)

    def on_air(self, zone: str, changed: Callable[[bool], object]) -> None:
        """Have `changed(present)` called when the air of that zone comes or goes."""
        self._on_air.append((zone, changed))

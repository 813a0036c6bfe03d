"""A plant without time: bodies at a few positions each, and what every eye and switch sees there.

It is a model of its own, not the timed plant's and not the controller's. A belt knows a gutter at
its exit eye, and three positions of one that is drawn in; an arm, a stroke, a table and the press
know three positions; a carriage stands at a place or is between places. Bodies carry the ledger's
number from the feed on, so that a ledger that has mixed them up shows.
"""

from __future__ import annotations

from typing import Any

from linectl.image import Value
from linectl.site.model import Site

BELTS = ("magazine", "fill", "tamp", "water", "seed", "turn")
FILL, TAMP, WATER, SEED, TURN = 1, 2, 3, 4, 5
TOOLS = {FILL: "doser", WATER: "valve", SEED: "drum"}
CARRIAGES = ("infeed", "outfeed")
HOME, MIDWAY, FAR = 0, 1, 2
"""Of an arm: home, between, out. Of a stroke: home, between, forward. Of a table: 0°, 45°, 90°.
Of the press: up, between, down."""

_PLAIN = (
    "gate", "press", "clamp", "turned", "offered_turned", "table", "table_gone", "with_hall",
    "taken", "ready", "vacuum", "next_body",
)  # fmt: skip
_LISTS = (
    "at", "drawn", "drawn_at", "runs", "counts", "place", "bound", "arm", "hold", "grips",
    "stroke", "fed", "slots",
)  # fmt: skip
Saved = tuple[Any, ...]


class World:
    """The bodies and the machine. 0 is nobody; other numbers are the ledger's."""

    def __init__(self, site: Site) -> None:
        self.site = site
        stations = site.file.stations
        self.homes = [stations[name].home_mm for name in CARRIAGES]  # type: ignore[union-attr]
        self.lane_mm = [(lane.infeed_mm, lane.outfeed_mm) for lane in site.file.lanes]
        self.runs_of = [f"{lane.prefix}.{lane.runs[0].name}" for lane in site.file.lanes]
        self.zones = tuple(site.file.zones)
        self.at = [0] * 6
        """Body at each belt's exit eye."""
        self.drawn = [0] * 6
        """Body that each belt draws in, and how far: 1 head at the entry eye, 2 out of the eye
        before, 3 past the entry eye."""
        self.drawn_at = [0] * 6
        self.runs = [False] * 7
        """Belts that turn: the sower's six, and the turn-out's."""
        self.counts = [0] * 6
        """What the meters of water and seed have counted of the present gutter: 0 none, 1 all."""
        self.gate = False
        self.press = self.turned = HOME
        self.clamp = False
        self.offered_turned = FAR
        """Angle of the turn-out."""
        self.table = 0
        """Body on the turn-out."""
        self.table_gone = 0
        """How far that has gone on to packing: 1 off the centre, 2 past the exit eye."""
        self.with_hall = self.taken = False
        self.ready = True
        self.vacuum = False
        self.next_body = 0
        """Number of the gutter that the magazine was told to feed."""
        self.place = list(self.homes)
        """Where each carriage stands, in mm; between places while it is not `bound` nowhere."""
        self.bound = [False, False]
        """Carriages that travel."""
        self.arm = [HOME, HOME]
        self.hold = [0, 0]
        """Body that hangs in each gripper."""
        self.grips = [False, False]
        """Grippers closed on a gutter."""
        self.stroke = [HOME] * len(self.runs_of)
        self.fed = [False] * len(self.runs_of)
        """The row has moved in this stroke; the pawls catch anew at home."""
        self.slots: list[int] = []
        self.slots_each = site.file.lanes[0].runs[0].slots
        for _ in self.runs_of:
            self.slots += [0] * self.slots_each
        self.marks: dict[int, str] = {}
        """What has been done to each body: letters of f(ill), t(amp), w(ater), s(eed)."""
        self.reserved: dict[int, int] = {}
        """Body → lane, as the moves told it."""
        self.open_stops: frozenset[str] = frozenset()
        """Emergency stops pressed and guards open, by tag."""
        self.away: frozenset[int] = frozenset()
        """Bodies that a person took away by hand, until the ledger knows."""
        self.warned: frozenset[str] = frozenset()
        """Zones whose horn sounds."""
        self.counting: frozenset[int] = frozenset()

    # keeping -----------------------------------------------------------------------------------

    def save(self) -> Saved:
        """All of it, hashable."""
        return (
            *(getattr(self, name) for name in _PLAIN),
            *(tuple(getattr(self, name)) for name in _LISTS),
            tuple(sorted(self.marks.items())),
            tuple(sorted(self.reserved.items())),
            self.open_stops, self.away, self.warned,
        )  # fmt: skip

    def load(self, saved: Saved) -> None:
        """Back to what `save` gave."""
        for name, value in zip(_PLAIN, saved, strict=False):
            setattr(self, name, value)
        at = len(_PLAIN)
        for name in _LISTS:
            setattr(self, name, list(saved[at]))
            at += 1
        self.marks = dict(saved[at])
        self.reserved = dict(saved[at + 1])
        self.open_stops, self.away, self.warned = saved[at + 2 :]

    def renumber(self, number: dict[int, int]) -> None:
        """Give every body its new number; who is nowhere is forgotten."""

        def new(body: int) -> int:
            return number.get(body, 0) if body else 0

        self.next_body = new(self.next_body)
        self.table = new(self.table)
        for name in ("at", "drawn", "hold", "slots"):
            setattr(self, name, [new(body) for body in getattr(self, name)])
        self.marks = {number[b]: m for b, m in self.marks.items() if b in number}
        self.reserved = {number[b]: lane for b, lane in self.reserved.items() if b in number}
        self.away = frozenset(number[b] for b in self.away if b in number)

    def bodies(self) -> list[int]:
        """Every body, in the order of the places."""
        found = [*self.at, *self.drawn, self.table, *self.hold, *self.slots]
        return [body for body in found if body]

    def lane_at(self, carriage: int) -> int | None:
        """Index of the lane that a carriage stands at; None for none."""
        for lane, ends in enumerate(self.lane_mm):
            if not self.bound[carriage] and self.place[carriage] == ends[carriage]:
                return lane
        return None

    def at_home(self, carriage: int) -> bool:
        """True while a carriage stands in front of its turntable."""
        return not self.bound[carriage] and self.place[carriage] == self.homes[carriage]

    def first(self, lane: int) -> int:
        """Index in `slots` of a lane's first slot."""
        return lane * self.slots_each

    def last(self, lane: int) -> int:
        """Index in `slots` of a lane's last slot."""
        return (lane + 1) * self.slots_each - 1

    # what eyes and switches see ----------------------------------------------------------------

    def sense(self) -> dict[str, Value]:
        """The truth of every point that can change here."""
        seen: dict[str, Value] = {}
        for z, name in enumerate(BELTS):
            seen[f"{name}.running"] = self.runs[z]
            passing = z < TURN and self.drawn_at[z + 1] == 1
            seen[f"{name}.exit_eye"] = bool(self.at[z]) or passing
            seen[f"{name}.entry_eye"] = self.drawn_at[z] in (1, 2)
        seen["magazine.gate_home"] = not self.gate
        seen["tamp.press_up"] = self.press == HOME
        seen["tamp.press_down"] = self.press == FAR
        seen["tamp.clamped"] = self.clamp and bool(self.at[TAMP])
        seen["seed.vacuum"] = 10.0 if self.vacuum else 0.0
        seen["turn.at_0"], seen["turn.at_90"] = self.turned == HOME, self.turned == FAR
        laid = self.hold[1] != 0 and self.at_home(1) and self.arm[1] == FAR
        seen["turn.centred"] = bool(self.at[TURN])
        seen["turnout.running"] = self.runs[6]
        seen["turnout.at_0"] = self.offered_turned == HOME
        seen["turnout.at_90"] = self.offered_turned == FAR
        seen["turnout.centred"] = (bool(self.table) and not self.table_gone) or laid
        seen["turnout.exit_eye"] = bool(self.table)
        seen["packing.ready"], seen["packing.taken"] = self.ready, self.taken
        self._sense_carriages(seen)
        for lane, run in enumerate(self.runs_of):
            reaching = self.lane_at(0) == lane and self.arm[0] == FAR and self.hold[0] != 0
            seen[f"{run}.home"] = self.stroke[lane] == HOME
            seen[f"{run}.forward"] = self.stroke[lane] == FAR
            seen[f"{run}.first_eye"] = bool(self.slots[self.first(lane)]) or reaching
            seen[f"{run}.last_eye"] = bool(self.slots[self.last(lane)])
        for zone in self.zones:
            seen[f"{zone}.horn_on"] = seen[f"{zone}.beacon_on"] = zone in self.warned
        return seen

    def _sense_carriages(self, seen: dict[str, Value]) -> None:
        for c, name in enumerate(CARRIAGES):
            arm = self.arm[c]
            standing = self.lane_at(c) is not None or self.at_home(c)
            seen[f"{name}.position"] = self.place[c]
            seen[f"{name}.running"] = self.bound[c]
            seen[f"{name}.flag"] = standing
            seen[f"{name}.gripper_home"] = arm == HOME
            seen[f"{name}.gripper_out"] = arm == FAR
            seen[f"{name}.gripped"] = self.grips[c]
            seen[f"{name}.on_board"] = bool(self.hold[c]) and arm == HOME

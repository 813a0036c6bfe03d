"""The carriages: one picks at the turntable and inserts at a mouth, one ejects at a tail.

Both go round the same cycle: stand at the source, reach, grip, lift, travel, stand at the
destination, reach, release, withdraw. Travel needs the gripper proven home; a hand-over needs
the far side taken for it. `grip` holds a load: it is demanded while anything hangs in it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from linectl.line.inputs import NEVER
from linectl.line.part import Part, fault_rows
from linectl.line.tables import table
from linectl.site import machine

if TYPE_CHECKING:
    from linectl.line.line import Line
    from linectl.line.units import Unit

_ACTIVE = (
    "stowing|fetching|asked_pick|reaching|gripping|lifting|travelling|asked_put|offering|"
    "restowing|releasing|withdrawing"
)
_HOLDING = frozenset(
    ("gripping", "lifting", "loaded", "travelling", "at_put", "asked_put", "offering", "restowing")
)

_PICKING = frozenset(("asked_pick", "reaching", "gripping", "lifting"))
_PUTTING = frozenset(("offering", "restowing", "releasing", "withdrawing"))
"""States in which the far side is taken for the gutter."""


class Carriage(Part):
    """What both carriages share; the ends of the trip are the subclasses' business."""

    TABLE = table(
        "carriage",
        "idle",
        [
            ("stow", "idle", "stowing"),
            ("stowed", "stowing", "idle"),
            ("fetch", "idle", "fetching"),
            ("there", "fetching", "at_pick"),
            ("leave", "at_pick", "idle"),
            ("ask_pick", "at_pick", "asked_pick"),
            ("durable", "asked_pick", "reaching"),
            ("out", "reaching", "gripping"),
            ("gripped", "gripping", "lifting"),
            ("aboard", "lifting", "loaded"),
            ("carry", "loaded", "travelling"),
            ("there", "travelling", "at_put"),
            ("turn_away", "at_put", "loaded"),
            ("ask_put", "at_put", "asked_put"),
            ("durable", "asked_put", "offering"),
            ("out", "offering", "releasing"),
            ("restowed", "restowing", "loaded"),
            ("let_go", "releasing", "withdrawing"),
            ("clear", "withdrawing", "idle"),
            ("gone", "loaded|at_put|faulted", "idle"),
            *fault_rows(_ACTIVE + "|idle|loaded|at_put"),
        ],
    )
    RESTING = frozenset(("idle", "at_pick", "loaded", "at_put", "faulted"))
    FIELDS = (*Part.FIELDS, "lane", "goal_mm", "untried")

    def __init__(
        self, line: Line, name: str, unit: Unit, facts: machine.Carriage, io: dict[str, int]
    ) -> None:
        super().__init__(line, name, unit)
        self.facts = facts
        self.lane = 0
        """Lane of the present trip; 0 for none."""
        self.goal_mm = -1
        self.untried = True
        """Since power-up nobody knows what hangs in the grip: it stays closed."""
        self.position, self.flag = io[f"{name}.position"], io[f"{name}.flag"]
        self.running, self.aboard = io[f"{name}.running"], io[f"{name}.on_board"]
        self.home, self.out = io[f"{name}.gripper_home"], io[f"{name}.gripper_out"]
        self.gripped = io[f"{name}.gripped"]
        self.target = io[f"{name}.target"]
        run, extend, retract, self.grip = (
            line.bit(io[f"{name}.{role}"]) for role in ("run", "extend", "retract", "grip")
        )
        self._demands = {
            "stowing": retract, "fetching": run, "reaching": extend, "gripping": 0,
            "lifting": retract, "travelling": run, "offering": extend, "withdrawing": retract,
            "restowing": retract,
        }  # fmt: skip
        self.mask = run | extend | retract | self.grip

    # the ends of the trip ----------------------------------------------------------------------

    def choose(self, now: int) -> int | None:
        """Position (mm) where the next gutter is to be picked; None if there is no reason to go."""
        raise NotImplementedError

    def may_pick(self, now: int) -> bool:
        """At the source: take what is needed for the pick; False to wait."""
        raise NotImplementedError

    def begin_pick(self) -> int:
        """Intend the pick; returns its move number and sets `gutter`."""
        raise NotImplementedError

    def lifted(self, now: int) -> None:
        """The gutter is on board and the gripper home."""

    def destination(self, now: int) -> int | None:
        """Position (mm) to carry to; None to wait."""
        raise NotImplementedError

    def may_put(self, now: int) -> bool:
        """At the destination: take what is needed for the put; False to wait."""
        raise NotImplementedError

    def begin_put(self) -> int:
        """Intend the put; returns its move number."""
        raise NotImplementedError

    def laid(self, now: int) -> bool:
        """True when the far side proves the gutter there."""
        raise NotImplementedError

    def put_done(self, now: int) -> None:
        """The gutter lies there and the gripper is home."""

    # the cycle ---------------------------------------------------------------------------------

    def step(self, now: int) -> None:
        """A unit that may move, and an empty board: now it is known that the grip holds nothing.

        Until then a grip that was closed by a cause stays closed, though the cause is over.
        """
        moving = self.unit is not None and self.unit.moving and self.line.may_grip(self.grip)
        if self.untried and moving and self.line.seen.off[self.aboard]:
            self.untried = False
            self.line.changed = True
        super().step(now)

    def demand(self) -> int:
        bits = self._demands.get(self.state, 0)
        moving = self.unit is not None and self.unit.moving
        holding = (
            (self.untried and not (self.gutter and moving))
            or self.state in _HOLDING
            or (self.state == "faulted" and self.back in _HOLDING)
        )
        if self.state == "stowing" and not holding and not self.line.seen.off[self.gripped]:
            return 0  # a grip that is not yet open would drag the gutter along
        return bits | self.grip if holding else bits

    def holds(self) -> int:
        """Output bits that stay demanded while the unit must not move: the load's grip."""
        return self.demand() & self.grip

    def _go_to(self, goal_mm: int, event: str, now: int) -> None:
        self.goal_mm = goal_mm
        self.line.numbers[self.target] = goal_mm
        self.go(event, now + self.facts.travel_timeout_ms)

    def _there(self) -> bool:
        inputs = self.line.seen
        return (
            inputs.off[self.running]
            and inputs.on[self.flag]
            and abs(inputs.value[self.position] - self.goal_mm) <= self.facts.tolerance_mm
        )

    def _idle(self, now: int) -> None:
        inputs = self.line.seen
        if self.unit is None or not self.unit.moving:
            return
        if inputs.on[self.aboard]:
            if self.act_at == NEVER:
                self.act_at = now + 2_000
            elif now >= self.act_at:
                self.fail(
                    "stray",
                    f"{self.name}: a gutter is on board that the ledger does not have",
                )
            return
        self.act_at = NEVER
        if not self._home():
            self.go("stow", now + self.facts.gripper_timeout_ms)
            return
        goal = self.choose(now)
        if goal is not None:
            self._go_to(goal, "fetch", now)

    def _stowing(self, now: int) -> None:
        if self._home():
            self.go("stowed")
        elif now >= self.due:
            self._lost("gripper", "gripper home")

    def _fetching(self, now: int) -> None:
        if self._there():
            self.go("there")
        elif now >= self.due:
            self._lost("travel", f"standstill at {self.goal_mm} mm with its flag")

    def _at_pick(self, now: int) -> None:
        if self.unit is not None and self.unit.may_start and self.may_pick(now):
            self.number = self.begin_pick()
            self.go("ask_pick", now + self.line.ledger_ack_ms)

    def _asked_pick(self, now: int) -> None:
        self._asked(now)

    def _reaching(self, now: int) -> None:
        if self._shifted(now):
            return
        if self._out():
            self.go("out", now + self.timeout("gripping"))
        elif now >= self.due:
            self._lost("gripper", "gripper out")

    def _gripping(self, now: int) -> None:
        if self.line.seen.on[self.gripped]:
            self.go("gripped", now + self.facts.gripper_timeout_ms)
        elif now >= self.due:
            self._lost("grip", "grip on a gutter")

    def _lifting(self, now: int) -> None:
        inputs = self.line.seen
        if inputs.off[self.gripped]:
            self.fail(
                "dropped",
                f"{self.name}: the grip opened while lifting",
            )
        elif self._home() and inputs.on[self.aboard] and self.source_clear():
            self.line.complete(self.number)
            self.lifted(now)
            self.go("aboard")
        elif now >= self.due:
            self._lost("gripper", "gripper home with the gutter on board")

    def source_clear(self) -> bool:
        """The source's own eye no longer sees the gutter."""
        return True

    def _loaded(self, now: int) -> None:
        self._watch_load(now)
        if self.state != "loaded" or self.unit is None or not self.unit.may_start:
            return
        goal = self.destination(now)
        if goal is not None:
            self._go_to(goal, "carry", now)

    def _watch_load(self, now: int) -> None:
        inputs = self.line.seen
        if inputs.off[self.aboard] and inputs.on[self.home]:
            if self.act_at == NEVER:
                self.act_at = now + 2_000
            elif now >= self.act_at:
                self.fail(
                    "lost",
                    f"{self.name}: gutter {self.gutter} is no longer on board",
                )
        else:
            self.act_at = NEVER

    def _travelling(self, now: int) -> None:
        if self._there():
            self.go("there")
        elif now >= self.due:
            self._lost("travel", f"standstill at {self.goal_mm} mm with its flag")

    def _at_put(self, now: int) -> None:
        self._watch_load(now)
        if self.state == "at_put" and self.unit is not None and self.unit.may_start:
            if self.destination(now) != self.goal_mm:
                self.go("turn_away")
            elif self.may_put(now):
                self.number = self.begin_put()
                self.go("ask_put", now + self.line.ledger_ack_ms)

    def _asked_put(self, now: int) -> None:
        self._asked(now)

    def _out(self) -> bool:
        """The arm is out, and its home switch has let go: one that sticks proves nothing."""
        return self.line.seen.on[self.out] and self.line.seen.off[self.home]

    def _home(self) -> bool:
        """The arm is home, and its other switch has let go."""
        return self.line.seen.on[self.home] and self.line.seen.off[self.out]

    def _shifted(self, now: int) -> bool:
        """The carriage left its place while the arm reaches: fail before it lets go or grips."""
        inputs = self.line.seen
        if inputs.off[self.flag] or inputs.on[self.running]:
            self.fail(
                "shifted",
                f"{self.name}: left its place at {self.goal_mm} mm while the arm reached out",
            )
            return True
        return False

    def _offering(self, now: int) -> None:
        if self._shifted(now):
            return
        if self._out():
            self.go("out", now + self.timeout("releasing"))
        elif now >= self.due:
            self._lost("gripper", "gripper out")

    def _releasing(self, now: int) -> None:
        if self.line.seen.off[self.gripped]:
            self.go("let_go", now + self.facts.gripper_timeout_ms)
        elif now >= self.due:
            self._lost("grip", "grip open")

    def _withdrawing(self, now: int) -> None:
        if self._home() and self.line.seen.off[self.aboard] and self.laid(now):
            self.line.complete(self.number)
            self.put_done(now)
            self.gutter = 0
            self.lane = 0
            self.go("clear")
        elif now >= self.due:
            self._lost("gripper", "gripper home and the gutter seen where it was laid")

    def resume(self, now: int) -> None:
        """What had not gripped yet, or no longer stands true, begins anew from a stowed arm."""
        picking = self.back in ("reaching", "gripping")
        if self.state == "faulted" and picking:
            self.line.abandon(self.number)
            self.give_up_pick()
            self.gutter = 0
            self.back = "stowing"
        elif self.state == "faulted" and self.back == "offering":
            self.back = "restowing"
        super().resume(now)

    def give_up_pick(self) -> None:
        """The pick is not done: what was taken for it is given back."""

    def give_up_put(self) -> None:
        """The put is not done: what was taken for it is given back."""

    def _restowing(self, now: int) -> None:
        if self._home():
            self.line.abandon(self.number)
            self.give_up_put()
            self.go("restowed")
        elif now >= self.due:
            self._lost("gripper", "gripper home")

    def still_there(self) -> str | None:
        if self.back in _PICKING and not self.source_clear():
            return f"{self.name} has not taken it up: the place that it reaches into still sees it"
        return None

    def removed(self) -> int:
        """A person has taken the gutter off, or up from where it fell; returns its id."""
        if self.back in _PICKING:
            self.lifted(self.line.now)
        elif self.back in _PUTTING:
            self.give_up_put()
        gutter, self.gutter = self.gutter, 0
        self.lane = 0
        self.back = ""
        self.fault = ""
        self.go("gone")
        return gutter

    def timeout(self, state: str) -> int:
        if state.startswith("asked"):
            return self.line.ledger_ack_ms
        if state in ("fetching", "travelling"):
            return self.facts.travel_timeout_ms
        if state in ("gripping", "releasing"):
            return self.facts.grip_ms + 2_000
        return self.facts.gripper_timeout_ms

    def _lost(self, fault: str, proof: str) -> None:
        self.fail(fault, self.missing(proof))

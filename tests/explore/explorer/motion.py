"""What the machine of the plant without time can do next under the outputs it is given, and what
rules of the line a motion breaks. One step is one thing that moves from one position to the next.
"""

from __future__ import annotations

from collections.abc import Callable

from explorer.world import (
    BELTS,
    CARRIAGES,
    FAR,
    FILL,
    HOME,
    MIDWAY,
    SEED,
    TAMP,
    TOOLS,
    TURN,
    WATER,
    World,
)

Step = tuple[str, str, int]
"""(actor, what, argument)."""
Broken = list[tuple[str, str]]
LETTERS = {FILL: "f", TAMP: "t", WATER: "w", SEED: "s"}
On = Callable[[str], bool]


class Motion:
    """The steps of a world. `on(tag)` is an output as its device has it."""

    def __init__(self, world: World, on: On, target: Callable[[int], int]) -> None:
        self.world = world
        self.on = on
        self.target = target
        self.broken: Broken = []
        self.dead: frozenset[str] = frozenset()
        """Actuators that do not act, by output tag."""

    def violate(self, rule: str, detail: str) -> None:
        """A rule of the line is broken by a body or a device."""
        self.broken.append((rule, detail))

    def _acts(self, tag: str) -> bool:
        return tag not in self.dead and self.on(tag)

    # what can happen ---------------------------------------------------------------------------

    def steps(self) -> list[Step]:
        """Every step that is possible now: echoes of drives, then upstream before downstream."""
        w = self.world
        found: list[Step] = []
        for z, name in enumerate((*BELTS, "turnout")):
            if w.runs[z] != self._acts(f"{name}.run"):
                found.append((name, "drive", z))
        for zone in w.zones:
            sounds = self.on(f"{zone}.horn") and self.on(f"{zone}.beacon")
            if sounds != (zone in w.warned):
                found.append((zone, "horn", w.zones.index(zone)))
        if w.vacuum != self._acts("seed.pump"):
            found.append(("seed", "vacuum", 0))
        self._belts(found)
        self._tables(found)
        for lane, run in enumerate(w.runs_of):
            if self._acts(f"{run}.stroke") and w.stroke[lane] != FAR:
                found.append((f"lane{lane + 1}", "stroke", lane))
            elif self._acts(f"{run}.back") and w.stroke[lane] != HOME:
                found.append((f"lane{lane + 1}", "back", lane))
        self._carriages(found)
        self._turnout(found)
        return found

    def _turnout(self, found: list[Step]) -> None:
        w = self.world
        if w.table and w.runs[6] and w.offered_turned == HOME:
            found.append(("turnout", "hand", 0))
        if w.with_hall and not w.taken:
            found.append(("turnout", "take", 0))
        if w.taken and not w.with_hall and not self.on("packing.offer"):
            found.append(("turnout", "untake", 0))

    def _carriages(self, found: list[Step]) -> None:
        w = self.world
        for c, name in reversed(list(enumerate(CARRIAGES))):
            if w.bound[c] or (self._acts(f"{name}.run") and w.place[c] != self.target(c)):
                found.append((name, "travel", c))
            if f"{name}.arm" in self.dead:
                continue
            if self._acts(f"{name}.extend") and w.arm[c] != FAR:
                found.append((name, "extend", c))
            elif self._acts(f"{name}.retract") and w.arm[c] != HOME:
                found.append((name, "retract", c))
            closed = self.on(f"{name}.grip")
            could = w.arm[c] == FAR and self._source(c) != 0
            if f"{name}.grip" not in self.dead:
                if closed and not w.grips[c] and (could or w.hold[c]):
                    found.append((name, "grip", c))
                elif not closed and w.grips[c]:
                    found.append((name, "let_go", c))

    def _tables(self, found: list[Step]) -> None:
        w = self.world
        for name, angle in (("turnout", w.offered_turned), ("turn", w.turned)):
            if self._acts(f"{name}.to_90") and angle != FAR:
                found.append((name, "to_90", 0))
            elif self._acts(f"{name}.to_0") and angle != HOME:
                found.append((name, "to_0", 0))

    def _belts(self, found: list[Step]) -> None:
        w = self.world
        for z in range(1, TURN + 1):
            own, before = w.runs[z], w.runs[z - 1]
            way = w.drawn_at[z]
            if way in (0, 1) and own and before and (way or w.at[z - 1]):
                found.append((BELTS[z], "head" if not way else "tail_leaves", z))
            elif way >= 2 and own:
                found.append((BELTS[z], "tail_in" if way == 2 else "arrive", z))
        if self._acts("tamp.press") and w.press != FAR:
            found.append(("tamp", "press", 0))
        elif not self._acts("tamp.press") and w.press != HOME and "tamp.press" not in self.dead:
            found.append(("tamp", "rise", 0))
        if w.clamp != self.on("tamp.clamp") and "tamp.clamp" not in self.dead:
            found.append(("tamp", "clamp", 0))
        if w.gate != self.on("magazine.gate") and "magazine.gate" not in self.dead:
            found.append(("magazine", "gate", 0))

    # doing it ----------------------------------------------------------------------------------

    def do(self, step: Step) -> None:
        """The step happens."""
        if step[1] in ("to_0", "to_90"):
            self._angle(step[0] == "turnout", FAR if step[1] == "to_90" else HOME)
        else:
            getattr(self, f"_do_{step[1]}")(step[2])

    def _do_drive(self, z: int) -> None:
        self.world.runs[z] = not self.world.runs[z]

    def _do_horn(self, zone: int) -> None:
        self.world.warned ^= {self.world.zones[zone]}

    def _do_vacuum(self, _: int) -> None:
        self.world.vacuum = not self.world.vacuum

    def _do_gate(self, _: int) -> None:
        w = self.world
        w.gate = not w.gate
        if w.gate:
            if w.at[0]:
                self.violate("two_in_one_place", "a second gutter drops on the magazine's belt")
            w.at[0], w.next_body = w.next_body, 0

    def _do_head(self, z: int) -> None:
        w = self.world
        if w.at[z]:
            self.violate("two_in_one_place", f"a gutter is drawn into {BELTS[z]} onto another")
        if z == TURN and w.turned != HOME:
            self.violate("conveyed_onto_turned_table", "the belt brings a gutter to a turned table")
        if z - 1 == TAMP and w.press != HOME:
            self.violate("press_on_moving", "a gutter leaves under the press")
        w.drawn[z], w.drawn_at[z], w.at[z - 1] = w.at[z - 1], 1, 0

    def _do_tail_leaves(self, z: int) -> None:
        self.world.drawn_at[z] = 2

    def _do_tail_in(self, z: int) -> None:
        w = self.world
        w.drawn_at[z] = 3
        if z in TOOLS and self._acts(f"{BELTS[z]}.{TOOLS[z]}"):
            self._mark(w.drawn[z], LETTERS[z])
            w.counts[z] = 1

    def _mark(self, body: int, letter: str) -> None:
        done = self.world.marks.get(body, "")
        if letter in done and letter != "t":
            self.violate("processed_twice", f"{letter} a second time")
        self.world.marks[body] = done if letter in done else done + letter

    def _do_arrive(self, z: int) -> None:
        w = self.world
        if w.at[z]:
            self.violate("two_in_one_place", f"two gutters at the exit of {BELTS[z]}")
        w.at[z], w.drawn[z], w.drawn_at[z] = w.drawn[z], 0, 0

    def _do_press(self, _: int) -> None:
        w = self.world
        if not w.at[TAMP]:
            self.violate("press_on_nothing", "the press comes down on nothing")
        if w.runs[TAMP]:
            self.violate("press_on_moving", "the press comes down while the belt runs")
        w.press += 1
        if w.press == FAR and w.at[TAMP]:
            self._mark(w.at[TAMP], "t")

    def _do_rise(self, _: int) -> None:
        self.world.press -= 1

    def _do_clamp(self, _: int) -> None:
        self.world.clamp = not self.world.clamp

    def _turn(self, name: str, carriage: int, angle: int, to: int) -> int:
        w = self.world
        if w.at_home(carriage) and w.arm[carriage] != HOME:
            self.violate("table_moves_with_gripper_out", f"{name} turns under the gripper")
        if w.runs[TURN if name == "turn" else 6]:
            self.violate("table_moves_across_joint", f"{name} turns while its belt runs")
        if name == "turn" and w.drawn[TURN]:
            self.violate("table_moves_across_joint", "turn turns with a gutter across the joint")
        return angle + (1 if to > angle else -1)

    def _angle(self, turnout: bool, to: int) -> None:
        w = self.world
        if turnout:
            w.offered_turned = self._turn("turnout", 1, w.offered_turned, to)
        else:
            w.turned = self._turn("turn", 0, w.turned, to)

    def _do_hand(self, _: int) -> None:
        w = self.world
        if w.with_hall or w.taken:
            self.violate("handover_onto_occupied", "packing has not yet parted from the last one")
        w.table_gone += 1
        if w.table_gone == 2:
            w.table = w.table_gone = 0
            w.with_hall = True

    def _do_take(self, _: int) -> None:
        self.world.taken, self.world.with_hall = True, False

    def _do_untake(self, _: int) -> None:
        self.world.taken = False

    # carriages and lanes -----------------------------------------------------------------------

    def _source(self, c: int) -> int:
        """The body that a gripper reaches over, if none hangs in it."""
        w = self.world
        if w.hold[c]:
            return 0
        lane = w.lane_at(c)
        if c == 0 and w.at_home(0):
            return w.at[TURN] if w.turned == FAR else 0
        if c == 1 and w.at_home(1):
            return w.table if w.offered_turned == FAR and not w.table_gone else 0
        if lane is None:
            return 0
        return w.slots[w.first(lane) if c == 0 else w.last(lane)]

    def _put(self, c: int, body: int) -> bool:
        """Lay `body` (0: take what is there) where the gripper reaches; False if nothing is."""
        w = self.world
        lane = w.lane_at(c)
        if w.at_home(c):
            if c == 0:
                taken, w.at[TURN] = w.at[TURN], body
            else:
                taken, w.table = w.table, body
        elif lane is not None:
            at = w.first(lane) if c == 0 else w.last(lane)
            taken, w.slots[at] = w.slots[at], body
        else:
            return False
        if body and taken:
            rule = "insert_into_occupied_mouth" if lane is not None else "handover_onto_occupied"
            self.violate(rule, f"{CARRIAGES[c]} lays a gutter on another")
        return True

    def _do_travel(self, c: int) -> None:
        w = self.world
        if w.arm[c] != HOME and (not w.bound[c] or self._acts(f"{CARRIAGES[c]}.run")):
            self.violate(
                "carriage_moves_with_gripper_out", f"{CARRIAGES[c]} travels with its gripper out"
            )
        to = self.target(c)
        if not w.bound[c]:
            ends = [lane[c] for lane in w.lane_mm]
            beyond = min(ends) if min(w.place[c], to) < w.homes[c] else max(ends)
            w.place[c] = (w.homes[c] + beyond) // 2
            w.bound[c] = True
        elif self._acts(f"{CARRIAGES[c]}.run"):
            w.place[c], w.bound[c] = to, False
        else:
            w.bound[c] = False  # stands between two places

    def _reaches(self, c: int) -> None:
        """Rules of every motion of an arm."""
        w, lane = self.world, self.world.lane_at(c)
        if w.bound[c]:
            self.violate(
                "carriage_moves_with_gripper_out", f"{CARRIAGES[c]} reaches out while it travels"
            )
        if lane is not None and w.stroke[lane] == MIDWAY:
            self.violate("stroke_with_gripper_out", f"{CARRIAGES[c]} reaches into a moving row")

    def _do_extend(self, c: int) -> None:
        w = self.world
        self._reaches(c)
        w.arm[c] += 1
        lane = w.lane_at(c)
        if w.arm[c] != FAR or not w.hold[c]:
            return
        if lane is not None and w.slots[w.first(lane) if c == 0 else w.last(lane)]:
            self.violate("insert_into_occupied_mouth", f"{CARRIAGES[c]} reaches onto a gutter")
        if c == 1 and w.at_home(1) and (w.table or w.offered_turned != FAR):
            self.violate("handover_onto_occupied", "the turn-out is occupied or turned away")

    def _do_retract(self, c: int) -> None:
        w = self.world
        self._reaches(c)
        if w.arm[c] == FAR and w.grips[c] and not w.hold[c]:
            w.hold[c] = self._source(c)
            self._put(c, 0)
        w.arm[c] -= 1

    def _do_grip(self, c: int) -> None:
        self.world.grips[c] = True

    def _do_let_go(self, c: int) -> None:
        w = self.world
        w.grips[c] = False
        if w.hold[c]:
            if w.arm[c] != FAR or not self._put(c, w.hold[c]):
                self.violate("body_lost", f"{CARRIAGES[c]} drops its gutter")
            w.hold[c] = 0

    def _do_stroke(self, lane: int) -> None:
        w = self.world
        for c in (0, 1):
            if w.lane_at(c) == lane and w.arm[c] != HOME:
                self.violate(
                    "stroke_with_gripper_out", f"lane {lane + 1} strokes under {CARRIAGES[c]}"
                )
        w.stroke[lane] += 1
        if w.stroke[lane] == FAR and not w.fed[lane]:
            first, last = w.first(lane), w.last(lane)
            if w.slots[last]:
                self.violate("stroke_into_occupied_end", f"lane {lane + 1} pushes a gutter out")
            w.slots[first : last + 1] = [0, *w.slots[first:last]]
            w.fed[lane] = True

    def _do_back(self, lane: int) -> None:
        w = self.world
        w.stroke[lane] -= 1
        if w.stroke[lane] == HOME:
            w.fed[lane] = False

"""What must hold in every state: the auditor's rules, locks and reservations, waits and reasons.

Rules of bodies and devices are in the motions themselves; the rules here look at the outputs as
they are written, at what was told, and, for what a person reads, at the line's own words.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from fnmatch import fnmatchcase

from explorer.engine import Engine
from explorer.world import BELTS, CARRIAGES, HOME, TOOLS, TURN, WATER
from linectl.line.inputs import NEVER
from linectl.site.model import Site

_STANDING = frozenset(("Stopped", "Idle", "Held", "Aborted", "Complete", "Suspended"))
_BY_A_PERSON = {"Resetting": "reset", "Starting": "start", "Unholding": "unhold",
                "Clearing": "clear"}  # fmt: skip
_TAKEN = {
    "taken_by_sowing": ("infeed", ("asked_put", "offering", "releasing", "withdrawing",
                                   "restowing", "faulted")),
    "taken_by_harvest": ("outfeed", ("asked_pick", "reaching", "gripping", "lifting", "faulted")),
}  # fmt: skip


def forbidden(site: Site) -> dict[str, frozenset[str]]:
    """Stop or guard, by tag → outputs it takes away, read from the site's matrix alone."""
    rows: dict[str, frozenset[str]] = {}
    file = site.interlocks
    for name, cause in file.causes.items():
        tag = cause.when[0].point
        if not tag.endswith((".closed", "estop_ok")):
            continue
        lost: set[str] = set()
        for effect in (file.effects[effect] for effect in file.matrix[name]):
            for point in site.points:
                if not point.cut_by or (point.holds_load and point.on_loss != "brakes"):
                    continue
                patterns = any(fnmatchcase(point.tag, pattern) for pattern in effect.outputs)
                if patterns or (effect.zone is not None and effect.zone == point.zone):
                    lost.add(point.tag)
        rows[tag] = frozenset(lost)
    return rows


class Watch:
    """The rules, hung into an engine."""

    def __init__(self, engine: Engine) -> None:
        self.engine = engine
        self._forbidden = forbidden(engine.site)
        self._moving = {
            zone: [p.index for p in engine.site.points if p.zone == zone and p.cut_by
                   and not p.holds_load]
            for zone in engine.site.file.zones
        }  # fmt: skip
        self._tools = [(z, engine.io[f"{BELTS[z]}.{tool}"]) for z, tool in TOOLS.items()]
        engine.watch = self.scanned  # type: ignore[method-assign]

    def _say(self, rule: str, detail: str) -> None:
        self.engine.motion.violate(rule, detail)

    # after every scan --------------------------------------------------------------------------

    def scanned(self) -> None:
        """Outputs against what forbids them; people against what starts."""
        engine, line = self.engine, self.engine.line
        outputs, points = line.outputs, engine.site.points
        for tag in engine.world.open_stops:
            if engine._device[tag] not in engine.silent:
                for lost in self._forbidden[tag]:
                    if outputs[engine.io[lost]]:
                        self._say("output_on_after_cause", f"{lost} is on while {tag} is off")
        quiet = engine.quiet
        for zone, indices in self._moving.items():
            if zone in quiet or (zone == "lanes" and len(quiet) == 2):
                for index in indices:
                    if outputs[index]:
                        self._say("motion_without_warning", f"{points[index].tag} goes on unwarned")
        for unit in line.units:
            sounds = unit.name in engine.world.warned
            if unit.state in _STANDING:
                engine.quiet |= {unit.name}
            elif sounds and unit.name in engine.quiet:
                engine.quiet -= {unit.name}
            if unit.state == "Unsuspending" and unit.name in engine.touched:
                self._say("restart_without_person", f"{unit.name} carries on by itself")
        self._commanded()

    def _commanded(self) -> None:
        events = self.engine.events
        said = [e for e in events if e.kind == "command" and e.data["accepted"]]
        for event in (e for e in events if e.kind == "unit"):
            name = _BY_A_PERSON.get(str(event.data["state"]))
            heard = [e for e in said if e.source == event.source and f" {name}" in e.text]
            if name is not None and not heard:
                self._say("restart_without_person", f"{event.text} though nobody said {name}")

    # after every step --------------------------------------------------------------------------

    def stepped(self) -> None:
        """Bodies and ledger, locks and reservations, tools and dues."""
        self._released()
        self._ledger()
        self._reservations()
        self._dues()

    def _released(self) -> None:
        world, outputs = self.engine.world, self.engine.line.outputs
        lying = {tag for tag, _ in self.engine.stuck} | self.engine.motion.dead
        for z, index in self._tools:
            if not outputs[index] or not world.runs[z]:
                continue
            body = world.drawn[z] if world.drawn_at[z] in (1, 2) else 0
            near = BELTS[z - 1 : z + 1]
            if not body and not world.away and not any(t.split(".")[0] in near for t in lying):
                self._say("released_without_gutter", f"{BELTS[z]} releases onto nothing")
            if body and z == WATER and body not in world.reserved:
                self._say("wetted_without_hole", "a gutter is watered without a reservation")

    def _ledger(self) -> None:
        engine, world = self.engine, self.engine.world
        claims: list[tuple[str, int, int]] = []
        for lane in engine.line.lanes.lanes:
            if lane.state == "available":
                first = world.first(lane.id - 1)
                for n, gutter in enumerate(lane.slots[0]):
                    claims.append((f"{lane.name} slot {n}", gutter, world.slots[first + n]))
        for z, name in enumerate(BELTS):
            part = engine.parts[name]
            if part.state == "done" and not (z < TURN and world.drawn_at[z + 1] == 1):
                claims.append((name, part.gutter, world.at[z]))
        for c, name in enumerate(CARRIAGES):
            if engine.parts[name].state in ("loaded", "travelling", "at_put"):
                claims.append((name, engine.parts[name].gutter, world.hold[c]))
        if engine.parts["turnout"].state in ("loaded", "turning", "offered"):
            claims.append(("turnout", engine.parts["turnout"].gutter, world.table))
        for place, said, body in claims:
            if said != body and not (body == 0 and said in world.away):
                self._say("ledger_differs", f"{place}: the ledger has {said}, there lies {body}")

    def _reservations(self) -> None:
        line = self.engine.line
        for lane in line.lanes.lanes:
            record = line.gutters.get(lane.reserved)
            if lane.reserved and (record is None or record.lane != lane.id):
                self._say("reservation_leaked", f"{lane.name} is kept for a gutter that is not")
            user = _TAKEN.get(lane.state)
            if user is not None:
                part = self.engine.parts[user[0]]
                if part.state not in user[1] or part.lane != lane.id:
                    self._say("lock_not_released", f"{lane.name} is {lane.state} by nobody")

    def _dues(self) -> None:
        line = self.engine.line
        moving = any(unit.moving for unit in line.units)
        for part in line.parts:
            may = part.unit.moving if part.unit is not None else moving
            waits = may and not part.resting() and part.state not in ("giving", "available")
            if waits and part.due == NEVER and part.act_at == NEVER:
                self._say("wait_without_end", f"{part.name} is {part.state} without a time-out")

    # where everything stands -------------------------------------------------------------------

    def at_rest(self) -> None:
        """Nothing moves by itself: every reason that is given must be true."""
        line = self.engine.line
        said = [(part.name, wait[1]) for unit in line.units if unit.state == "Execute"
                for part in unit.parts if (wait := part.wait())]  # fmt: skip
        said += [(unit.name, unit.reason) for unit in line.units if unit.state == "Suspended"]
        for about, text in said:
            known = next((true for pattern, true in _REASONS if re.search(pattern, text)), None)
            if known is None:
                self._say("reason_unknown", f"{about}: {text}")
            elif not known(self.engine):
                self._say("reason_never_clears", f"{about}: {text}, which is not so")


def _no_hole(engine: Engine) -> bool:
    world, line = engine.world, engine.line
    for lane in line.lanes.lanes:
        i = lane.id - 1
        free = not world.slots[world.first(i)] and i + 1 not in world.reserved.values()
        serves = lane.state not in ("faulted", "out_of_service") and world.stroke[i] == HOME
        if free and serves and line.crop_in_drum in lane.facts.crops and not engine.stuck:
            return False
    return True


def _not_ready(engine: Engine) -> bool:
    return not engine.told["packing.ready"] or bool(engine.told["packing.taken"])


def _tails(engine: Engine) -> list[bool]:
    """Of every lane in service with a tail: whether that is ripe."""
    line = engine.line
    tails = [line.gutters.get(lane.tail_gutter) for lane in line.lanes.lanes if lane.in_service()]
    return [gutter.ripe_at <= line.now for gutter in tails if gutter is not None]


_REASONS: tuple[tuple[str, Callable[[Engine], bool]], ...] = (
    (r"^no freed slot", _no_hole),
    (r"not ready", _not_ready),
    (r"wait for sowing", lambda engine: any(_tails(engine))),
    (r"^no ripe gutter", lambda engine: True),
    (r"lost its lane", lambda engine: True),
    (r"vacuum low", lambda engine: not engine.world.vacuum),
)

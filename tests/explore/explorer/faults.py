"""Faults of the plant without time, and how each is mended. At most two on a path.

A stuck eye or switch, and an actuator that does not act, begin where they first make a difference:
at the very step that the line would have seen or had. Before that they cannot be told from health,
so that nothing is left out by it.
"""

from __future__ import annotations

from explorer.engine import Engine
from explorer.motion import Step
from explorer.world import BELTS, CARRIAGES, HOME, MIDWAY, World

ACTUATORS = {
    "drive": "{0}.run", "travel": "{0}.run", "extend": "{0}.extend", "retract": "{0}.retract",
    "grip": "{0}.grip", "let_go": "{0}.grip", "stroke": "{0}.grow.stroke", "back": "{0}.grow.back",
    "to_0": "{0}.to_0", "to_90": "{0}.to_90", "press": "tamp.press", "rise": "tamp.press",
    "clamp": "tamp.clamp", "gate": "magazine.gate", "vacuum": "seed.pump",
}  # fmt: skip
"""Step of the machine → the output whose actuator does it."""
Fault = tuple[str, str]
"""(kind, target): dead, stuck, slips, taken, silent, not_ready, guard, estop, stop, hold, abort."""


def at_step(engine: Engine, step: Step) -> list[Fault]:
    """Faults that make a difference at this very step: what would move does not, or is not seen.

    The engine is left as it was.
    """
    found: list[Fault] = []
    pattern = ACTUATORS.get(step[1])
    if pattern is not None:
        tag = pattern.format(step[0])
        if tag not in engine.motion.dead:
            found.append(("dead", tag))
    if step[1] == "travel" and f"{step[0]}.arm" not in engine.motion.dead:
        found.append(("slips", f"{step[0]}.arm"))
    if step[0] in ("ledger", "field") or step[1] == "count":
        return found
    changed = engine.would_alter(step)
    return found + [("stuck", tag) for tag in changed if not tag.endswith((".position", ".vacuum"))]


def at_any_time(engine: Engine) -> list[Fault]:
    """Stops, guards, silence, and packing that is not ready: they ask for nobody's leave."""
    world = engine.world
    found: list[Fault] = [
        (name, unit.name)
        for name in ("stop", "hold", "abort")
        for unit in engine.line.units
        if unit.can(name)
    ]
    guards = {name for zone in engine.site.file.zones.values() for name in zone.guards}
    found += [("guard", f"guard_{name}.closed") for name in sorted(guards)]
    found += [("estop", f"{zone}.estop_ok") for zone in world.zones]
    found = [fault for fault in found if fault[1] not in world.open_stops]
    found += [("silent", d) for d in engine.site.file.devices if d not in engine.silent]
    if world.ready:
        found.append(("not_ready", "packing"))
    return found


def by_hand(engine: Engine, near: str) -> list[Fault]:
    """Gutters that a person may take away at a part: where it stands, or while it is drawn in."""
    return [("taken", place) for place in places(engine.world) if place.split(".")[0] == near]


def places(world: World) -> dict[str, int]:
    """Every place with a body: a belt's exit or entry, a carriage, the turn-out, a slot."""
    found = {name: world.at[z] for z, name in enumerate(BELTS)}
    found |= {f"{name}.drawn": world.drawn[z] for z, name in enumerate(BELTS)}
    found |= {name: world.hold[c] for c, name in enumerate(CARRIAGES)}
    found["turnout"] = world.table
    each = world.slots_each
    for n, body in enumerate(world.slots):
        found[f"{world.runs_of[n // each]}.{n % each}"] = body
    return {place: body for place, body in found.items() if body}


def take(engine: Engine, place: str) -> None:
    """A person takes the gutter of a place away; nobody is told but the eyes."""
    world = engine.world
    body = places(world)[place]
    name = place.split(".")[0]
    if name in CARRIAGES:
        c = CARRIAGES.index(name)
        world.hold[c], world.grips[c] = 0, False
    elif name == "turnout":
        world.table = world.table_gone = 0
    elif place.endswith(".drawn"):
        z = BELTS.index(name)
        world.drawn[z] = world.drawn_at[z] = 0
    elif name in BELTS:
        world.at[BELTS.index(name)] = 0
    else:
        run, _, number = place.rpartition(".")
        world.slots[world.first(world.runs_of.index(run)) + int(number)] = 0
    world.away |= {body}
    engine.tell(engine.differing())


def begin(engine: Engine, fault: Fault, step: Step | None = None) -> None:
    """The fault begins; `step` is the motion at which a stuck point first lies."""
    kind, target = fault
    world = engine.world
    if kind == "slips":  # a gripper's arm leaves its home while the carriage travels
        engine.motion.dead |= {target}
        world.arm[CARRIAGES.index(target.removesuffix(".arm"))] = MIDWAY
        engine.tell(engine.differing())
    elif kind == "dead":
        engine.motion.dead |= {target}
        engine.scan()
    elif kind == "stuck":
        engine.stuck = tuple(sorted((*engine.stuck, (target, engine.told[target]))))
        if step is not None:
            engine.do(step)
    elif kind == "taken":
        take(engine, target)
    elif kind == "silent":
        engine.touch()
        engine.quality(target, False)
    elif kind == "not_ready":
        world.ready = False
        engine.tell(engine.differing())
    elif kind in ("guard", "estop"):
        engine.touch()
        world.open_stops |= {target}
        engine.switch(target, False)
    else:
        engine.command(target, kind)


def active(engine: Engine) -> list[Fault]:
    """What is not as it should be now, and can be mended."""
    world = engine.world
    found: list[Fault] = [("dead", tag) for tag in sorted(engine.motion.dead)]
    found += [("stuck", tag) for tag, _ in engine.stuck]
    found += [("silent", device) for device in sorted(engine.silent)]
    found += [("open", tag) for tag in sorted(world.open_stops)]
    return found if world.ready else [*found, ("not_ready", "packing")]


def mend(engine: Engine, fault: Fault) -> None:
    """The fault is gone, and the line told."""
    kind, target = fault
    world = engine.world
    if kind == "dead":
        engine.motion.dead -= {target}
        if target.endswith(".arm"):
            world.arm[CARRIAGES.index(target.removesuffix(".arm"))] = HOME
        engine.tell(engine.differing())
    elif kind == "stuck":
        engine.stuck = tuple(pair for pair in engine.stuck if pair[0] != target)
        engine.tell(engine.differing())
    elif kind == "silent":
        engine.quality(target, True)
    elif kind == "open":
        world.open_stops -= {target}
        engine.switch(target, True)
    else:
        world.ready = True
        engine.tell(engine.differing())

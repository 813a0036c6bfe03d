"""Timers without lengths: which run, which of them may end now, and what their end is.

*Planned* ends belong to the course of things: a dwell, the start warning, the wait before a unit
suspends. They may come at any moment. *Guards* are time-outs, longer than what they wait for: one
may end only when its own part of the machine has nothing left to do, which takes a fault.
"""

from __future__ import annotations

from explorer.canon import NOW, PAST, running
from explorer.engine import Engine
from explorer.motion import Step
from explorer.world import BELTS
from linectl.line.units import WARNED

PLANNED = {"act_at": ("leading", "dwelling", "handing")}
NEAR = {
    # part → the actors whose motion it may be waiting for
    "fill": ("fill", "magazine"), "tamp": ("tamp", "fill"), "water": ("water", "tamp"),
    "seed": ("seed", "water"), "turn": ("turn", "seed"),
    "infeed": ("infeed", "turn", "lane1", "lane2"),
    "outfeed": ("outfeed", "turnout", "lane1", "lane2"), "turnout": ("turnout", "outfeed"),
}  # fmt: skip


def planned(engine: Engine) -> list[Step]:
    """Ends of timers that belong to the course of things, the machine's own before the units'."""
    line = engine.line
    found: list[Step] = []
    starting = _starting(engine)
    for number, part in enumerate(line.parts):
        if running(part.act_at) and part.state in PLANNED["act_at"] and part.name not in starting:
            found.append((part.name, "act_at", number))
    for number, unit in enumerate(line.units):
        if unit.state in WARNED and unit.proven_since < NOW + 1 and running(unit.due):
            found.append((unit.name, "unit_due", number))
    tails = [line.gutters.get(lane.tail_gutter) for lane in line.lanes.lanes]
    unripe = [gutter.id for gutter in tails if gutter is not None and running(gutter.ripe_at)]
    if unripe:
        found.append(("lanes", "ripens", 0))
        found += [("lanes", "ripens", gutter) for gutter in unripe if len(unripe) > 1]
    causes = line.causes
    found += [("causes", "delay", n) for n, due in causes.due.items() if running(due)]
    found += [("causes", "off", n) for n, due in causes.off_due.items() if running(due)]
    return found


def _starting(engine: Engine) -> set[str]:
    """Belts whose drives, or whose neighbours' drives, are just starting: sooner than any timer
    that is reckoned from their way."""
    z = [step[2] for step in engine.motion.steps() if step[1] == "drive"]
    return {BELTS[n] for at in z for n in (at, at + 1) if n < len(BELTS)}


def guards(engine: Engine, machine: list[Step]) -> list[Step]:
    """Time-outs that may end: nothing near them can move any more. `machine`: its steps now."""
    line = engine.line
    busy = {step[0] for step in machine}
    if busy & {"field", "ledger"}:
        return []
    busy |= {step[0] for step in planned(engine)}
    found: list[Step] = []
    for number, part in enumerate(line.parts):
        if busy.intersection(NEAR.get(part.name, (part.name,))):
            continue
        if running(part.due):
            found.append((part.name, "due", number))
        if running(part.act_at) and part.state not in PLANNED["act_at"]:
            found.append((part.name, "act_at", number))
    for number, unit in enumerate(line.units):
        proving = unit.state in WARNED and unit.proven_since > NOW + 1
        if proving and running(unit.due) and not busy.intersection(engine.world.zones):
            found.append((unit.name, "unit_due", number))
    return found


def slow(engine: Engine) -> list[Step]:
    """Ends of long waits: before a unit suspends, before it may not start by itself any more."""
    line = engine.line
    found: list[Step] = []
    if running(line.waiting.mutual_due):
        found.append(("line", "mutual", 0))
    for number, unit in enumerate(line.units):
        if running(unit.idle_due):
            found.append((unit.name, "idle_due", number))
    return found


def limits(engine: Engine) -> list[Step]:
    """Limits that nobody should reach."""
    line = engine.line
    found: list[Step] = []
    for number, unit in enumerate(line.units):
        if unit.state == "Suspended" and running(unit.due):
            found.append((unit.name, "unit_due", number))
    for part in line.ends.wet_parts:
        gutter = line.gutters.get(part.gutter)
        if gutter is not None and gutter.wet_at == NOW:
            found.append((part.name, "wet", gutter.id))
    return found


def end(engine: Engine, step: Step) -> None:
    """The timer ends, and the line is scanned."""
    line = engine.line
    _, what, number = step
    if what in ("act_at", "due"):
        setattr(line.parts[number], what, PAST)
    elif what == "unit_due":
        engine.touch(line.units[number].name)
        line.units[number].due = PAST
    elif what == "idle_due":
        line.units[number].idle_due = PAST
    elif what == "ripens":
        ends = [lane.tail_gutter for lane in line.lanes.lanes] if not number else [number]
        for gutter in (line.gutters[tail] for tail in ends if tail in line.gutters):
            gutter.ripe_at = NOW if running(gutter.ripe_at) else gutter.ripe_at
    elif what == "wet":
        line.gutters[number].wet_at = NOW - line.site.file.limits.wet_limit_ms - 5
    elif what == "delay":
        line.causes.due[number] = PAST
    elif what == "off":
        line.causes.off_due[number] = PAST
    else:
        line.waiting.mutual_due = PAST
    engine.scan()
    engine.tell(engine.differing())

"""What a person does who knows only what the line tells them: the text of an alarm or of `why`,
turned into acts by a table. A text that the table cannot turn into an act is a finding.

The person has eyes: told to look at a part, they see which gutters lie there, and mend what is
broken. They do what the texts name, and nothing that the texts do not name.
"""

from __future__ import annotations

import re

from explorer import faults
from explorer.engine import Engine
from explorer.world import TAMP

Act = tuple[str, str, str, str]
"""(kind, unit or place, command, argument); kind: mend, take, command."""

_VERBS: tuple[tuple[str, str], ...] = (
    (r"\b(look|clean|mend|find|check|see|make safe|ask|close|release|clear the area)\b", "mend"),
    (r"\btake (it|the gutter|the second one) (off|out)\b", "take"),
    (r"\bpartial (\w+) ", "partial"),
    (r"\b(correct|removed|reject)\b", "correct"),
    (r"\bhanded-over\b|\bask packing\b", "handed"),
    (r"\binterlock reset\b", "reset latches"),
    (r"\blane-resume\b", "resume"),
    (r"\bchange the crop\b", "crop"),
    (r"\bskip\b", "skip"),
    (r"\badvance\b", "advance"),
    (r"\bcommand (\w+)", "unit"),
    (r"\bunhold\b", "unhold"),
    (r"\bby itself\b|^time-out in|^a person|\bwhen packing\b|^moves once", "wait"),
)


def texts(engine: Engine) -> list[tuple[str, str]]:
    """(about, text) of everything that the line suggests: alarms first, then `why` of the units."""
    line = engine.line
    said = [(alarm.tag, alarm.do) for alarm in line.alarms.standing.values()]
    for unit in line.units:
        if unit.state == "Execute":
            continue
        said += [(unit.name, check["clears"]) for check in line.why(unit.name, line.now)
                 if not check["met"] and check["clears"]]  # fmt: skip
    return said


def unreadable(engine: Engine) -> list[str]:
    """Suggestions that nobody can act on."""
    return [f"{about}: {text}" for about, text in texts(engine)
            if not any(re.search(pattern, text) for pattern, _ in _VERBS)]  # fmt: skip


def suggested(engine: Engine) -> list[Act]:
    """Acts that the line's texts suggest now, the more special ones first."""
    found: dict[str, list[Act]] = {}
    for about, text in texts(engine):
        for pattern, verb in _VERBS:
            match = re.search(pattern, text)
            if match is not None:
                found.setdefault(verb, []).extend(_acts(engine, verb, about, match))
    order = ("mend", "partial", "correct", "handed", "reset latches", "resume", "unit", "unhold",
             "take", "skip", "crop", "advance")  # fmt: skip
    return list(dict.fromkeys(act for verb in order for act in found.get(verb, ())))


def _acts(engine: Engine, verb: str, about: str, match: re.Match[str]) -> list[Act]:
    part = about.split(".")[0]
    line = engine.line
    if verb == "mend":
        return [("mend", target, kind, "") for kind, target in faults.active(engine)]
    if verb == "take":
        return _take(engine, part)
    if verb == "partial":
        return _partial(engine, match.group(1))
    if verb == "correct":
        return _correct(engine, part)
    if verb == "handed":
        gutter, world = engine.parts["turnout"].gutter, engine.world
        gone = gutter and gutter not in world.bodies() and not world.away
        return [("command", "", "handed-over", "")] if gone else []
    if verb == "reset latches":
        return [("command", "", "interlock-reset", "")]
    if verb == "resume":
        return [("command", "", "lane-resume", part)]
    if verb == "unit":
        return [("command", part, match.group(1), "")]
    if verb == "unhold":
        return [("command", u.name, "unhold", "") for u in line.units if u.state == "Held"]
    if verb == "skip":
        return [("command", "harvest", "skip", "")]
    if verb == "crop":
        return [("command", "sowing", "crop", crop) for crop in line.crops]
    if verb == "advance":
        return [("command", "", "advance-empty", str(lane.id)) for lane in line.lanes.lanes]
    return []


def _take(engine: Engine, name: str) -> list[Act]:
    """Gutters that lie at a part and should not: another than the ledger's, or none expected."""
    part = engine.parts.get(name)
    here = {p: b for p, b in faults.places(engine.world).items() if p.split(".")[0] == name}
    if part is None:
        return []
    wrong = [place for place, body in here.items() if body != part.gutter]
    if part.state == "faulted" and not wrong and part.fault in ("stray", "early", "double"):
        wrong = list(here)
    do = engine.line.alarms.standing.get(f"{name}.{part.fault}")
    if not wrong and do is not None and "does not help" in do.do:
        wrong = list(here)
    return [("take", place, "", "") for place in wrong if ".grow." not in place]


def _partial(engine: Engine, name: str) -> list[Act]:
    part, world = engine.parts[name], engine.world
    if part.state != "partial":
        return []
    if part.gutter not in world.bodies():
        return [("command", "", "partial", f"{name} reject")]
    if name == "tamp":
        done = "t" in world.marks.get(world.at[TAMP], "")
        return [("command", "", "partial", f"tamp {'finish' if done else 'redo'}")]
    return [("command", "", "partial", f"{name} finish")]


def _correct(engine: Engine, name: str) -> list[Act]:
    """The ledger put right where it names a gutter that is not there."""
    part, world = engine.parts.get(name), engine.world
    if part is None:
        return []
    lanes = {lane.name: lane for lane in engine.line.lanes.lanes}
    if name not in lanes:
        gone = part.gutter and part.gutter not in world.bodies()
        return [("command", "", "removed", name)] if gone else []
    lane, found = lanes[name], []
    for number, gutter in enumerate(lane.slots[0]):
        body = world.slots[world.first(lane.id - 1) + number]
        if gutter > 0 and gutter not in world.bodies():
            found.append(("command", "", "correct", f"{lane.runs[0]}.{number} hole"))
        elif not gutter and body and lane.state == "available":
            found.append(("take", f"{lane.runs[0]}.{number}", "", ""))
    return found


def do(engine: Engine, act: Act) -> str | None:
    """The person does it; why it was refused, or None."""
    kind, target, name, argument = act
    if kind == "mend":
        faults.mend(engine, (name, target))
        return None
    if kind == "take":
        faults.take(engine, target)
        return None
    refused = engine.command(target, name, argument)
    engine.tell(engine.differing())
    if refused is None and name in ("start", "unhold", "unsuspend"):
        engine.touched -= {target}
    return refused

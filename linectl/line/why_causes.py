"""What `why` says of causes and the points they read: votes, delays, latches, what is bypassed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from linectl.line.cause_rows import Cause, Test
from linectl.line.inputs import NEVER
from linectl.line.units import wrong_place
from linectl.site.notation import both_ways

if TYPE_CHECKING:
    from linectl.line.line import Line


@dataclass(frozen=True)
class Check:
    """One link of the chain: what it is, whether it is met, in words, and who can clear it.

    `by`: itself, machine (a person there) or command; `act`: that command, if one alone does it.
    `points` are the tags it stands on; whoever shows it adds their age. `cause`: its name, if it
    is one. `marked`: a person has bypassed, forced or overridden something of it.
    """

    step: str
    met: bool
    text: str
    clears: str = ""
    points: tuple[str, ...] = ()
    by: str = ""
    act: str = ""
    cause: str = ""
    marked: bool = False


def where(line: Line, tags: tuple[str, ...]) -> list[dict[str, Any]]:
    """Each point as a technician looks for it: value, terminal, both addresses, device."""
    return [_place(line, tag) for tag in tags]


def _place(line: Line, tag: str) -> dict[str, Any]:
    point = line.site.points[line.site_io[tag]]
    index = point.index
    force = line.interventions.forces.standing.get(tag)
    bit = "" if point.bit is None else f" bit {point.bit}"
    return {
        "tag": tag,
        "good": line.inputs.good[index],
        "value": _reading(line, index),
        "forced": None if force is None else force.shown,
        "terminal": point.note,
        "address": both_ways(point.table, point.address, point.words) + bit,
        "device": point.device,
    }


def _reading(line: Line, index: int) -> bool | float | None:
    """What the field says; None while it says nothing good."""
    if not line.inputs.good[index]:
        return None
    if line.site.points[index].is_bool:
        return line.inputs.on[index]
    return line.inputs.value[index]


# causes ------------------------------------------------------------------------------------------


def cause_check(line: Line, number: int, met: bool) -> Check:
    """A cause as one link: `met` if it does not stop what is asked about."""
    row = line.causes.rows[number]
    active = line.causes.active[number]
    points = tuple(line.site.points[test.index].tag for test in row.tests)
    bad = not all(line.inputs.good[test.index] for test in row.tests)
    text = row.text if active else f"not: {row.text}"
    if active and bad and not row.silence:
        text = f"{line.cause_text(number)}: counts as {row.text}"
    text = "; ".join((text, *remarks(line, number)))
    clears, by, act = clearing(line, number) if active else ("", "", "")
    step = "permissive" if row.priority is None else "cause"
    return Check(step, met, text, clears, points, by, act, row.name, _marked(line, row, points))


def _marked(line: Line, row: Cause, points: tuple[str, ...]) -> bool:
    set_by_people = line.interventions
    forced = set_by_people.forces.standing
    return row.name in set_by_people.bypasses.standing or any(tag in forced for tag in points)


def remarks(line: Line, number: int) -> list[str]:
    """What else there is to say of a cause: votes, delays, hysteresis, latch, mode, bypass."""
    causes = line.causes
    row, now = causes.rows[number], line.now
    said = []
    if len(row.tests) > 1 and row.priority is not None:
        bad = sum(not line.inputs.good[test.index] for test in row.tests)
        votes = causes.met[number].bit_count()
        unread = f", {bad} without a good reading" if bad else ""
        said.append(f"{votes} of {len(row.tests)} hold, {row.needed} needed{unread}")
    if number in causes.due:
        said.append(f"acts in {(causes.due[number] - now) / 1000:.1f} s if it stays")
    if number in causes.off_due:
        said.append(f"ends in {(causes.off_due[number] - now) / 1000:.1f} s if it stays away")
    if any(_held(line, number, place) for place in range(len(row.tests))):
        said.append("not come back by its hysteresis yet")
    if not causes.enabled(number):
        said.append("not enabled in this mode")
    if causes.active[number] and not causes.live[number]:
        said.append("gone, but latched until interlock reset")
    bypass = line.interventions.bypasses.standing.get(row.name)
    if bypass is not None:
        said.append(f"BYPASSED: {line.interventions.bypasses.text(bypass)}")
    return said


def _held(line: Line, number: int, place: int) -> bool:
    """The test holds by its hysteresis alone."""
    test = line.causes.rows[number].tests[place]
    held = bool(line.causes.met[number] >> place & 1)
    return held and line.inputs.good[test.index] and not test.holds(line.inputs, False)


def clearing(line: Line, number: int) -> tuple[str, str, str]:
    """(in words, who, the command) that ends an active cause."""
    row = line.causes.rows[number]
    if not line.causes.live[number]:
        if row.reset == "at_machine":
            return f"interlock reset, by the button at {row.zone}", "machine", ""
        if refused := wrong_place(line, ""):
            return f"interlock reset by its button: {refused}", "machine", ""
        return "interlock reset, by button or command", "command", "interlock-reset"
    return row.do, "itself" if row.priority is None else "machine", ""


def cause_chain(line: Line, number: int) -> list[Check]:
    """A cause by name: itself, each comparison, its bypass, and what it stops now."""
    row = line.causes.rows[number]
    checks = [cause_check(line, number, not line.causes.active[number])]
    checks += [_test(line, number, place, test) for place, test in enumerate(row.tests)]
    bypass = line.interventions.bypasses.standing.get(row.name)
    if bypass is not None:
        text = line.interventions.bypasses.text(bypass)
        do = f"bypass-end {row.name}" if bypass.in_force else "try it at its sensor"
        by = "command" if bypass.in_force else "machine"
        act = do if bypass.in_force else ""
        checks.append(Check("bypass", True, text, do, by=by, act=act, marked=True))
    return [*checks, Check("stops", True, stopping(line, number))]


def stopping(line: Line, number: int) -> str:
    """What a cause stops now, in words."""
    off = line.forbids(number)
    words = [point.tag for point in line.site.points if off >> point.index & 1]
    words += [f"{station} begins no other gutter" for station in line.causes.keeps(number)]
    words += [f"{unit}: {action}" for unit, action in line.causes.asks(number)]
    words += [f"{unit} may not start" for unit in line.causes.bars_start(number)]
    return f"stops now: {', '.join(words)}" if words else "stops nothing now"


def _test(line: Line, number: int, place: int, test: Test) -> Check:
    point = line.site.points[test.index]
    holds = bool(line.causes.met[number] >> place & 1)
    good = line.inputs.good[test.index]
    limits = [f"below {test.low:g}"] if test.low is not None else []
    limits += [f"above {test.high:g}"] if test.high is not None else []
    if test.level is not None:
        limits = [f"{int(test.level)}"]
    said = f"{reading_text(line, test.index)}; present when {' and '.join(limits) or 'not good'}"
    if _held(line, number, place):
        said += f", with {test.hysteresis:g} {point.unit} to come back".rstrip()
    return Check("point", good and not holds, said, points=(point.tag,))


# points ------------------------------------------------------------------------------------------


def reading_text(line: Line, index: int) -> str:
    """`fill.hopper_level = 12 l`, with what stations are told instead if it is forced."""
    point = line.site.points[index]
    reading = _reading(line, index)
    if reading is None:
        text = f"{point.tag}: no good reading from {point.device}"
    else:
        value = str(int(reading)) if isinstance(reading, bool) else f"{reading:g} {point.unit}"
        text = f"{point.tag} = {value.rstrip()}"
    force = line.interventions.forces.standing.get(point.tag)
    return text if force is None else f"{text}; FORCED: stations see {force.shown}"


def input_chain(line: Line, index: int) -> list[Check]:
    """An input: its reading, its running delay, its force, and the causes that read it."""
    point = line.site.points[index]
    good = line.inputs.good[index]
    clears = "" if good else "check the device"
    by = "" if good else "machine"
    said = reading_text(line, index)
    pending = line.inputs.pending.get(index, NEVER)
    if pending != NEVER:
        said += f"; changes in {(pending - line.now) / 1000:.2f} s if it stays"
    checks = [Check("point", good, said, clears, (point.tag,), by), *force_marks(line, point.tag)]
    for number, row in enumerate(line.causes.rows):
        if any(test.index == index for test in row.tests):
            checks.append(cause_check(line, number, not line.causes.active[number]))
    return checks


def force_marks(line: Line, part: str) -> list[Check]:
    """The forces on a tag, or on the points of a part."""
    forces = line.interventions.forces
    return [
        Check("force", True, forces.text(grant), f"force-end {tag}", (tag,), "command",
              f"force-end {tag}", marked=True)
        for tag, grant in forces.standing.items()
        if tag == part or tag.startswith(f"{part}.")
    ]  # fmt: skip

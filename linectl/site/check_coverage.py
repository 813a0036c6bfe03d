"""Checks that every moving output is switched off by its guards, its emergency stops and the faults
of its own part. What is missing is named: the output, and the row or cell that would stop it.

Silence needs no row: the line derives one for every device with an input, and a device with outputs
and no input is refused (`check_devices`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from linectl.site.check_causes import VITAL
from linectl.site.complaints import nearest
from linectl.site.draft import Draft, Findings
from linectl.site.effects import reach, stopped_outputs, stops_of
from linectl.site.interlocks import Cause, cells_written
from linectl.site.roles import PERMISSIVES
from linectl.site.sheet import Key

_FILE = "interlocks.yaml"
OWN_FAULTS: Mapping[str, tuple[str, ...]] = {
    "drive_ok": ("run",),
    "limits_ok": ("run",),
    "overload_ok": ("stroke", "back"),
    "swept_clear": ("to_0", "to_90"),
    "overtravel_ok": (),
    "isolator_on": (),
    "remote": (),
}
"""Input of a part → the outputs of that part that it must switch off; none named: all that move."""
_NAMES = {
    "estop_ok": "estop", "drive_ok": "drive", "limits_ok": "limits", "overload_ok": "overload",
    "swept_clear": "swept", "overtravel_ok": "overtravel", "isolator_on": "isolator",
    "remote": "local", "air_ok": "air", "supply_ok": "supply",
}  # fmt: skip
"""First word of the name that a row for such an input is proposed."""


Reach = Mapping[str, Sequence[str]]
"""effect → the moving outputs that it switches off."""


class Duty(NamedTuple):
    """An input and the moving outputs that it must switch off."""

    point: str
    outputs: tuple[str, ...]
    why: str


def check(draft: Draft, say: Findings) -> None:
    """Every duty of every permissive input."""
    if draft.names(_FILE, "causes") != set(draft.causes):
        return
    duties = {duty.point: duty for duty in duties_of(draft)}
    reached = reach(draft.effects, (point for _, point in draft.points), draft.needs)
    for tag, need in draft.needs.items():
        if need.role.direction == "out" or need.role.name not in PERMISSIVES:
            continue
        duty = duties.get(tag) or Duty(tag, (), need.role.text)
        if _moves(draft, tag) or duty.outputs:
            _check_duty(draft, say, duty, reached)


def duties_of(draft: Draft) -> Iterator[Duty]:
    """What each emergency stop, each guard and each fault of a part must switch off."""
    stopped = stopped_outputs((point for _, point in draft.points), draft.needs)
    by_zone = {zone: tuple(p.tag for p in stopped if p.zone == zone) for zone in draft.zones}
    for name, zone in draft.zones.items():
        for guard in zone.guards:
            text = f"a guard stops everything that moves in its zone ({name})"
            yield Duty(f"guard_{guard}.closed", by_zone[name], text)
        reached = [z for z in draft.zones if name in stops_of(z, draft.zones)]
        outputs = tuple(tag for zone in reached for tag in by_zone[zone])
        text = f"this emergency stop acts on {', '.join(reached)}: everything that moves there"
        yield Duty(f"{name}.estop_ok", outputs, text)
    for tag, need in draft.needs.items():
        roles = OWN_FAULTS.get(need.role.name)
        if roles is None or need.role.direction == "out":
            continue
        own = tuple(
            p.tag
            for p in stopped
            if draft.needs[p.tag].part == need.part
            and (not roles or draft.needs[p.tag].role.name in roles)
        )
        yield Duty(tag, own, f"{need.role.text}: this must stop {', '.join(own)}")


def _moves(draft: Draft, tag: str) -> bool:
    """True if something moves in the part of that input; of a zone, in the zone."""
    own = draft.needs[tag]
    return any(
        need.role.moves and (need.part == own.part or need.zone == own.part)
        for need in draft.needs.values()
    )


def _check_duty(draft: Draft, say: Findings, duty: Duty, reached: Reach) -> None:
    need = draft.needs[duty.point]
    readers = [
        name
        for name, cause in draft.causes.items()
        if any(test.point == duty.point for test in cause.when)
    ]
    if not readers:
        if duty.point in _misspelt(draft):
            return
        text = f"no cause reads {duty.point} ({need.role.text})"
        hint = _row_to_write(draft, duty, reached)
        say.errors.append(draft.at(_FILE, ("causes",), text, hint, whole=f"causes.{duty.point}"))
        return
    if not duty.outputs:
        return
    good = [name for name in readers if _weakness(draft.causes[name], duty.point) is None]
    if not good:
        key, text = _weakness(draft.causes[readers[0]], duty.point) or ("when", "")
        text = f"{text}, and no other cause stops what {duty.point} must stop"
        say.errors.append(draft.at(_FILE, ("causes", readers[0], key), text, duty.why))
        return
    _spared(draft, say, duty, good, reached)


def _misspelt(draft: Draft) -> set[str]:
    """Tags that a cause surely meant by one that the IO list does not have, which has been said."""
    tags = {row.tag for row in draft.rows}
    meant = (
        nearest(test.point, tags) or ""
        for c in draft.causes.values()
        for test in c.when
        if test.point not in tags
    )
    return {text.rpartition(" ")[2] for text in meant}


def _weakness(cause: Cause, tag: str) -> tuple[Key, str] | None:
    """Why a cause that reads a point does not stop on it alone, always and at once; None if so."""
    if all(test.is_ is not False for test in cause.when if test.point == tag):
        return "when", f"comes while {tag} is healthy: write is: false"
    if (cause.vote or len(cause.when)) > 1:
        return ("vote" if cause.vote else "when"), f"does not come on {tag} alone"
    if cause.moment != "at_once":
        return "moment", f"stops nothing at once (moment: {cause.moment})"
    if cause.modes:
        return "modes", f"is without effect in modes other than {', '.join(cause.modes)}"
    if cause.bad == "left_out":
        return "bad", f"does not come while {tag} cannot be read"
    return None


def _spared(draft: Draft, say: Findings, duty: Duty, causes: Sequence[str], reached: Reach) -> None:
    """An error if those causes together leave an output running; none for what cannot be read."""
    cut: set[str] = set()
    for name in causes:
        row = draft.written(_FILE, "matrix", name)
        if row is None or any(e not in draft.effects for e in cells_written(row)):
            return
        latching = draft.needs[duty.point].role.name in VITAL
        for effect, kind in cells_written(row).items():
            if kind == "permissive" or (kind == "acts" and latching):
                continue
            cut.update(reached[effect])
    spared = [tag for tag in duty.outputs if tag not in cut]
    if not spared:
        return
    more = f" and {len(spared) - 1} outputs more" if len(spared) > 1 else ""
    text = f"leaves {spared[0]} running{more}: {duty.why}"
    row = cells_written(draft.written(_FILE, "matrix", causes[0]))
    hint = _cells_to_write(reached, spared, row)
    say.errors.append(draft.at(_FILE, ("matrix", causes[0]), text, hint))


def _cells_to_write(reached: Reach, spared: Sequence[str], row: Mapping[str, str | None]) -> str:
    """The effects that would switch those outputs off, few and fitting first."""
    left, named = set(spared), list[str]()
    while left:
        best = max(
            reached,
            key=lambda n: (len(left.intersection(reached[n])), -len(reached[n])),
            default="",
        )
        if not best or not left.intersection(reached[best]):
            tags = ", ".join(tag for tag in spared if tag in left)
            named.append(f"an effect with outputs: [{tags}]")
            break
        named.append(best)
        left -= set(reached[best])
    weak = [name for name in named if name in row]
    return f"{weak[0]} must be latched here, or act" if weak else "give it " + " and ".join(named)


def _row_to_write(draft: Draft, duty: Duty, reached: Reach) -> str:
    """A cause and its row of the matrix, as they could be written."""
    need = draft.needs[duty.point]
    word = _NAMES.get(need.role.name)
    part = need.part.replace(".", "_")
    name = f"{word}_{part}" if word else part
    reset = ", reset: interlock" if need.role.name in VITAL else ""
    row = f"causes: {name}: {{text: …, when: [{{point: {duty.point}, is: false}}]{reset}, do: …}}"
    if not duty.outputs:
        return f"write {row}, and its effects in the matrix"
    cells = (
        _cells_to_write(reached, duty.outputs, {}).removeprefix("give it ").replace(" and ", ", ")
    )
    return f"write {row}, and matrix: {name}: [{cells}, …]"

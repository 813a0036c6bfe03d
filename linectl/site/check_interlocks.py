"""Checks the cause-and-effect matrix: names, comparisons, and that nothing vital is left out."""

from __future__ import annotations

from linectl.site.complaints import nearest
from linectl.site.draft import Draft, Findings
from linectl.site.interlocks import Cause, Condition, Effect
from linectl.site.machine import Carriage
from linectl.site.patterns import matching
from linectl.site.roles import PERMISSIVES
from linectl.site.sheet import TreePath

_FILE = "interlocks.yaml"
_VITAL = ("estop_ok", "closed")
"""Permissive inputs that no site may leave without a cause."""
_USUAL = frozenset(PERMISSIVES).difference(_VITAL)


def check(draft: Draft, say: Findings) -> None:
    """Causes, effects, the matrix, then coverage of stops, guards and other permissives."""
    for name, cause in draft.causes.items():
        for place, test in enumerate(cause.when):
            _condition(draft, say, ("causes", name, "when", place), test)
        _follows(draft, say, name, cause)
    for name, effect in draft.effects.items():
        _effect(draft, say, name, effect)
    _matrix(draft, say)
    _coverage(draft, say)
    _stops(draft, say)


def _condition(draft: Draft, say: Findings, path: TreePath, test: Condition) -> None:
    def wrong(key: str, text: str, hint: str | None = None) -> None:
        say.errors.append(draft.at(_FILE, (*path, key), text, hint))

    tags = {row.tag for row in draft.rows}
    if test.point not in tags:
        wrong("point", f"the IO list has no tag {test.point!r}", nearest(test.point, tags))
        return
    point = next((p for _, p in draft.points if p.tag == test.point), None)
    if point is None:
        return
    if point.is_bool and (test.is_ is None or test.below is not None or test.above is not None):
        wrong("point", f"{test.point} is a bool: compare it with is: true or is: false")
    if not point.is_bool and (test.is_ is not None or (test.below is None and test.above is None)):
        wrong("point", f"{test.point} is a number: compare it with below: or above:")
    need = draft.needs.get(test.point)
    if need and need.role.kind == "counter":
        wrong("point", f"{test.point} is a counter, which announces nothing and trips nothing")


def _follows(draft: Draft, say: Findings, name: str, cause: Cause) -> None:
    """What follows from a cause is a cause too, and does not lead back to it."""
    path: TreePath = ("causes", name, "follows")
    known = draft.names(_FILE, "causes")
    for other in cause.follows:
        if other not in known:
            text = f"there is no cause {other!r}"
            say.errors.append(draft.at(_FILE, path, text, nearest(other, known)))
    reached: set[str] = set()
    ahead = list(cause.follows)
    while ahead:
        other = ahead.pop()
        if other not in reached and other in draft.causes:
            reached.add(other)
            ahead += draft.causes[other].follows
    if name in reached:
        text = "follows from itself: of causes that lead back to each other none can come first"
        say.errors.append(draft.at(_FILE, path, text))


def _effect(draft: Draft, say: Findings, name: str, effect: Effect) -> None:
    def wrong(key: str, text: str, hint: str | None = None) -> None:
        path = ("effects", name, key) if key else ("effects", name)
        say.errors.append(draft.at(_FILE, path, text, hint))

    named = [
        key
        for key in ("outputs", "zone", "unit", "station")
        if getattr(effect, key) not in ((), None)
    ]
    if len(named) != 1:
        said = " and ".join(named) or "none"
        wrong("", f"names {said}; an effect names one of outputs, zone, unit or station")
    if effect.unit and effect.action is None:
        wrong("unit", "says no action", "action: abort, hold or suspend")
    if effect.action and not (effect.unit or effect.station):
        wrong("action", "goes with a unit or a station")
    for key, section in (("zone", "zones"), ("station", "stations")):
        wanted = getattr(effect, key)
        valid = draft.names("site.yaml", section)
        if wanted is not None and wanted not in valid:
            wrong(key, f"{key} {wanted!r} is not in site.yaml", nearest(wanted, valid))
    outputs = [p.tag for _, p in draft.points if p.direction == "out"]
    tags = {row.tag for row in draft.rows}
    for pattern in effect.outputs:
        if matching(pattern, outputs) or draft.is_broken(pattern):
            continue
        if pattern in tags:
            known = pattern in {p.tag for _, p in draft.points}
            if known:
                wrong("outputs", f"{pattern} is an input: an effect stops outputs")
            continue
        text = f"no output is called {pattern!r}"
        wrong("outputs", text, nearest(pattern, outputs))


def _matrix(draft: Draft, say: Findings) -> None:
    causes, effects = draft.names(_FILE, "causes"), draft.names(_FILE, "effects")
    matrix = draft.written(_FILE, "matrix")
    rows = matrix if isinstance(matrix, dict) else {}
    used: set[str] = set()
    for cause, listed in rows.items():
        path: TreePath = ("matrix", cause)
        if cause not in causes:
            text = f"there is no cause {cause!r}"
            say.errors.append(draft.at(_FILE, path, text, nearest(cause, causes)))
        for effect in _effects_of(listed):
            used.add(str(effect))
            if effect not in effects:
                text = f"there is no effect {effect!r}"
                say.errors.append(draft.at(_FILE, path, text, nearest(str(effect), effects)))
    for name, cause in draft.causes.items():
        listed = rows.get(name)
        if listed is None:
            text = "has no row in the matrix"
            hint = "write its effects, or [] for a cause that only warns"
            say.errors.append(draft.at(_FILE, ("causes", name), text, hint))
        else:
            _moment(draft, say, name, cause, bool(listed))
    for name in draft.effects:
        if name not in used:
            say.warnings.append(draft.at(_FILE, ("effects", name), "no cause has this effect"))


def _moment(draft: Draft, say: Findings, name: str, cause: Cause, stops: bool) -> None:
    if cause.moment == "warn" and stops:
        text = "only warns (moment: warn), yet the matrix gives it effects"
        say.errors.append(draft.at(_FILE, ("causes", name, "moment"), text))
    if cause.moment != "warn" and not stops:
        text = "stops nothing by the matrix"
        hint = "write moment: warn if it is a warning"
        say.errors.append(draft.at(_FILE, ("matrix", name), text, hint))


def _coverage(draft: Draft, say: Findings) -> None:
    """Stops and guards must be read by a cause; other permissives should be."""
    if draft.names(_FILE, "causes") != set(draft.causes):
        return
    read = {test.point for cause in draft.causes.values() for test in cause.when}
    for tag, need in draft.needs.items():
        role = need.role.name
        if tag in read or need.role.direction == "out":
            continue
        text = f"no cause reads {tag} ({need.role.text})"
        if role in _VITAL:
            hint = f"add a cause with when: [{{point: {tag}, is: false}}]"
            say.errors.append(draft.at(_FILE, ("causes",), text, hint, whole=f"causes.{tag}"))
        elif role in _USUAL:
            say.warnings.append(draft.at(_FILE, ("causes",), text, whole=f"causes.{tag}"))


def _stops(draft: Draft, say: Findings) -> None:
    """An emergency stop cuts its own zone, every lane and both carriages; a guard its zone."""
    shared = {lane.zone for lane in draft.lanes.values()}
    carriages = {name for name, s in draft.stations.items() if isinstance(s, Carriage)}
    for name, cause in draft.causes.items():
        for role in _VITAL:
            zones = {
                draft.needs[test.point].zone
                for test in cause.when
                if test.point in draft.needs and draft.needs[test.point].role.name == role
            }
            if not zones:
                continue
            spared = _spared(draft, name, zones, shared if role == "estop_ok" else set())
            if role == "estop_ok":
                spared += [
                    tag for tag in _spared_parts(draft, name, carriages) if tag not in spared
                ]
            if spared:
                text = f"leaves {spared[0]} running" + (
                    f" and {len(spared) - 1} outputs more" if len(spared) > 1 else ""
                )
                hint = "an emergency stop cuts its zone, lanes, lifts and carriages"
                if role == "closed":
                    hint = "a guard cuts every moving output of its zone"
                say.errors.append(draft.at(_FILE, ("matrix", name), text, hint))


def _spared(draft: Draft, cause: str, zones: set[str], more: set[str]) -> list[str]:
    """Moving outputs of those zones that the cause does not switch off."""
    cut = _cut_by(draft, cause)
    return [
        tag
        for tag, need in draft.needs.items()
        if need.role.moves and need.zone in zones | more and tag not in cut
    ]


def _spared_parts(draft: Draft, cause: str, parts: set[str]) -> list[str]:
    cut = _cut_by(draft, cause)
    return [
        tag
        for tag, need in draft.needs.items()
        if need.role.moves and need.part in parts and tag not in cut
    ]


def _cut_by(draft: Draft, cause: str) -> set[str]:
    """Tags that the cause switches off by the matrix."""
    outputs = [tag for tag, need in draft.needs.items() if need.role.direction == "out"]
    cut: set[str] = set()
    for name, kind in _effects_of(draft.written(_FILE, "matrix", cause)).items():
        effect = draft.effects.get(name)
        if effect is None or kind == "permissive":
            continue
        for pattern in effect.outputs:
            cut.update(matching(pattern, outputs))
        if effect.zone:
            cut.update(tag for tag in outputs if draft.needs[tag].zone == effect.zone)
    return cut


def _effects_of(row: object) -> dict[str, str | None]:
    """A written row of the matrix: effect → the kind of its cell, None where none is written."""
    if isinstance(row, dict):
        return {str(effect): str(kind) for effect, kind in row.items()}
    return {str(effect): None for effect in row} if isinstance(row, list) else {}

"""Checks the cause-and-effect matrix: names, comparisons, kinds of cells, units that are told."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from linectl.site.complaints import nearest
from linectl.site.draft import Draft, Findings
from linectl.site.effects import reach, units_stopped
from linectl.site.interlocks import Cause, Condition, Effect, cells_written
from linectl.site.patterns import matching
from linectl.site.sheet import TreePath

_FILE = "interlocks.yaml"


def check(draft: Draft, say: Findings) -> None:
    """Conditions of causes, effects, the matrix and its cells."""
    for name, cause in draft.causes.items():
        for place, test in enumerate(cause.when):
            _condition(draft, say, ("causes", name, "when", place), test)
        _follows(draft, say, name, cause)
    for name, effect in draft.effects.items():
        _effect(draft, say, name, effect)
    _matrix(draft, say)
    _doses(draft, say)


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
    if point.is_bool and test.hysteresis:
        wrong("hysteresis", f"{test.point} is a bool: it has no value that could come back")
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
    if effect.unit and effect.action is None and (acting := _acting(draft, name)):
        hint = f"action: abort, hold or suspend; or make its cell of {acting} permissive"
        wrong("unit", "says no action", hint)
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


def _acting(draft: Draft, effect: str) -> str:
    """The first cause whose cell of that effect is more than permissive; empty if none."""
    matrix = draft.written(_FILE, "matrix")
    written = matrix.items() if isinstance(matrix, dict) else ()
    rows = {name: cells_written(row) for name, row in written}
    return next(
        (n for n, cells in rows.items() if effect in cells and cells[effect] != "permissive"), ""
    )


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
        for effect in cells_written(listed):
            used.add(str(effect))
            if effect not in effects:
                text = f"there is no effect {effect!r}"
                say.errors.append(draft.at(_FILE, path, text, nearest(str(effect), effects)))
    reached = reach(draft.effects, (point for _, point in draft.points), draft.needs)
    for name, cause in draft.causes.items():
        listed = rows.get(name)
        if listed is None:
            text = "has no row in the matrix"
            hint = "write its effects, or [] for a cause that only warns"
            say.errors.append(draft.at(_FILE, ("causes", name), text, hint))
        else:
            _moment(draft, say, name, cause, bool(listed))
            _cells(draft, say, name, cause)
            _told(draft, say, name, cause, reached)
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


def _cells(draft: Draft, say: Findings, name: str, cause: Cause) -> None:
    """Latched cells and a reset go together; a station cannot be barred by a permissive cell."""
    row = draft.written(_FILE, "matrix", name)
    cells = cells_written(row)
    if isinstance(row, list) and (twice := sorted({str(e) for e in row if row.count(e) > 1})):
        say.errors.append(draft.at(_FILE, ("matrix", name), f"names {twice[0]} twice"))
    for effect, kind in cells.items():
        path = ("matrix", name, effect)
        if kind == "latched" and cause.reset == "automatic":
            text = "is latched, and nothing resets its cause"
            hint = "acts; or give the cause reset: interlock or at_machine"
            say.errors.append(draft.at(_FILE, path, text, hint))
        facts = draft.effects.get(effect)
        if kind == "permissive" and facts is not None and facts.station:
            text = "is permissive; that is for outputs, zones and units"
            hint = "acts: the station begins no other gutter while the cause is present"
            say.errors.append(draft.at(_FILE, path, text, hint))
    latching = any(kind in (None, "latched") for kind in cells.values())
    if cause.reset != "automatic" and not latching:
        text = f"is {cause.reset}, and no cell of its row is latched: there is nothing to reset"
        path = ("causes", name, "reset")
        say.errors.append(draft.at(_FILE, path, text, "reset: automatic, or a latched cell"))


def _told(
    draft: Draft, say: Findings, name: str, cause: Cause, reached: Mapping[str, Sequence[str]]
) -> None:
    """A unit whose machinery goes off at once must be told, or it waits for a motion in vain."""
    cells = cells_written(draft.written(_FILE, "matrix", name))
    if cause.moment != "at_once" or any(effect not in draft.effects for effect in cells):
        return
    acting = {e: draft.effects[e] for e, kind in cells.items() if kind != "permissive"}
    told = {effect.unit for effect in acting.values()}
    for unit, tag in units_stopped(acting, reached, draft.needs, draft.zones).items():
        if unit in told:
            continue
        text = (
            f"switches {tag} off, and {unit} is not told: it would go on, and wait for a motion "
            "that cannot come"
        )
        known = [n for n, e in draft.effects.items() if e.unit == unit and e.action == "hold"]
        hint = f"give it {known[0] if known else f'an effect {{unit: {unit}, action: hold}}'}"
        say.errors.append(draft.at(_FILE, ("matrix", name), text, hint))


_WANTED = {
    "hopper_level": ("warn", "before_next_gutter"),
    "seed_level": ("warn", "before_next_gutter"),
    "not_low": ("warn",),
    "not_empty": ("before_next_gutter",),
}
"""What runs out is told first, and blocks before the gutter that it would not be enough for."""


def _doses(draft: Draft, say: Findings) -> None:
    """Causes that should warn of what runs out, and block before it has."""
    if draft.names(_FILE, "causes") != set(draft.causes):
        return
    for tag, need in draft.needs.items():
        moments = {
            cause.moment
            for cause in draft.causes.values()
            if any(test.point == tag for test in cause.when)
        }
        for moment in _WANTED.get(need.role.name, ()):
            if moment not in moments:
                text = f"no cause with moment: {moment} reads {tag} ({need.role.text})"
                whole = f"causes.{tag}"
                say.warnings.append(draft.at(_FILE, ("causes",), text, whole=whole))

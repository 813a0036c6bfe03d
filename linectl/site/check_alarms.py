"""Checks that no alarm can come without help: consequence, what to do, where to look."""

from __future__ import annotations

from collections.abc import Iterable

from linectl.site.alarm_catalogue import UNITS, help_for, points_of
from linectl.site.alarm_help import AlarmHelp
from linectl.site.alarm_kinds import BY_NAME, Raised, raised_by
from linectl.site.complaints import nearest
from linectl.site.draft import Draft, Findings
from linectl.site.faults import supply_groups
from linectl.site.sheet import TreePath

_FILE = "interlocks.yaml"


def check(draft: Draft, say: Findings) -> None:
    """Causes first, then what the line raises by itself."""
    _causes(draft, say)
    raised = raised_by(
        draft.stations, draft.lanes.values(), UNITS, draft.devices,
        supply_groups(point for _, point in draft.points),
    )  # fmt: skip
    _names(draft, say, raised)
    _kinds(draft, say, raised)


def _causes(draft: Draft, say: Findings) -> None:
    for name, cause in draft.causes.items():
        for key, text in (("consequence", cause.consequence), ("do", cause.do)):
            if not text.strip():
                hint = {
                    "consequence": "say what follows if nobody acts, in a sentence",
                    "do": "say what to do about it, in a sentence",
                }[key]
                message = f"its alarm has no help: {key} is not said"
                say.errors.append(draft.at(_FILE, ("causes", name, key), message, hint))
    read = {test.point: name for name, cause in draft.causes.items() for test in cause.when}
    for row, point in draft.points:
        if point.tag in read and not point.note.strip():
            text = f"alarm {read[point.tag]} sends people to this point, and it names no terminal"
            hint = "the terminal, or for a status word whose it is: axis 3 status word, ready"
            say.errors.append(row.finding("note", text, hint))


def _names(draft: Draft, say: Findings, raised: Iterable[str]) -> None:
    """What stands under `alarms` must be an alarm of this site, or at least a kind of alarm."""
    valid = {*BY_NAME, *raised}
    for key in draft.names(_FILE, "alarms"):
        head = key.partition(".")[0]
        if key in valid or ("." in key and draft.is_broken(head)):
            continue
        hint = nearest(key, valid)
        if key in draft.causes:
            hint = "a cause has consequence and do of its own"
        text = "is neither a kind of alarm nor the tag of one of this site's"
        say.errors.append(draft.at(_FILE, ("alarms", key), text, hint))
    for key, said in draft.alarms.items():
        _texts(draft, say, ("alarms", key), said)


def _texts(draft: Draft, say: Findings, path: TreePath, said: AlarmHelp) -> None:
    for key in ("consequence", "do"):
        if not getattr(said, key).strip():
            say.errors.append(draft.at(_FILE, (*path, key), "is empty: an alarm without help"))
    for key in ("consequence", "do", "look"):
        rest = getattr(said, key).replace("{part}", "")
        if "{" in rest or "}" in rest:
            text = "only {part} may stand in braces"
            say.errors.append(draft.at(_FILE, (*path, key), text))


def _kinds(draft: Draft, say: Findings, raised: dict[str, Raised]) -> None:
    """Every alarm that can come has help; one finding a kind, naming one alarm of it."""
    written = draft.names(_FILE, "alarms")
    told: set[str] = set()
    for tag, one in raised.items():
        kind = one.kind.name
        if kind in told or {tag, kind} & (written - set(draft.alarms)):
            continue
        said = help_for(draft.alarms, tag, one)
        if said is None:
            told.add(kind)
            hint = f"add alarms: {kind}: {{priority: …, consequence: …, do: …}}"
            text = f"the line can raise {tag}, and nothing says what to do then"
            whole = f"alarms.{kind}"
            say.errors.append(draft.at(_FILE, ("alarms",), text, hint, whole=whole))
        elif not said.look and not _shown(draft, one):
            told.add(kind)
            text = f"no point shows {tag}: say in words where to look"
            say.errors.append(draft.at(_FILE, ("alarms", kind, "look"), text))


def _shown(draft: Draft, one: Raised) -> bool:
    """A point shows it: one that its part needs, or those of the supply."""
    lanes = draft.lanes.values()
    return one.kind.name == "supply" or bool(points_of(one, draft.stations, lanes, draft.needs))

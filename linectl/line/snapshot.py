"""The line's whole state as plain data, and back: for replay, recovery and comparing runs.

Every class names its state fields (`FIELDS`); only those are written. Restoring builds a line
from the site and then fills them in.
"""

from __future__ import annotations

import copy
import hashlib
import json
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from linectl.image import Move
from linectl.line.gutters import Gutter
from linectl.line.recovery import telling

if TYPE_CHECKING:
    from linectl.line.line import Line

LINE_FIELDS = (
    "now", "crop_in_drum", "numbers", "words", "durable", "first_due", "released", "ready",
    "polled", "outputs", "release",
)  # fmt: skip
PRIVATE_FIELDS = ("_next_gutter", "_next_move", "_lanes_moving", "_bits", "_sent")


def snapshot(line: Line) -> dict[str, Any]:
    """Plain data: dicts, lists, strings, numbers. Taken between scans."""
    return {
        "line": {name: _plain(getattr(line, name)) for name in (*LINE_FIELDS, *PRIVATE_FIELDS)},
        "open": [list(move) for move in line.open_moves.values()],
        "gutters": [asdict(gutter) for gutter in line.gutters.values()],
        "alarms": line.alarms.plain(),
        "interventions": line.interventions.plain(),
        "enabling": _fields(line.by_hand.enabling),
        "moved_by_hand": _fields(line.by_hand.moved),
        "pulses": line.by_hand.pulses.plain(),
        "inputs": _fields(line.inputs),
        "causes": _fields(line.causes),
        "ledger": _fields(line.ledger_word),
        "waiting": _fields(line.waiting),
        "trips": line.first_out.saved(),
        "recovery": telling.plain(line.recovery),
        "lots": _fields(line.lots),
        "day": _fields(line.day),
        "order": _fields(line.order),
        "blend": _fields(line.order.blend),
        "scale": _fields(line.scale),
        "changeover": _fields(line.changeover),
        "tuning": _fields(line.tuning),
        "units": {unit.name: _fields(unit) for unit in line.units},
        "parts": {part.name: _fields(part) for part in line.parts},
    }


def restore(line: Line, saved: dict[str, Any]) -> None:
    """Fill a line built from the same site; it then goes on as the saved one would have."""
    saved = copy.deepcopy(saved)
    for name, value in saved["line"].items():
        setattr(line, name, _like(getattr(line, name), value))
    line.open_moves.clear()
    line.open_moves.update({row[0]: Move(*row) for row in saved["open"]})
    line.gutters.clear()
    line.gutters.update({row["id"]: Gutter(**row) for row in saved["gutters"]})
    line.alarms.fill(saved["alarms"])
    _fill(line.inputs, saved["inputs"])
    _fill(line.causes, saved["causes"])
    _fill(line.ledger_word, saved["ledger"])
    _fill(line.waiting, saved["waiting"])
    line.interventions.fill(saved["interventions"])
    _fill(line.by_hand.enabling, saved["enabling"])
    _fill(line.by_hand.moved, saved["moved_by_hand"])
    line.by_hand.pulses.fill(saved["pulses"])
    line.first_out.restore(saved["trips"])
    telling.fill(line.recovery, saved["recovery"])
    _fill(line.lots, saved["lots"])
    _fill(line.day, saved["day"])
    _fill(line.order, saved["order"])
    _fill(line.order.blend, saved["blend"])
    _fill(line.scale, saved["scale"])
    _fill(line.changeover, saved["changeover"])
    _fill(line.tuning, saved["tuning"])
    for unit in line.units:
        _fill(unit, saved["units"][unit.name])
    for part in line.parts:
        _fill(part, saved["parts"][part.name])
    line.causes.add_up()
    line.settled()


def digest(line: Line) -> str:
    """SHA-256 of state and outputs, for comparing two runs; the time itself is left out."""
    data = snapshot(line)
    del data["line"]["now"]
    return hashlib.sha256(json.dumps(data, sort_keys=True).encode()).hexdigest()


def _fields(thing: Any) -> dict[str, Any]:
    return {name: _plain(getattr(thing, name)) for name in type(thing).FIELDS}


def _fill(thing: Any, saved: dict[str, Any]) -> None:
    for name, value in saved.items():
        setattr(thing, name, _like(getattr(thing, name), value))


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return [[key, _plain(item)] for key, item in sorted(value.items())]
    if isinstance(value, set | frozenset):
        return sorted(value)
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, float) and value != value:
        return None
    return value


def _like(present: Any, value: Any) -> Any:
    """`value` in the type that `present` has."""
    if isinstance(present, dict):
        return dict(value)
    if isinstance(present, set):
        return set(value)
    if isinstance(present, list):
        return [float("nan") if item is None else item for item in value]
    return value

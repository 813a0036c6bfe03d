"""Checks supply groups: inputs of one card that lose their 24 V together, so that it shows."""

from __future__ import annotations

from collections import Counter

from linectl.site.draft import Draft, Findings
from linectl.site.hardware import Point
from linectl.site.iolist import Row
from linectl.site.roles import PERMISSIVES

PERMISSIVES_MIN = 2
"""Fewer inputs that read 1 in good health could not be told from eyes that see nothing."""


def check(draft: Draft, say: Findings) -> None:
    """Only bool inputs, of one device, and enough permissive ones in each group.

    Too few permissive ones is a warning: the group is no cause then, and its inputs are told one
    by one.
    """
    groups: dict[str, list[tuple[Row, Point]]] = {}
    for row, point in draft.points:
        if point.supply:
            groups.setdefault(point.supply, []).append((row, point))
    for name, members in groups.items():
        for row, point in members:
            _member(row, point, say)
        ((device, _),) = Counter(point.device for _, point in members).most_common(1)
        for row, point in members:
            if point.device != device:
                text = f"supply {name} is one of {device}, and this point is on {point.device}"
                hint = "a group is a card of one device: give this one another word"
                say.errors.append(row.finding("supply", text, hint))
        healthy = [p for _, p in members if p.tag.rpartition(".")[2] in PERMISSIVES]
        if len(healthy) < PERMISSIVES_MIN and not _unread(draft, name):
            text = (
                f"supply {name} has {len(healthy)} of the permissive inputs that tell it from "
                "eyes that see nothing: it is no cause"
            )
            hint = f"at least {PERMISSIVES_MIN} of {', '.join(PERMISSIVES)}; or leave it empty"
            say.warnings.append(members[0][0].finding("supply", text, hint))


def _unread(draft: Draft, name: str) -> bool:
    """True if a row of the group could not be read as a point."""
    read = {row.tag for row, _ in draft.points}
    return any(row.cells.get("supply") == name for row in draft.rows if row.tag not in read)


def _member(row: Row, point: Point, say: Findings) -> None:
    if point.direction == "out":
        text = "is an output; a supply group is of inputs"
        say.errors.append(row.finding("supply", text, "leave the cell empty"))
    elif not point.is_bool:
        text = "is a number; a lost supply shows on inputs that read 0 or 1"
        say.errors.append(row.finding("supply", text, "leave the cell empty"))

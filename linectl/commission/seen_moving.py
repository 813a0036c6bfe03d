"""What somebody at the plant model sees move, as the answer to `did it move, the right way?`."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

Moving = Mapping[str, Mapping[str, Any]]
"""By tag of the output: on, on_ms, direction, mm, way (see linectl_sim.moved)."""

OFF_MS = 200
"""What stands on all the time was off for more than this if it moved."""
WARNERS = (".horn", ".beacon")


def seen_moving(tag: str, before: Moving, after: Moving) -> str:
    """`yes`, `backwards`, the tags that moved in its place, or `no`.

    before: what the look before the pulse told, so that what stands on throughout counts as still;
    after: what has been on or moved since.
    """
    moved = {name for name in after if _moved(name, before, after)}
    if tag in moved:
        return "backwards" if after[tag].get("direction") == -1 else "yes"
    if not tag.endswith(WARNERS):
        moved = {name for name in moved if not name.endswith(WARNERS)}
    return " ".join(sorted(moved)) or "no"


def _moved(name: str, before: Moving, after: Moving) -> bool:
    told = after[name]
    if told.get("mm") is not None or told.get("way") is not None:
        return bool(told.get("mm") or told.get("way"))
    stood = {one for one in after if after[one].get("on") and before.get(one, {}).get("on")}
    if name not in stood:
        return bool(told.get("on_ms"))
    whole = max(after[one].get("on_ms") or 0 for one in stood)
    return whole - (told.get("on_ms") or 0) > OFF_MS

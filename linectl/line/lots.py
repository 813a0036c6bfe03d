"""The lots that are loaded now: substrate in the hopper, seed by crop, the packing hall's lot.

The line only keeps them and says where one is missing; nothing waits for a name, for a gutter
that stands wet while somebody looks for a label is worse than one without its lot. The ledger
writes them beside each gutter that is filled, sown or handed over.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from linectl.image import Loaded

if TYPE_CHECKING:
    from linectl.line.line import Line

SUBSTRATE, SEED, PACKING = "substrate", "seed", "packing"
KINDS = (SUBSTRATE, SEED, PACKING)
OVER = frozenset(("Stopped", "Idle", "Complete", "Aborted"))
"""States in which nobody sows or harvests: what was missing is missed no longer."""


class Lots:
    """`loaded`: [lot, by, since ms] by kind and crop, `seed green_oakleaf`; no crop but for
    seed."""

    FIELDS = ("loaded",)

    def __init__(self, line: Line) -> None:
        self._line = line
        self._ask = line.site.file.sowing.name_lots
        self.loaded: dict[str, list[Any]] = {}

    def told(self, rows: Iterable[Loaded]) -> None:
        """At start: what the record has as loaded."""
        self.loaded = {_key(row.kind, row.crop): [row.lot, row.by, row.since] for row in rows}
        self._line.changed = True

    def load(self, kind: str, crop: str, lot: str, by: str) -> None:
        """A person says which lot is loaded now; an empty one: nobody knows."""
        if lot:
            self.loaded[_key(kind, crop)] = [lot, by, self._line.now]
        else:
            self.loaded.pop(_key(kind, crop), None)
        self._line.changed = True

    def lot(self, kind: str, crop: str = "") -> str:
        """The lot that is loaded; empty where none is named."""
        row = self.loaded.get(_key(kind, crop))
        return str(row[0]) if row else ""

    def step(self) -> None:
        """A site that wants its lots named is told of each that is not, while it is used."""
        if not self._ask:
            return
        line = self._line
        crop = line.crop_in_drum
        said = f"seed lot of {crop.replace('_', ' ')}"
        self._watch(SUBSTRATE, line.sowing.state, line.sowing.mode, "", "substrate lot")
        self._watch(SEED, line.sowing.state, line.sowing.mode, crop, said)
        self._watch(PACKING, line.harvest.state, line.harvest.mode, "", "packing lot")

    def _watch(self, kind: str, state: str, mode: str, crop: str, said: str) -> None:
        alarms, tag = self._line.alarms, f"lot.{kind}"
        text = f"no {said} is named: gutters go on without it"
        present = alarms.standing.get(tag)
        if present is not None and (self.lot(kind, crop) or state in OVER or present.text != text):
            alarms.clear(tag)
        if state == "Execute" and mode == "production" and not self.lot(kind, crop):
            alarms.raise_(tag, "low", text)

    def status(self) -> list[dict[str, Any]]:
        """What is loaded, and what is used now and has no name (`lot` None). Times in seconds."""
        wanted = [(SUBSTRATE, ""), (SEED, self._line.crop_in_drum), (PACKING, "")]
        wanted += [_parts(key) for key in sorted(self.loaded) if _parts(key) not in wanted]
        return [self._told(kind, crop) for kind, crop in wanted]

    def _told(self, kind: str, crop: str) -> dict[str, Any]:
        lot, by, since = self.loaded.get(_key(kind, crop), (None, None, None))
        since_s = None if since is None else (self._line.now - since) / 1000
        return {"kind": kind, "crop": crop or None, "lot": lot, "by": by, "since_s": since_s}


def _key(kind: str, crop: str) -> str:
    return f"{kind} {crop}".rstrip()


def _parts(key: str) -> tuple[str, str]:
    kind, _, crop = key.partition(" ")
    return kind, crop

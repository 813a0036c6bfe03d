"""Where a lot went and where it came from: both ways, from what is stamped on its gutters.

Everything of a lot is one grouped reading of its gutters through the index of that kind of lot;
moves are not read, but for those by which a person corrected one. What nobody has named, and
what a person has corrected, is said: a trace that hides a doubt is worse than none.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple, TypeVar

from linectl.ledger import lots
from linectl.ledger.gutter_path import archived
from linectl.ledger.lots import COLUMNS, Lot, Weight
from linectl.ledger.schema import KINDS

LISTED_MAX = 1_000
"""Gutters listed one by one; beyond it their numbers are told as ranges."""

GROUPS = """
SELECT crop, lot, substrate_lot, seed_lot, packing_lot, lane, place, count(*),
       min(sown_ms), max(sown_ms), min(indexed_ms), max(indexed_ms),
       min(ejected_ms), max(ejected_ms), min(handed_ms), max(handed_ms),
       min(seat), max(seat), count(sown_ms), count(handed_ms)
FROM gutters WHERE {column} = ? GROUP BY 1, 2, 3, 4, 5, 6, 7
"""

GUTTERS = """
SELECT g.id, g.crop, g.lane, g.sown_ms, g.indexed_ms, g.ejected_ms, g.handed_ms, p.name,
       iif(p.kind = 'run', p.strokes - g.seat, NULL)
FROM gutters g JOIN places p ON p.id = g.place WHERE g.{column} = ? ORDER BY g.id LIMIT ?
"""

CORRECTED = f"""
SELECT DISTINCT g.id FROM gutters g CROSS JOIN moves m ON m.gutter = g.id
WHERE g.{{column}} = ? AND m.kind = {KINDS["correct"]}
"""
"""The words of the index of those moves: there are few, so every gutter costs one look."""

OPEN = """
SELECT DISTINCT g.id FROM moves m CROSS JOIN gutters g ON g.id = m.gutter
WHERE m.took_ms IS NULL AND g.{column} = ?
"""
"""Through the index of moves that were never told as done: some for each power cut."""


Key = TypeVar("Key")


class Span(NamedTuple):
    """From the first to the last time that something happened (ledger time); None: never."""

    from_ms: int | None
    to_ms: int | None


class Share(NamedTuple):
    """The gutters of a traced lot that share another lot with it. name None: not named.

    span: when they were sown, for a packing lot when they were handed over.
    """

    name: str | None
    crops: tuple[str, ...]
    gutters: int
    span: Span


class InLane(NamedTuple):
    """The traced gutters that went into one lane; `runs`: its runs and their slots, from mouth to
    tail, through which each gutter passes."""

    lane: int
    gutters: int
    indexed: Span
    ejected: Span
    runs: tuple[tuple[str, int], ...]


class Standing(NamedTuple):
    """Traced gutters that stand in a run now, in these slots."""

    run: str
    from_slot: int
    to_slot: int
    gutters: int


class GutterRow(NamedTuple):
    """One gutter in short. slot: None where its place has none."""

    id: int
    crop: str
    lane: int | None
    sown_ms: int | None
    indexed_ms: int | None
    ejected_ms: int | None
    handed_ms: int | None
    place: str
    slot: int | None


@dataclass(frozen=True)
class LotTrace:
    """A lot and all that shared a gutter with it."""

    lot: Lot
    gutters: int
    crops: dict[str, int]
    sown: Span
    indexed: Span
    ejected: Span
    handed: Span
    shares: dict[str, list[Share]]
    """By kind of lot: sowing, substrate, seed, packing, but for the lot's own."""
    lanes: list[InLane]
    now: dict[str, int]
    """Gutters by where they are: lanes, machine, packing, reject, removed, stock."""
    standing: list[Standing]
    ranges: list[tuple[int, int]]
    """The numbers of its gutters."""
    rows: list[GutterRow]
    """The first of them one by one."""
    weights: list[Weight]
    """Of the packing lot; of others none."""
    corrected: list[int]
    """Gutters that a person has corrected or removed."""
    uncertain: list[int]
    """Gutters of which a move was never seen done; what is under way now is among them."""
    remarks: list[str] = field(default_factory=list)
    """What this trace cannot tell, in sentences."""

    @property
    def kg(self) -> float | None:
        """What was weighed in all; None: nothing was."""
        return sum(weight.kg for weight in self.weights) if self.weights else None


class _Group(NamedTuple):
    """Gutters that are alike in all that a trace tells apart, as GROUPS gives them."""

    crop: str
    sowing: int | None
    substrate: int | None
    seed: int | None
    packing: int | None
    lane: int | None
    place: int
    gutters: int
    first_sown: int | None
    last_sown: int | None
    first_indexed: int | None
    last_indexed: int | None
    first_ejected: int | None
    last_ejected: int | None
    first_handed: int | None
    last_handed: int | None
    first_seat: int
    last_seat: int
    sown: int
    handed: int


def lot_trace(connection: sqlite3.Connection, lot: Lot) -> LotTrace:
    """The trace of one lot. Raises sqlite3.Error."""
    column = COLUMNS[lot.kind]
    run = connection.execute
    groups = [_Group(*row) for row in run(GROUPS.format(column=column), (lot.id,))]
    ids = [
        row[0] for row in run(f"SELECT id FROM gutters WHERE {column} = ? ORDER BY id", (lot.id,))
    ]
    told = LotTrace(
        lot=lot,
        gutters=len(ids),
        crops=_counted((group.crop, group.gutters) for group in groups),
        sown=_span((g.first_sown, g.last_sown) for g in groups),
        indexed=_span((g.first_indexed, g.last_indexed) for g in groups),
        ejected=_span((g.first_ejected, g.last_ejected) for g in groups),
        handed=_span((g.first_handed, g.last_handed) for g in groups),
        shares={kind: _shares(connection, kind, groups) for kind in COLUMNS if kind != lot.kind},
        lanes=_lanes(connection, groups),
        now=_now(connection, groups),
        standing=_standing(connection, groups),
        ranges=_ranges(ids),
        rows=[GutterRow(*row) for row in run(GUTTERS.format(column=column), (lot.id, LISTED_MAX))],
        weights=lots.weights(connection, lot.id) if lot.kind == "packing" else [],
        corrected=[row[0] for row in run(CORRECTED.format(column=column), (lot.id,))],
        uncertain=[row[0] for row in run(OPEN.format(column=column), (lot.id,))],
    )
    told.remarks.extend(_remarks(told, groups))
    told.remarks.extend(_archived(connection, told))
    return told


def _span(pairs: Iterable[tuple[int | None, int | None]]) -> Span:
    known = [(first, last) for first, last in pairs if first is not None and last is not None]
    if not known:
        return Span(None, None)
    return Span(min(first for first, _ in known), max(last for _, last in known))


def _counted(pairs: Iterable[tuple[str, int]]) -> dict[str, int]:
    counts: dict[str, int] = {}
    for name, count in pairs:
        counts[name] = counts.get(name, 0) + count
    return dict(sorted(counts.items()))


def _by(groups: Sequence[_Group], key: Callable[[_Group], Key]) -> dict[Key, list[_Group]]:
    found: dict[Key, list[_Group]] = {}
    for group in groups:
        found.setdefault(key(group), []).append(group)
    return found


def _shares(connection: sqlite3.Connection, kind: str, groups: Sequence[_Group]) -> list[Share]:
    """The other lots of that kind; only gutters that have come so far lack one."""
    found = []
    for identity, alike in _by(groups, lambda group: getattr(group, kind)).items():
        name = None
        if identity is not None:
            (name,) = connection.execute(
                "SELECT name FROM lots WHERE id = ?", (identity,)
            ).fetchone()
        count = sum(_came_to(kind, group) if name is None else group.gutters for group in alike)
        if kind == "packing":
            span = _span((g.first_handed, g.last_handed) for g in alike)
        else:
            span = _span((g.first_sown, g.last_sown) for g in alike)
        if count:
            crops = tuple(sorted({group.crop for group in alike if group.crop}))
            found.append(Share(name, crops, count, span))
    return sorted(found, key=lambda share: (share.span.from_ms or 0, share.name or ""))


def _came_to(kind: str, group: _Group) -> int:
    """How many of the group should have a lot of that kind."""
    if kind == "packing":
        return group.handed
    return max(group.sown, group.handed) if kind == "substrate" else group.sown


def _lanes(connection: sqlite3.Connection, groups: Sequence[_Group]) -> list[InLane]:
    found = []
    for lane, alike in _by(groups, lambda group: group.lane).items():
        if lane is None:
            continue
        runs = connection.execute(
            "SELECT name, slots FROM places WHERE lane = ? AND kind = 'run' ORDER BY id", (lane,)
        )
        found.append(
            InLane(
                lane,
                sum(group.gutters for group in alike),
                _span((g.first_indexed, g.last_indexed) for g in alike),
                _span((g.first_ejected, g.last_ejected) for g in alike),
                tuple((name, slots) for name, slots in runs),
            )
        )
    return sorted(found)


def _now(connection: sqlite3.Connection, groups: Sequence[_Group]) -> dict[str, int]:
    kinds = {row[0]: row[1:] for row in connection.execute("SELECT id, kind, name FROM places")}
    where = {"run": "lanes", "transfer": "lanes", "sowing": "machine", "harvest": "machine"}
    return _counted(
        (where.get(kinds[group.place][0], kinds[group.place][1]), group.gutters) for group in groups
    )


def _standing(connection: sqlite3.Connection, groups: Sequence[_Group]) -> list[Standing]:
    runs = {
        row[0]: row[1:]
        for row in connection.execute("SELECT id, name, strokes FROM places WHERE kind = 'run'")
    }
    found = []
    for place, alike in _by(groups, lambda group: group.place).items():
        if place in runs:
            name, strokes = runs[place]
            first = strokes - max(group.last_seat for group in alike)
            last = strokes - min(group.first_seat for group in alike)
            found.append(Standing(name, first, last, sum(group.gutters for group in alike)))
    return sorted(found)


def _ranges(ids: Iterable[int]) -> list[tuple[int, int]]:
    found: list[tuple[int, int]] = []
    for number in ids:
        if found and number == found[-1][1] + 1:
            found[-1] = (found[-1][0], number)
        else:
            found.append((number, number))
    return found


def _archived(connection: sqlite3.Connection, told: LotTrace) -> list[str]:
    """What people corrected before an archive's end is in the archive alone."""
    gone = archived(connection)
    began = told.sown.from_ms if told.sown.from_ms is not None else told.lot.opened_ms
    if gone is None or began > gone.at_ms:
        return []
    return [f"{gone.text}: whether a person corrected one of its gutters then is told there"]


def _remarks(told: LotTrace, groups: Sequence[_Group]) -> list[str]:
    """What this trace cannot tell."""
    said = []
    if not told.gutters:
        said.append(f"no gutter has this {told.lot.kind} lot: was its name mistyped?")
    for kind, shares in told.shares.items():
        missing = sum(share.gutters for share in shares if share.name is None)
        if missing:
            said.append(f"{missing} of its gutters have no {kind} lot: not named")
    if told.corrected:
        said.append(
            f"{len(told.corrected)} of its gutters were corrected or removed by a person:"
            " trace each by its number"
        )
    if told.uncertain:
        said.append(
            f"of {len(told.uncertain)} of its gutters a move was never seen done (or is under way"
            " now): trace each by its number"
        )
    unnamed = sum(group.gutters for group in groups if not group.crop)
    if unnamed:
        said.append(f"{unnamed} of its gutters have no crop: nobody knows what was sown")
    if told.lot.kind == "packing" and not told.weights:
        said.append("nothing was weighed of it")
    foreign = {weight.crop for weight in told.weights} - {"", *told.crops}
    if foreign:
        crops = ", ".join(sorted(foreign))
        said.append(f"weighed of it, though no gutter of it had that crop: {crops}")
    return said

"""The ledger's file, read through a connection of its own, held against the plant's bodies."""

from __future__ import annotations

import sqlite3
from collections.abc import Container
from typing import Any, NamedTuple

from linectl.image import Move

ENDS = ("stock", "packing", "reject", "removed")


class Last(NamedTuple):
    """The newest move of a gutter, and whether it was seen done."""

    kind: str
    source: str
    dest: str
    done: bool


def differences(
    path: str, plant: Any, open_moves: list[Move], leave: Container[int] = ()
) -> list[str]:
    """Every gutter whose place in the ledger is not its body's; empty when they agree.

    leave: gutters not looked at. A body on its way may have either end of its open move; a row
    under an open stroke stands on its slots or one further.
    """
    stands = _ledger(path)
    bodies = {gutter: place for place, gutter in plant.places().items() if gutter is not None}
    unnamed = [place for place, gutter in plant.places().items() if gutter == -1]
    unnamed_in_ledger = {place for gutter, place in stands.items() if gutter < 0}
    last = {move.gutter: move for move in open_moves if move.kind not in ("process", "stroke")}
    stroking = {move.source for move in open_moves if move.kind == "stroke"}
    said = [
        f"gutter {gutter}: ledger {stands.get(gutter)}, body {bodies.get(gutter)}"
        for gutter in sorted((stands.keys() | bodies.keys()) - {-1})
        if gutter > 0 and gutter not in leave
        and not _agree(stands.get(gutter), bodies.get(gutter), last.get(gutter), stroking)
    ]  # fmt: skip
    feeding = any(move.kind == "feed" for move in open_moves)
    said += [
        f"a gutter without a name at {place}"
        for place in unnamed
        if place not in unnamed_in_ledger and not (place == "magazine" and feeding)
    ]
    return said


def _agree(told: str | None, body: str | None, move: Move | None, stroking: set[str]) -> bool:
    told = None if told in ENDS else told
    body = None if body in ENDS else body
    if told == body:
        return True
    run, _, slot = (told or "").rpartition(".")
    there, _, further = (body or "").rpartition(".")
    if run in stroking and run == there:
        return int(further) - int(slot) in (0, 1)
    if move is None:
        return False
    ends = {None if end in ENDS else end for end in (move.source, move.dest)}
    if move.kind == "transfer":
        ends |= {body} if body and body.count(".") == 1 else set()
    return told in ends and (body in ends)


def _ledger(path: str) -> dict[int, str]:
    """Place of every gutter in the machine; those without a name below zero."""
    with sqlite3.connect(path) as connection:
        rows = connection.execute(
            "SELECT g.id, p.name, p.kind, p.strokes - g.seat FROM gutters g"
            " JOIN places p ON p.id = g.place WHERE p.kind != 'end'"
        ).fetchall()
    connection.close()
    return {
        gutter: f"{name}.{slot}" if kind == "run" else name for gutter, name, kind, slot in rows
    }

"""Of a hand-over: who approved the matrix, what the proof on the model found, the field tests."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from linectl.commission.field_record import OUTSTANDING, FieldStanding, field_standing
from linectl.commission.hand_over.parts import Lack, Part, Table, table_of
from linectl.commission.proof import NOT_A_VALIDATION, CellResult
from linectl.commission.prove.kept import Kept
from linectl.commission.prove.promised import promises
from linectl.errors import UsageError
from linectl.site.approval import approval_line, standing
from linectl.site.model import Site

CELLS = ("cause", "effect", "kind", "expected", "outcome", "reaction_ms", "limit_ms", "detail")
TESTS = (
    "cause", "text", "state", "due", "at", "result", "points", "off_ms", "seen", "also_moved",
    "tested_by", "witness", "note",
)  # fmt: skip
NAMED = 5
"""Causes that one line names; the others are counted."""


@dataclass(frozen=True)
class KeptProof:
    """What a file of `prove --resume` holds for this site as it is now."""

    cells: Mapping[str, tuple[CellResult, ...]]
    """By cause."""
    unproven: tuple[str, ...]
    """Causes of which it holds nothing."""
    others: int
    """Rows of it that were proven for other site files or with another version."""

    @property
    def failed(self) -> tuple[CellResult, ...]:
        return tuple(
            cell for cells in self.cells.values() for cell in cells if cell.outcome == "fail"
        )


def kept_proof(site: Site, path: Path) -> KeptProof:
    """Raises UsageError if the file cannot be read as one of `prove --resume`."""
    rows = list(_rows(path))
    cells: dict[str, tuple[CellResult, ...]] = {}
    for seed in dict.fromkeys(row["seed"] for row in rows):
        cells |= Kept(site, seed, path).cells
    unproven = tuple(one.name for one in promises(site) if one.name not in cells)
    others = sum(row.get("site_digest") != site.digest for row in rows)
    return KeptProof(cells, unproven, others)


def _rows(path: Path) -> Iterator[Mapping[str, Any]]:
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(f"{path}: cannot be read as a kept proof ({error})") from error
    for line in lines:
        try:
            row = json.loads(line)
        except ValueError:
            continue  # the end of a line that an interruption has torn
        if not isinstance(row, dict) or not {"seed", "cells", "cause"} <= row.keys():
            raise UsageError(f"{path}: is no proof as `linectl prove SITE --resume FILE` keeps it")
        yield row


def interlocks_part(site: Site, proof: KeptProof | None, today: dt.date) -> Part:
    """proof: None where no file was named."""
    field = field_standing(site, today)
    outstanding = len(field.outstanding)
    if proof is None:
        text = f"No proof on the model was named. Field test outstanding: {outstanding} causes."
    else:
        text = f"{_proof_text(proof)}. {NOT_A_VALIDATION.format(causes=outstanding)}"
    text = f"Matrix: {approval_line(site)}. {text}"
    tables = [field_table(field)]
    if proof is not None:
        every = (vars(cell) for cells in proof.cells.values() for cell in cells)
        tables.append(table_of("proof", "Proof on the plant model, cell by cell", CELLS, every))
    lacks = (*_approval(site), *_proof(site, proof), *_field(site, field))
    title = "Interlocks: approval, proof, field tests"
    return Part("interlocks", title, text, tuple(tables), lacks)


def field_table(field: FieldStanding) -> Table:
    """Every cause with its last test on the machine, what is outstanding first."""
    ordered = sorted(field.causes, key=lambda one: one.state not in OUTSTANDING)
    rows = ({**(vars(one.last) if one.last else {}), **vars(one)} for one in ordered)
    return table_of("field_tests", "Field tests, the last of each cause", TESTS, rows)


def _proof_text(proof: KeptProof) -> str:
    count = sum(len(cells) for cells in proof.cells.values())
    return (
        f"On the model: {count} cells of {len(proof.cells)} causes, {len(proof.failed)} failed,"
        f" {len(proof.unproven)} causes unproven"
    )


def _approval(site: Site) -> Iterator[Lack]:
    now = standing(site)
    if now.approval is None or now.differences:
        yield Lack(f"matrix: {now.line}", f'linectl prove {site.folder} --approve "NAME"')


def _proof(site: Site, proof: KeptProof | None) -> Iterator[Lack]:
    again = f"linectl prove {site.folder} --resume proof.jsonl, then --proof proof.jsonl here"
    if proof is None:
        yield Lack("no proof of the interlocks on the plant model was named", again)
        return
    if proof.failed:
        yield Lack(f"cells that failed on the model: {len(proof.failed)}", again)
    if proof.unproven:
        other = f"; the file holds {proof.others} of other site files" if proof.others else ""
        yield Lack(f"causes not proven on the model: {_few(proof.unproven)}{other}", again)


def _field(site: Site, field: FieldStanding) -> Iterator[Lack]:
    do = f"linectl prove {site.folder} --field"
    for state in OUTSTANDING:
        if those := [one.cause for one in field.of(state)]:
            yield Lack(f"field tests, {state}: {_few(those)}", do)
    for finding in field.unreadable:
        yield Lack(str(finding), "put the row back from a copy, or test again")


def _few(names: tuple[str, ...] | list[str]) -> str:
    """`7: a, b, c, d, e and 2 more`."""
    more = f" and {len(names) - NAMED} more" if len(names) > NAMED else ""
    return f"{len(names)}: {', '.join(names[:NAMED])}{more}"

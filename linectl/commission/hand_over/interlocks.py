"""Of a hand-over: who approved the matrix, what the proof on the model found, the field tests."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from linectl.commission.field_record import OUTSTANDING, FieldStanding, field_standing
from linectl.commission.hand_over.parts import Lack, Part, Table, table_of
from linectl.commission.proof import NOT_A_VALIDATION
from linectl.commission.prove.kept import FILE as PROOF
from linectl.commission.prove.kept import kept_cells
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
    """What a file of `prove --resume` holds for this site's matrix as it is now."""

    cells: Mapping[str, Sequence[Mapping[str, Any]]]
    """By cause."""
    unproven: tuple[str, ...]
    """Causes of which it holds nothing."""

    @property
    def failed(self) -> int:
        """Cells."""
        every = (cell for cells in self.cells.values() for cell in cells)
        return sum(cell["outcome"] == "fail" for cell in every)


def kept_proof(site: Site, path: Path) -> KeptProof:
    """Raises UsageError if the file cannot be read."""
    try:
        cells = kept_cells(site, path)
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(f"{path}: cannot be read as a kept proof ({error})") from error
    return KeptProof(cells, tuple(one.name for one in promises(site) if one.name not in cells))


def interlocks_part(site: Site, proof: KeptProof | None, today: dt.date) -> Part:
    """proof: None where there is none."""
    field = field_standing(site, today)
    outstanding = len(field.outstanding)
    if proof is None:
        text = f"There is no proof on the model. Field test outstanding: {outstanding} causes."
    else:
        text = f"{_proof_text(proof)}. {NOT_A_VALIDATION.format(causes=outstanding)}"
    text = f"Matrix: {approval_line(site)}. {text}"
    tables = [field_table(field)]
    if proof is not None:
        every = (cell for cells in proof.cells.values() for cell in cells)
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
        f"On the model: {count} cells of {len(proof.cells)} causes, {proof.failed} failed,"
        f" {len(proof.unproven)} causes unproven"
    )


def _approval(site: Site) -> Iterator[Lack]:
    now = standing(site)
    if now.approval is None or now.differences:
        yield Lack(f"matrix: {now.line}", f'linectl prove {site.folder} --approve "NAME"')


def _proof(site: Site, proof: KeptProof | None) -> Iterator[Lack]:
    again = f"linectl prove {site.folder} --resume {site.folder}/{PROOF}"
    if proof is None:
        yield Lack("there is no proof of the interlocks on the plant model", again)
        return
    if proof.failed:
        yield Lack(f"cells that failed on the model: {proof.failed}", again)
    if proof.unproven:
        yield Lack(f"causes not proven on the model as they are: {_few(proof.unproven)}", again)


def _field(site: Site, field: FieldStanding) -> Iterator[Lack]:
    do = f"linectl prove {site.folder} --field"
    for state in OUTSTANDING:
        if those := [one.cause for one in field.of(state)]:
            yield Lack(f"field tests, {state}: {_few(those)}", do)
    for finding in field.unreadable:
        yield Lack(str(finding), "put the row back from a copy, or test again")


def _few(names: Sequence[str]) -> str:
    """`7: a, b, c, d, e and 2 more`."""
    more = f" and {len(names) - NAMED} more" if len(names) > NAMED else ""
    return f"{len(names)}: {', '.join(names[:NAMED])}{more}"

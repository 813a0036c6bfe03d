"""Causes already proven, kept as JSON Lines so that a long proof can be taken up again."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from linectl import __version__
from linectl.commission.proof import CellResult, Check, OutputReaction
from linectl.site.approval import digest_of_rows
from linectl.site.matrix_rows import matrix_rows
from linectl.site.model import Site

FILE = "proof.jsonl"
"""In a site's folder: what the list of commissioning looks at."""


class Kept:
    """What a file holds for this site, version and seed; lines of another are left alone.

    `path` None: nothing is kept.
    """

    def __init__(self, site: Site, seed: int, path: Path | None) -> None:
        self._key = {"site_digest": site.digest, "version": __version__, "seed": seed}
        self._matrix = digest_of_rows(matrix_rows(site))
        self._path = path
        self.cells: dict[str, tuple[CellResult, ...]] = {}
        self.consequences: dict[str, tuple[str, ...]] = {}
        if path is not None and path.exists():
            for line in path.read_text(encoding="utf-8").splitlines():
                self._take(line)

    def add(self, cause: str, cells: Sequence[CellResult], consequences: Sequence[str]) -> None:
        """One cause is done: append it."""
        if self._path is None:
            return
        row = {
            **self._key, "matrix": self._matrix, "cause": cause,
            "cells": [asdict(cell) for cell in cells], "consequences": list(consequences),
        }  # fmt: skip
        with self._path.open("a", encoding="utf-8") as file:
            file.write(json.dumps(row, ensure_ascii=False) + "\n")

    def _take(self, line: str) -> None:
        try:
            row: dict[str, Any] = json.loads(line)
        except ValueError:
            return  # the end of a line that an interruption has torn
        if any(row.get(key) != value for key, value in self._key.items()):
            return
        self.cells[row["cause"]] = tuple(_cell(cell) for cell in row["cells"])
        self.consequences[row["cause"]] = tuple(row["consequences"])


def _cell(row: dict[str, Any]) -> CellResult:
    return CellResult(
        **{
            **row,
            "checks": tuple(Check(**check) for check in row["checks"]),
            "outputs": tuple(OutputReaction(**output) for output in row["outputs"]),
            "unseen": tuple(row["unseen"]),
        }
    )


def kept_outcomes(site: Site, path: Path) -> dict[str, bool]:
    """Cause → no cell of it failed, of what was proven with this matrix and this version.

    Doses, timers and texts are no part of a matrix, so a proof outlives a change of them.
    """
    return {
        cause: all(cell["outcome"] != "fail" for cell in cells)
        for cause, cells in kept_cells(site, path).items()
    }


def kept_cells(site: Site, path: Path) -> dict[str, list[dict[str, Any]]]:
    """Cause → its cells as they were kept last, of this matrix and this version."""
    matrix = digest_of_rows(matrix_rows(site))
    found: dict[str, list[dict[str, Any]]] = {}
    if not path.exists():
        return found
    for line in path.read_text(encoding="utf-8").splitlines():
        try:
            row = json.loads(line)
            cells = row["cells"]
            whole = all("outcome" in cell for cell in cells)
            if whole and row["version"] == __version__ and row["matrix"] == matrix:
                found[row["cause"]] = cells
        except (ValueError, KeyError, TypeError):
            continue  # torn, or from before matrices were kept: it proves nothing
    return found

"""Whatever is taken out of a site's interlocks by hand, `check` names it: every row, every cell and
every condition of the small site in turn. Some is refused because something that moves would go
on; the rest differs from what was approved. The share of the first alone is printed."""

from __future__ import annotations

import datetime as dt
import re
import shutil
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import pytest

from linectl.commission.approve import approve_site
from linectl.commission.check_site import check_site
from linectl.errors import Finding
from linectl.site.approval import approval_findings
from linectl.site.check import cross_check
from linectl.site.complaints import part, validated
from linectl.site.draft import draft_of
from linectl.site.interlocks import Cause, InterlockFile
from linectl.site.load import load_site, read_sources
from linectl.site.patterns import with_outputs_named
from linectl.site.sheet import Node

CONFIG = Path(__file__).parents[2] / "config"
BY = "somebody who was asked"
FILE = "interlocks.yaml"


class Found(NamedTuple):
    """What `check` says of an edited site, without and with its approval."""

    alone: list[Finding]
    approval: list[Finding]


class Bench:
    """The small site, approved; its interlocks edited in memory, all else read once."""

    def __init__(self, folder: Path) -> None:
        shutil.copytree(CONFIG / "small", folder)
        approve_site(folder, BY, dt.date(2026, 3, 2))
        sources = read_sources(folder, [])
        self.site = load_site(folder)
        self.tree = sources.trees[FILE]
        self.draft = draft_of(folder, sources.trees, sources.rows, [])

    def check(self, tree: Node) -> Found:
        """What `check` would say if interlocks.yaml held this tree."""
        alone: list[Finding] = []
        file = validated(InterlockFile, tree, alone)
        causes = {name: part(Cause, node) for name, node in tree.value["causes"].value.items()}
        draft = replace(
            self.draft,
            trees={**self.draft.trees, FILE: tree},
            causes={name: cause for name, cause in causes.items() if cause is not None},
        )
        said = cross_check(draft)
        alone += [*said.errors, *said.warnings]
        if file is None or said.errors:
            return Found(alone, [])
        locks = with_outputs_named(file, self.site.points)
        return Found(alone, approval_findings(self.site.model_copy(update={"interlocks": locks})))


@pytest.fixture(scope="module")
def bench(tmp_path_factory) -> Bench:
    return Bench(tmp_path_factory.mktemp("approved") / "small")


def _without(node: Node, *path: str | int) -> Node:
    """The tree without the key or list entry at `path`."""
    key, rest = path[0], path[1:]
    if isinstance(node.value, dict):
        value = {k: v for k, v in node.value.items() if rest or k != key}
        if rest:
            value[key] = _without(node.value[key], *rest)
        return replace(node, value=value)
    items = [item for place, item in enumerate(node.value) if rest or place != key]
    if rest:
        items[int(key)] = _without(items[int(key)], *rest)
    return replace(node, value=items)


def _removals(bench: Bench) -> Iterator[tuple[str, str, Node]]:
    """(kind, cause, tree without it) for every row, every cell, every condition."""
    locks = bench.site.interlocks
    for name, cause in locks.causes.items():
        yield "row", name, _without(_without(bench.tree, "causes", name), "matrix", name)
        row = bench.tree.value["matrix"].value[name].value
        for place, cell in enumerate(locks.cells(name)):
            key = cell.effect if isinstance(row, dict) else place
            yield "cell", name, _without(bench.tree, "matrix", name, key)
        for place in range(len(cause.when)):
            yield "condition", name, _without(bench.tree, "causes", name, "when", place)


def _names(found: Finding, row: str, points: set[str]) -> bool:
    """The row by its own name, or a point that it reads."""
    words = re.findall(r"[\w.]+", f"{found.key} {found.message}")
    parts = {part for word in words for part in word.split(".")}
    return row in parts or any(word.removeprefix("causes.") in points for word in words)


def test_every_row_cell_and_condition_that_is_removed_is_named(bench: Bench) -> None:
    # S01
    counts: dict[str, list[bool]] = {}
    unnamed = []
    for kind, name, tree in _removals(bench):
        points = {test.point for test in bench.site.interlocks.causes[name].when}
        found = bench.check(tree)
        alone = any(_names(one, name, points) for one in found.alone)
        counts.setdefault(kind, []).append(alone)
        if not alone and not any(_names(one, name, points) for one in found.approval):
            unnamed.append((kind, name))
    for kind, seen in counts.items():
        print(f"{kind}s removed {len(seen)}, named without the approval {sum(seen)}")
    assert unnamed == []
    assert len(counts["row"]) > 50
    assert all(counts["row"]), "a whole row is missed without any approval"


def test_the_untouched_site_is_not_complained_of(bench: Bench) -> None:
    assert bench.check(bench.tree) == ([], [])


def _rows_by_hand(text: str, name: str) -> str:
    """The file's text without the cause's lines and without its row of the matrix."""
    text = re.sub(rf"^  {name}:\n(    .*\n)+", "", text, count=1, flags=re.M)
    return re.sub(rf"^  {name}: .*\n", "", text, count=1, flags=re.M)


BY_HAND: Mapping[str, str] = {
    "guard_seed": "causes.guard_seed.closed",
    "limits_outfeed": "causes.outfeed.limits_ok",
    "hopper_empty": "approval.causes.hopper_empty",
}


@pytest.mark.parametrize("name", BY_HAND)
def test_a_row_taken_out_of_the_file_by_hand_is_named_by_check(tmp_path: Path, name: str) -> None:
    folder = tmp_path / "small"
    shutil.copytree(CONFIG / "small", folder)
    approve_site(folder, BY, dt.date(2026, 3, 2))
    path = folder / FILE
    text = path.read_text(encoding="utf-8")
    path.write_text(_rows_by_hand(text, name), encoding="utf-8")
    report = check_site(folder)
    assert BY_HAND[name] in {found.key for found in (*report.errors, *report.warnings)}

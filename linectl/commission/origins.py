"""A site resolved over what it extends: every value with the file and line that it came from."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from linectl.errors import Finding, SiteError
from linectl.site.hardware import Point
from linectl.site.iolist import COLUMNS, Row, address_both_ways
from linectl.site.load import OPTIONAL, YAML_FILES, load_site, read_sources
from linectl.site.model import Site
from linectl.site.rowfile import rows_text
from linectl.site.sheet import Node, TreePath, dotted, walk

FROM = "# from"
"""The column of a resolved io.csv that says where each row came from; the site does not read it."""
_PLAIN = re.compile(r"(?:[A-Za-z_/]|\.\.?/)[\w./-]*(?: [\w./-]+)*|\d+(?:\.\d+)?(?:ms|[dhms])")
_RESERVED = frozenset({"true", "false", "null", "yes", "no", "on", "off", "y", "n", ".nan", ".inf"})
_FLOW_WIDTH = 160


class Origin(NamedTuple):
    """A place in a file, as findings name it."""

    file: str
    line: int

    def __str__(self) -> str:
        return f"{self.file}:{self.line}"


class Given(NamedTuple):
    """A value of a YAML file: its key as a person reads it, and where it was written."""

    file: str
    key: str
    value: Any
    origin: Origin


class Cell(NamedTuple):
    """A cell of a row. `origin` is the row's place, or that of the device or part whose word counts
    where the row says none."""

    value: str
    origin: Origin
    by: str
    """"row", "device" or "part"."""


@dataclass(frozen=True)
class ResolvedRow:
    """One row of the IO list with the cells that count, and the row that it replaced."""

    tag: str
    row: Row
    cells: Mapping[str, Cell]
    where: str
    """The place that its address means, both ways."""

    @property
    def origin(self) -> Origin:
        return Origin(self.row.file, self.row.line)

    @property
    def replaces(self) -> Origin | None:
        old = self.row.replaces
        return Origin(old.file, old.line) if old else None


@dataclass(frozen=True)
class Resolved:
    """A checked site with the origin of everything it says."""

    site: Site
    trees: Mapping[str, Node]
    rows: tuple[ResolvedRow, ...]

    def values(self) -> Iterator[Given]:
        """Every single value of the YAML files, in their order; a list of plain values is one."""
        for name in YAML_FILES:
            for path, node in _singles(self.trees[name]):
                yield Given(name, dotted(path), node.plain(), Origin(node.file, node.line))

    def as_json(self) -> dict[str, Any]:
        return {
            "site": self.site.name,
            "values": [
                {"file": v.file, "key": v.key, "value": v.value, "from": v.origin._asdict()}
                for v in self.values()
            ],
            "rows": [
                {
                    "tag": row.tag,
                    "where": row.where,
                    "from": row.origin._asdict(),
                    "replaces": row.replaces._asdict() if row.replaces else None,
                    "cells": {
                        column: {"value": c.value, "from": c.origin._asdict(), "by": c.by}
                        for column, c in row.cells.items()
                    },
                }
                for row in self.rows
            ],
        }

    def files(self) -> dict[str, str]:
        """The resolved files by name: a site that extends nothing, each value with its origin."""
        written = [name for name in YAML_FILES if self.trees[name].value or name not in OPTIONAL]
        made = {name: _yaml(name, self.site.name, self.trees[name]) for name in written}
        rows = [{**row.row.cells, FROM: str(row.origin)} for row in self.rows]
        used = {column for cells in rows for column in cells}
        columns = [column for column in (*COLUMNS, FROM) if column in used]
        return made | {"io.csv": rows_text(columns, rows)}


def resolved(folder: Path) -> Resolved:
    """The site in `folder`, resolved. Raises SiteError with every finding if it is wrong."""
    site = load_site(folder)
    findings: list[Finding] = []
    sources = read_sources(folder, findings)
    if findings:
        raise SiteError(findings)
    made = tuple(
        ResolvedRow(
            row.tag,
            row,
            _cells(row, point, sources.trees["site.yaml"]),
            address_both_ways(point),
        )
        for row, point in zip(sources.rows, site.points, strict=True)
    )
    return Resolved(site, sources.trees, made)


def _cells(row: Row, point: Point, tree: Node) -> dict[str, Cell]:
    """The row's own cells, then what its device and its part say where it says nothing."""
    here = Origin(row.file, row.line)
    cells = {
        column: Cell(row.cells[column], here, "row") for column in COLUMNS if column in row.cells
    }
    device: TreePath = ("devices", point.device)
    inherited = {"byte_order": point.byte_order}
    if point.words == 2 and point.word_order:
        inherited["word_order"] = point.word_order
    for key, value in inherited.items():
        node = tree.at((*device, key))
        if key not in cells and not isinstance(node.value, dict):
            cells[key] = Cell(value, Origin(node.file, node.line), "device")
    if "zone" not in cells and point.zone:
        part = point.tag.split(".")[0]
        node = _part(tree, part)
        cells["zone"] = Cell(point.zone, Origin(node.file, node.line), "part")
    return cells


def _part(tree: Node, part: str) -> Node:
    """Where site.yaml says the zone of a tag's part: a station, a lane, a zone or its guard."""
    stations, zones = tree.at(("stations",)), tree.at(("zones",))
    if stations.child(part) is not None:
        return tree.at(("stations", part, "zone"))
    if zones.child(part) is not None:
        return tree.at(("zones", part))
    if part.startswith("guard_") and isinstance(zones.value, dict):
        for zone, node in zones.value.items():
            if part.removeprefix("guard_") in (node.at(("guards",)).plain() or ()):
                return tree.at(("zones", zone, "guards"))
    lanes = tree.at(("lanes",))
    for lane in lanes.value if isinstance(lanes.value, list) else ():
        number = lane.child("id")
        if number is not None and part == f"lane{number.value}":
            found: Node = lane.at(("zone",))
            return found
    return tree


def _singles(tree: Node) -> Iterator[tuple[TreePath, Node]]:
    """Leaves, and lists of nothing but leaves, with their paths."""
    inside: TreePath | None = None
    for path, node in walk(tree):
        if inside is not None and path[: len(inside)] == inside:
            continue
        inside = None
        if _is_leaf(node):
            yield path, node
        elif isinstance(node.value, list) and all(_is_leaf(item) for item in node.value):
            inside = path
            yield path, node


def _is_leaf(node: Node) -> bool:
    return not node.value or not isinstance(node.value, dict | list)


def _yaml(file: str, site: str, tree: Node) -> str:
    """The tree as YAML 1.2, each value's origin in a comment behind it."""
    head = (
        f"# {file} of {site}, resolved: behind each value stands where it was written.\n"
        "# Made by `linectl resolved`. Change the files named there, not this one.\n"
    )
    return head + "".join(f"{line}\n" for line in _mapping(tree, 0))


def _mapping(node: Node, depth: int) -> Iterator[str]:
    for key, below in node.value.items():
        yield from _entry(f"{'  ' * depth}{_scalar(key)}:", below, depth)


def _entry(head: str, node: Node, depth: int) -> Iterator[str]:
    """A key or a dash with what stands behind it: on one line if all of it came from one."""
    text = _flow(node) if _from_one_line(node) else ""
    if text and len(head) + len(text) <= _FLOW_WIDTH:
        yield f"{head} {text}  # {node.file}:{_first(node).line}"
    elif isinstance(node.value, dict):
        yield head
        yield from _mapping(node, depth + 1)
    elif isinstance(node.value, list) and node.value:
        yield head
        for item in node.value:
            yield from _item(item, depth + 1)
    else:
        yield f"{head} {_flow(node)}  # {node.file}:{node.line}"


def _item(node: Node, depth: int) -> Iterator[str]:
    """An entry of a list; the first key of a mapping stands behind its dash."""
    dash = f"{'  ' * depth}-"
    lines = list(_entry(dash, node, depth))
    if lines[0] == dash and len(lines) > 1:
        lines[:2] = [f"{dash} {lines[1].lstrip()}"]
    yield from lines


def _first(node: Node) -> Node:
    """The first value within; the node itself if it is a single one."""
    while not _is_leaf(node):
        node = next(iter(node.value.values() if isinstance(node.value, dict) else node.value))
    return node


def _from_one_line(node: Node) -> bool:
    places = {(below.file, below.line) for _, below in walk(node) if _is_leaf(below)}
    return len(places) == 1


def _flow(node: Node) -> str:
    if isinstance(node.value, dict):
        return "{" + ", ".join(f"{_scalar(k)}: {_flow(n)}" for k, n in node.value.items()) + "}"
    if isinstance(node.value, list):
        return "[" + ", ".join(map(_flow, node.value)) + "]"
    return _scalar(node.value)


def _scalar(value: object) -> str:
    """A scalar as YAML reads it back: text plain where it cannot be taken for anything else."""
    if value is None:
        return "~"
    if isinstance(value, str):
        plain = _PLAIN.fullmatch(value) and value.lower() not in _RESERVED
        return value if plain else json.dumps(value, ensure_ascii=False)
    return json.dumps(value)

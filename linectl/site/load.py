"""Reads a site's folder, and those it extends, into one checked `Site`, or says all errors."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from linectl.errors import Finding, SiteError
from linectl.site.calibration import CalibrationFile
from linectl.site.check import cross_check
from linectl.site.check_tags import duplicates
from linectl.site.complaints import Model, validated
from linectl.site.crops import CropFile
from linectl.site.digest import digest_of
from linectl.site.draft import draft_of
from linectl.site.interlocks import InterlockFile
from linectl.site.iolist import Row, override, read_rows
from linectl.site.model import Site, SiteFile
from linectl.site.patterns import with_outputs_named
from linectl.site.profiles import with_profiles
from linectl.site.sheet import Node, empty, merge, read_yaml

YAML_FILES = ("site.yaml", "interlocks.yaml", "crops.yaml", "calibration.yaml")
OPTIONAL = frozenset({"calibration.yaml"})
"""Files that a site may be without."""
NOTHING_INSTEAD: Mapping[str, bytes] = MappingProxyType({})
_EXTENDS_MAX = 8
"""Sites that may stand on one another; more is a circle or past following."""


@dataclass(frozen=True)
class Sources:
    """A site's files, resolved: each tree merged over the sites it extends, rows in order."""

    trees: dict[str, Node]
    rows: tuple[Row, ...]


@dataclass(frozen=True)
class Reading:
    """What came of reading a folder: the site if nothing is wrong, else every finding."""

    site: Site | None
    errors: tuple[Finding, ...]
    warnings: tuple[Finding, ...]
    trees: Mapping[str, Node]
    """The resolved YAML files, for whoever finds more and wants to say in which line."""


def load_site(folder: str | os.PathLike[str]) -> Site:
    """The checked site in `folder`. Raises SiteError with every finding at once."""
    reading = read_site(folder)
    if reading.site is None:
        raise SiteError(reading.errors)
    return reading.site


def read_site(
    folder: str | os.PathLike[str], instead: Mapping[str, bytes] = NOTHING_INSTEAD
) -> Reading:
    """Reads and checks the site in `folder`; never raises for what a person wrote wrong.

    instead: what files of the site's own folder would hold, by name, so that a change can be tried
    before it is written.
    """
    errors: list[Finding] = []
    sources = read_sources(Path(folder), errors, instead)
    trees = sources.trees
    file = _checked(SiteFile, trees["site.yaml"], errors)
    crops = _checked(CropFile, trees["crops.yaml"], errors)
    interlocks = _checked(InterlockFile, trees["interlocks.yaml"], errors)
    calibration = validated(CalibrationFile, trees["calibration.yaml"], errors)
    if not sources.rows or not all(trees[name].value for name in trees.keys() - OPTIONAL):
        return Reading(None, _ordered(errors), (), trees)
    draft = draft_of(Path(folder), trees, sources.rows, errors)
    crossed = cross_check(draft)
    errors += crossed.errors
    warnings = _ordered(crossed.warnings)
    if errors or file is None or crops is None or interlocks is None or calibration is None:
        return Reading(None, _ordered(errors), warnings, trees)
    points = tuple(point for _, point in draft.points)
    interlocks = with_outputs_named(interlocks, points)
    digest = digest_of(file, points, crops, interlocks, calibration)
    site = Site(
        file=file,
        points=points,
        crops=crops,
        interlocks=interlocks,
        calibration=calibration,
        folder=str(folder),
        digest=digest,
    )
    return Reading(site, (), warnings, trees)


def _checked(model: type[Model], tree: Node, errors: list[Finding]) -> Model | None:
    """The tree as `model`; an empty tree could not be read, which has been said."""
    return validated(model, tree, errors) if tree.value else None


def read_sources(
    folder: Path, findings: list[Finding], instead: Mapping[str, bytes] = NOTHING_INSTEAD
) -> Sources:
    """The files of the site and of those it extends, merged; what cannot be read is found."""
    if not any((folder / name).exists() for name in (*YAML_FILES, "io.csv")):
        findings.append(_no_site(folder))
        return Sources({name: empty(name) for name in YAML_FILES}, ())
    chain = _chain(folder, findings, instead)
    trees: dict[str, Node] = {}
    rows: list[Row] = []
    for depth, (place, site_tree) in enumerate(chain):
        last = depth == len(chain) - 1
        at = _At(place, folder, depth, instead if place == folder else NOTHING_INSTEAD)
        for name in YAML_FILES:
            own = site_tree if name == "site.yaml" else _tree(at, name, findings)
            trees[name] = merge(trees[name], own, findings) if name in trees else own
        rows = _rows(at, rows, findings)
        if last and depth:
            _drop_extends(trees)
    trees["site.yaml"] = with_profiles(trees["site.yaml"], folder, findings)
    return Sources(trees, tuple(rows))


@dataclass(frozen=True)
class _At:
    """A folder of the chain, and what its files hold instead."""

    place: Path
    folder: Path
    depth: int
    instead: Mapping[str, bytes]

    def has(self, name: str) -> bool:
        return name in self.instead or (self.place / name).exists()


def _no_site(folder: Path) -> Finding:
    """One sentence for a folder that is none, or holds no site, instead of one for each file."""
    if folder.is_dir():
        text, near = "holds no file of a site", _sites_in(folder)
    elif folder.exists():
        text, near = "is a file; name the site's folder", None
    else:
        text, near = "there is no such folder", _sites_in(folder.parent)
    return Finding(str(folder), 1, "site", text, near)


def _chain(
    folder: Path, findings: list[Finding], instead: Mapping[str, bytes]
) -> list[tuple[Path, Node]]:
    """(folder, site.yaml) from the site extended first to the site itself."""
    chain: list[tuple[Path, Node]] = []
    place = folder
    while True:
        name = _shown(place, folder, "site.yaml")
        told = instead.get("site.yaml") if place == folder else None
        tree = read_yaml(place / "site.yaml", name, findings, instead=told)
        chain.insert(0, (place, tree))
        extends = tree.child("extends")
        if extends is None or not isinstance(extends.value, str):
            return chain
        place = Path(os.path.normpath(place / extends.value))
        if not place.is_dir():
            text = f"there is no folder {extends.value!r} beside this site"
            near = _sites_in(place.parent)
            findings.append(Finding(name, extends.line, "extends", text, near))
            return chain
        if len(chain) >= _EXTENDS_MAX or any(place.samefile(done) for done, _ in chain):
            text = "the sites extend one another in a circle"
            findings.append(Finding(name, extends.line, "extends", text))
            return chain


def _sites_in(folder: Path) -> str | None:
    """A hint that lists the sites in `folder`, if it holds any."""
    if not folder.is_dir():
        return None
    names = sorted(site.parent.name for site in folder.glob("*/site.yaml"))
    return "sites there: " + ", ".join(names) if names else None


def _tree(at: _At, name: str, findings: list[Finding]) -> Node:
    """One file of one site of the chain; only the first of the chain must have it, if any must."""
    shown = _shown(at.place, at.folder, name)
    if (at.depth or name in OPTIONAL) and not at.has(name):
        return empty(shown)
    return read_yaml(at.place / name, shown, findings, instead=at.instead.get(name))


def _rows(at: _At, rows: Sequence[Row], findings: list[Finding]) -> list[Row]:
    path = at.place / "io.csv"
    if at.depth and not at.has("io.csv"):
        return list(rows)
    shown = _shown(at.place, at.folder, "io.csv")
    own = read_rows(path, shown, findings, at.instead.get("io.csv"))
    findings += duplicates(own)
    return override(rows, own, findings) if at.depth else own


def _shown(place: Path, folder: Path, name: str) -> str:
    """How findings call a file: its own name, or its path as seen from the site's folder."""
    if place == folder:
        return name
    return Path(os.path.relpath(place, folder), name).as_posix()


def _drop_extends(trees: dict[str, Node]) -> None:
    """The resolved site stands on nothing any more; its digest must not tell the two apart."""
    tree = trees["site.yaml"]
    value = {key: node for key, node in tree.value.items() if key != "extends"}
    trees["site.yaml"] = Node(value, tree.file, tree.line)


def _ordered(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """By file, line and key, each once."""
    unique = dict.fromkeys(findings)
    return tuple(sorted(unique, key=lambda found: (found.file, found.line, found.key)))


__all__ = ["Reading", "Sources", "load_site", "read_site", "read_sources"]

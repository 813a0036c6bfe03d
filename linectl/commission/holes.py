"""Writes a hole that was found in a device's map into the site's own site.yaml, with a diff first.

Only the lines that must change are changed: comments, spacing and all else stay as a person wrote
them. A site that extends another gets the hole in its own file.
"""

from __future__ import annotations

import difflib
import io
import os
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, get_args

from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq
from ruamel.yaml.error import YAMLError
from ruamel.yaml.scalarstring import DoubleQuotedScalarString

from linectl.commission.whole_file import write_whole
from linectl.errors import UsageError
from linectl.site.complaints import nearest
from linectl.site.load import load_site
from linectl.site.notation import Table, address_range

_BOM = "\ufeff"


@dataclass(frozen=True)
class HoleEdit:
    """A change of site.yaml that is thought out and not yet made."""

    path: Path
    before: str
    after: str

    @property
    def diff(self) -> str:
        """What would change, as a unified diff; empty if the hole stands there already."""
        lines = difflib.unified_diff(
            self.before.splitlines(),
            self.after.splitlines(),
            str(self.path),
            f"{self.path} (new)",
            lineterm="",
            n=1,
        )
        return "\n".join(lines)

    def write(self) -> Path | None:
        """Makes the change; where the previous file is kept. Raises Unreachable."""
        if self.after == self.before:
            return None
        return write_whole(self.path, self.after.encode("utf-8"))


def planned_hole(folder: str | os.PathLike[str], device: str, table: str, text: str) -> HoleEdit:
    """The change that adds the range `text`, in the device's notation, to its holes.

    Raises SiteError if the site is wrong as it stands, UsageError for an unknown device or table, a
    range that cannot be read, or a file in which the place cannot be found.
    """
    facts = load_site(folder).file.devices
    if device not in facts:
        near = nearest(device, facts) or "see check"
        raise UsageError(f"there is no device {device!r}; {near}")
    tables: tuple[Table, ...] = get_args(Table)
    found = next((one for one in tables if one == table), None)
    if found is None:
        raise UsageError(f"there is no table {table!r}; {nearest(table, tables)}")
    try:
        new = address_range(found, text, facts[device].notation)
    except ValueError as error:
        raise UsageError(f"{device}: {error}") from None
    holes = facts[device].holes.get(found, ())
    path = Path(folder) / "site.yaml"
    before = path.read_bytes().decode("utf-8")
    if any(set(new) <= set(old) for old in facts[device].ranges(facts[device].holes, found)):
        return HoleEdit(path, before, before)
    return HoleEdit(path, before, _with_hole(path, before, device, found, (*holes, text)))


def _with_hole(path: Path, before: str, device: str, table: Table, holes: Sequence[str]) -> str:
    crlf = "\r\n" in before
    text = before.removeprefix(_BOM).replace("\r\n", "\n")
    by_hand = (
        f"{path}: the place for it cannot be found; write it by hand: devices: {{{device}: "
        f"{{holes: {{{table}: [{', '.join(map(_shown, holes))}]}}}}}}"
    )
    try:
        plain = _dumped(_loaded(text))
        data = _loaded(text)
        _add(data, device, table, holes)
        after = _transplanted(text, plain, _dumped(data))
        right = after is not None and _loaded(after) == data and _remarks(text) <= _remarks(after)
    except (YAMLError, AttributeError, TypeError):
        after, right = None, False
    if after is None or not right:
        raise UsageError(by_hand)
    after = after.replace("\n", "\r\n") if crlf else after
    return (_BOM if before.startswith(_BOM) else "") + after


def _add(data: CommentedMap, device: str, table: Table, holes: Sequence[str]) -> None:
    devices = _under(data, "devices", flow=False)
    tables = _under(_under(devices, device), "holes")
    values = [DoubleQuotedScalarString(text) if text.isdecimal() else text for text in holes]
    listed = tables.get(table)
    if listed is None:
        tables.insert(_place(tables), table, _flow(CommentedSeq(values)))
    elif list(listed) == values[:-1]:
        # in front of a list with an item a line: what stands behind it may be about what follows
        listed.insert(len(listed) if listed.fa.flow_style() else 0, values[-1])
    else:  # it was inherited in part
        tables[table] = _flow(CommentedSeq(values))


def _under(mapping: CommentedMap, key: str, flow: bool = True) -> CommentedMap:
    """The mapping under a key, made if there is none."""
    if key not in mapping:
        made = CommentedMap()
        mapping.insert(_place(mapping), key, _flow(made) if flow else made)
    found: CommentedMap = mapping[key]
    return found


def _place(mapping: CommentedMap) -> int:
    """Where a new key goes: last, but not behind a comment that belongs to what follows."""
    keys = list(mapping)
    if mapping.fa.flow_style():
        return len(keys)
    for place in range(len(keys), 0, -1):
        value = mapping[keys[place - 1]]
        nested = isinstance(value, CommentedMap | CommentedSeq) and not value.fa.flow_style()
        tokens = [token for token in mapping.ca.items.get(keys[place - 1], []) if token]
        if not nested and not any(_goes_on(token) for token in tokens):
            return place
    return 0


def _goes_on(comment: Any) -> bool:
    """True if a comment behind a value has more lines than the value's own."""
    parts = comment if isinstance(comment, list) else [comment]
    return bool(sum(part.value.count("\n") for part in parts) > 1)


def _remarks(text: str) -> Counter[str]:
    """The lines that are comments, and how often each stands there."""
    return Counter(line.strip() for line in text.splitlines() if line.lstrip().startswith("#"))


def _shown(text: str) -> str:
    return f'"{text}"' if text.isdecimal() else text


def _flow(collection: Any) -> Any:
    """Written in one line: `{…}` or `[…]`."""
    collection.fa.set_flow_style()
    return collection


def _yaml() -> YAML:
    yaml = YAML(typ="rt")
    yaml.preserve_quotes = True
    yaml.width = 1 << 16
    yaml.indent(mapping=2, sequence=4, offset=2)
    return yaml


def _loaded(text: str) -> Any:
    return _yaml().load(text)


def _dumped(data: Any) -> str:
    out = io.StringIO()
    _yaml().dump(data, out)
    return out.getvalue()


def _transplanted(text: str, plain: str, changed: str) -> str | None:
    """The changes from `plain` to `changed` made in `text`, which says the same as `plain`.

    `plain` is how the writer would have spelt `text`: only lines that both have may change. None if
    a changed line is spelt otherwise there.
    """
    old, spelt, new = text.splitlines(True), plain.splitlines(True), changed.splitlines(True)
    place: dict[int, int] = {}
    for block in difflib.SequenceMatcher(None, spelt, old, autojunk=False).get_matching_blocks():
        place.update((block.a + n, block.b + n) for n in range(block.size))
    edits = difflib.SequenceMatcher(None, spelt, new, autojunk=False).get_opcodes()
    for kind, first, end, new_first, new_end in reversed(edits):
        if kind == "equal":
            continue
        touched = list(range(first, end)) or [max(first - 1, 0)]
        if any(line not in place for line in touched):
            return None
        start = place[touched[0]] + (0 if end > first else 1)
        old[start : start + end - first] = new[new_first:new_end]
    return "".join(old)

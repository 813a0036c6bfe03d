"""Writes a hole that was found in a device's map into the site's own site.yaml, with a diff first.

Only the lines that must change are changed: comments, spacing and all else stay as a person wrote
them. A site that extends another gets the hole in its own file.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import get_args

from ruamel.yaml.comments import CommentedMap, CommentedSeq
from ruamel.yaml.scalarstring import DoubleQuotedScalarString

from linectl.commission.file_edit import FileEdit
from linectl.commission.yaml_edit import edited, in_one_line, place_for_new, under
from linectl.errors import UsageError
from linectl.site.complaints import nearest
from linectl.site.load import load_site
from linectl.site.notation import Table, address_range


def planned_hole(folder: str | os.PathLike[str], device: str, table: str, text: str) -> FileEdit:
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
        return FileEdit(path, before, before)
    return FileEdit(path, before, _with_hole(path, before, device, found, (*holes, text)))


def _with_hole(path: Path, before: str, device: str, table: Table, holes: Sequence[str]) -> str:
    by_hand = (
        f"{path}: the place for it cannot be found; write it by hand: devices: {{{device}: "
        f"{{holes: {{{table}: [{', '.join(map(_shown, holes))}]}}}}}}"
    )
    return edited(before, lambda data: _add(data, device, table, holes), by_hand)


def _shown(text: str) -> str:
    return f'"{text}"' if text.isdecimal() else text


def _add(data: CommentedMap, device: str, table: Table, holes: Sequence[str]) -> None:
    devices = under(data, "devices", flow=False)
    tables = under(under(devices, device), "holes")
    values = [DoubleQuotedScalarString(text) if text.isdecimal() else text for text in holes]
    listed = tables.get(table)
    if listed is None:
        tables.insert(place_for_new(tables), table, in_one_line(CommentedSeq(values)))
    elif list(listed) == values[:-1]:
        # in front of a list with an item a line: what stands behind it may be about what follows
        listed.insert(len(listed) if listed.fa.flow_style() else 0, values[-1])
    else:  # it was inherited in part
        tables[table] = in_one_line(CommentedSeq(values))

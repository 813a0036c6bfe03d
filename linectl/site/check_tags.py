"""Checks the IO list against the parts: every needed point there, once, of the right kind."""

from __future__ import annotations

from collections.abc import Sequence

from linectl.errors import Finding
from linectl.site.complaints import nearest
from linectl.site.draft import Draft, Findings
from linectl.site.hardware import Point
from linectl.site.iolist import Row
from linectl.site.parts import Need
from linectl.site.roles import WEIGHING_ROLES

_KINDS = {"bool": "bool", "number": "a number", "counter": "a whole number without sign"}


def duplicates(rows: Sequence[Row]) -> list[Finding]:
    """A finding for each row of one file whose tag an earlier row of it has."""
    first: dict[str, Row] = {}
    found = []
    for row in rows:
        earlier = first.setdefault(row.tag, row)
        if earlier is not row and row.tag:
            text = f"the tag stands twice; first in line {earlier.line}"
            found.append(row.finding("", text, "rename or remove one of the two rows"))
    return found


_OF_A_SCALE = frozenset(role.name for role in WEIGHING_ROLES)


def check(draft: Draft, say: Findings) -> None:
    """Unknown tags, missing points, wrong kinds, wrong tables and wrong zones."""
    read_by_causes = {test.point for cause in draft.causes.values() for test in cause.when}
    for row, point in draft.points:
        need = draft.needs.get(point.tag)
        if need is not None:
            _against_role(draft, row, point, need, say)
        elif not _may_stand(draft, point, read_by_causes):
            say.errors.append(_stranger(draft, row))
        if point.device not in draft.names("site.yaml", "devices"):
            hint = nearest(point.device, draft.names("site.yaml", "devices"))
            text = f"device {point.device!r} is not in site.yaml"
            say.errors.append(row.finding("device", text, hint))
    _missing(draft, say)


def _stranger(draft: Draft, row: Row) -> Finding:
    """A tag that nothing needs: its part is unknown, or its part knows no such point."""
    part, _, role = row.tag.rpartition(".")
    parts = {need.part for need in draft.needs.values()}
    if part and part not in parts:
        text = f"the site has no part {part!r}, and no cause reads this point"
        return row.finding("tag", text, nearest(part, parts))
    text = "no part of the site has this point, and no cause reads it"
    station = draft.stations.get(part)
    if station is not None and station.kind == "packing" and role in _OF_A_SCALE:
        hint = f"a scale is mapped by stations: {part}: weighing: {{within: …}} in site.yaml"
        return row.finding("tag", text, hint)
    return row.finding("tag", text, nearest(row.tag, draft.needs))


def _may_stand(draft: Draft, point: Point, read_by_causes: set[str]) -> bool:
    """Inputs that only a cause reads are allowed; parts that cannot be read have had their say."""
    if draft.is_broken(point.tag):
        return True
    return point.direction == "in" and point.tag in read_by_causes


def _against_role(draft: Draft, row: Row, point: Point, need: Need, say: Findings) -> None:
    role = need.role
    fits = {
        "bool": point.is_bool,
        "number": not point.is_bool,
        "counter": point.type in ("u16", "u32"),
    }
    if not fits[role.kind]:
        text = f"type {point.type} does not fit: {role.text} is {_KINDS[role.kind]}"
        say.errors.append(row.finding("type", text))
    if role.direction == "out" and point.table in ("discrete", "input"):
        text = f"table {point.table} cannot be written, and {role.name} is an output ({role.text})"
        say.errors.append(row.finding("table", text, "use coil or holding"))
    if role.direction == "in" and point.table == "coil":
        text = f"table coil is for outputs, and {role.name} is an input ({role.text})"
        say.errors.append(row.finding("table", text, "use discrete, input or holding"))
    if point.zone != need.zone and need.zone in draft.zones:
        text = f"zone {point.zone!r}, but {need.part} stands in zone {need.zone!r} by site.yaml"
        say.errors.append(row.finding("zone", text, f"write {need.zone}, or leave the cell empty"))


def _left_out(draft: Draft, tag: str, need: Need) -> Finding:
    """A point that a site may be without, and what is not possible then."""
    text = (
        f"{need.part} has no {need.role.name} input ({need.role.text}): in maintenance nothing of"
        " this zone can be pulsed or forced on"
    )
    hint = f"wire the device, and add a row with the tag {tag}, in table discrete or input"
    return draft.site(need.place, text, hint)


def _missing(draft: Draft, say: Findings) -> None:
    """Points that parts need and no row has; said at the last row of the same part."""
    listed = {row.tag for row in draft.rows}
    strangers = [tag for tag in listed if tag not in draft.needs]
    last: dict[str, Row] = {}
    for row in draft.rows:
        last[row.tag.rpartition(".")[0]] = row
    file = draft.rows[0].file if draft.rows else "io.csv"
    for tag, need in draft.needs.items():
        if tag in listed:
            continue
        if need.role.optional:
            say.warnings.append(_left_out(draft, tag, need))
            continue
        near = last.get(need.part)
        text = f"{need.part} needs this point ({need.role.text}), and no row has it"
        hint = nearest(tag, strangers) if strangers else None
        if hint is None or not hint.startswith("nearest"):
            table = "coil or holding" if need.role.direction == "out" else "discrete or input"
            hint = f"add a row with this tag, in table {table}"
        else:
            hint = hint.replace("nearest valid name", "a row that no part needs")
        say.errors.append(
            Finding(near.file if near else file, near.line if near else 1, tag, text, hint)
        )

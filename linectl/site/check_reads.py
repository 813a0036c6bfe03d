"""Checks what is read together and how often: polling classes, groups, holes, readable ranges."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

from linectl.site.complaints import nearest
from linectl.site.draft import Draft, Findings
from linectl.site.durations import format_duration
from linectl.site.hardware import Bus, Device, Point
from linectl.site.iolist import Row
from linectl.site.notation import both_ways
from linectl.site.reading import Readable, polls_between, read_limit

Rows = list[tuple[Row, Point]]


def check(draft: Draft, say: Findings) -> None:
    """Classes of every bus, then device by device its rows, groups and ranges."""
    for name, bus in draft.buses.items():
        _classes(draft, say, name, bus)
    by_device: dict[str, Rows] = defaultdict(list)
    for row, point in draft.points:
        by_device[point.device].append((row, point))
    for name, device in draft.devices.items():
        rows = by_device[name]
        bus_or_none = draft.buses.get(device.bus)
        if bus_or_none is not None:
            _classes_used(say, device, bus_or_none, rows)
            _heard(draft, say, name, device, bus_or_none, rows)
        broken = _groups(say, name, rows)
        _reach(say, name, device, rows, broken)


def _classes(draft: Draft, say: Findings, name: str, bus: Bus) -> None:
    for key, period_ms in bus.polls.items():
        if period_ms <= bus.poll_ms:
            text = (
                f"{format_duration(period_ms)} is not slower than the bus's own poll of "
                f"{format_duration(bus.poll_ms)}, at which every point without a class is read"
            )
            hint = f"at least {2 * bus.poll_ms}ms; it is rounded up to whole polls"
            say.errors.append(draft.site(("buses", name, "polls", key), text, hint))


def _classes_used(say: Findings, device: Device, bus: Bus, rows: Rows) -> None:
    for row, point in rows:
        if not point.poll:
            continue
        if point.direction == "out":
            text = "an output has no polling class: it is written when it changes, and refreshed"
            say.errors.append(row.finding("poll", text, "leave the cell empty"))
        elif point.poll not in bus.polls:
            text = f"bus {device.bus} has no polling class {point.poll!r}"
            hint = nearest(point.poll, bus.polls)
            hint = hint or f"add it: polls: {{{point.poll}: 1s}}, or leave the cell empty"
            say.errors.append(row.finding("poll", text, hint))


def _heard(draft: Draft, say: Findings, name: str, device: Device, bus: Bus, rows: Rows) -> None:
    """A device that is asked only now and then must not count as silent in between."""
    inputs = [point for _, point in rows if point.direction == "in"]
    if not inputs or any(not point.poll or point.poll not in bus.polls for point in inputs):
        return
    period_ms = bus.poll_ms * min(polls_between(bus, point.poll) for point in inputs)
    if device.silent_after_ms <= period_ms + bus.timeout_ms:
        text = (
            f"{device.silent_after_ms} ms is within the {period_ms} ms from one read of the device "
            f"to the next and one time-out ({bus.timeout_ms} ms): all its inputs are in slow "
            "polling classes, and it would count as silent between two reads"
        )
        hint = "a longer silent_after, or one input of it without a class"
        say.errors.append(draft.site(("devices", name, "silent_after"), text, hint))


def _groups(say: Findings, name: str, rows: Rows) -> set[str]:
    """Each group's members fit together; the names of those that do not."""
    groups: dict[str, Rows] = defaultdict(list)
    for row, point in rows:
        if point.group:
            groups[point.group].append((row, point))
    broken = set()
    for group, members in groups.items():
        before = len(say.errors)
        _alike(say, name, group, members)
        if len(say.errors) == before:
            _unmixed(say, name, group, members, rows)
        if len(say.errors) > before:
            broken.add(group)
    return broken


def _alike(say: Findings, name: str, group: str, members: Rows) -> None:
    first_row, first = members[0]
    for row, point in members:
        if point.direction == "out":
            text = f"group {group!r} is read in one request, and this is an output"
            say.errors.append(row.finding("group", text, "leave the cell empty"))
        elif point.table != first.table:
            text = (
                f"group {group!r} of {name} must come from one request, and table {point.table} "
                f"is not that of {first.tag} ({first.table}, line {first_row.line})"
            )
            say.errors.append(row.finding("group", text))
        elif point.poll != first.poll:
            text = (
                f"group {group!r} of {name} is read at one pace, and class "
                f"{point.poll or 'every poll'!r} is not that of {first.tag} "
                f"({first.poll or 'every poll'!r}, line {first_row.line})"
            )
            say.errors.append(row.finding("poll", text))


def _unmixed(say: Findings, name: str, group: str, members: Rows, rows: Rows) -> None:
    """No other point lies between the ends of a group."""
    table = members[0][1].table
    ends = _hull([point for _, point in members])
    for row, point in rows:
        if point.table != table or point.group == group:
            continue
        inside = ends.start < point.address and point.address + point.words < ends.stop
        if inside:
            text = (
                f"{both_ways(table, point.address)} lies between the points of group {group!r} of "
                f"{name} ({_span(members[0][1], ends)}), and is not of it"
            )
            hint = f"write {group} in its group too, or part the group"
            say.errors.append(row.finding("group", text, hint))


def _reach(say: Findings, name: str, device: Device, rows: Rows, broken: set[str]) -> None:
    """Every unit fits into one request and lies where the device may be read."""
    points = [point for _, point in rows]
    row_of = {point.index: row for row, point in rows}
    readable: dict[str, Readable] = {}
    for unit in _units(device, points, broken):
        table = unit[0].table
        try:
            map_ = readable.setdefault(table, Readable(device, table, points))
        except ValueError:
            return  # a range that cannot be read has been told already
        ends = _hull(unit)
        row, column = row_of[unit[0].index], "group" if len(unit) > 1 else "address"
        what = f"group {unit[0].group!r} ({_span(unit[0], ends)})" if len(unit) > 1 else ""
        what = what or f"{unit[0].type} at {_span(unit[0], ends)}"
        hole, unnamed = map_.hole(ends), map_.unnamed(ends)
        if unit[0].direction == "in" and len(ends) > read_limit(device, table):
            limit = read_limit(device, table)
            text = f"{what} takes {len(ends)} addresses, and {name} gives {limit} at once"
            say.errors.append(row.finding(column, text, "it is never split over two requests"))
        elif hole is not None:
            text = f"{what} lies in a hole of {name}, {_span(unit[0], hole)}: it must not be read"
            hint = "take the hole out of site.yaml if the device has been mended, or this row"
            say.errors.append(row.finding(column, text, hint))
        elif map_.outside(ends):
            ranges = ", ".join(device.readable[table])
            text = f"{what} lies outside what can be read of {name}: {ranges}"
            say.errors.append(row.finding(column, text, f"see devices.{name}.readable"))
        elif unnamed is not None:
            text = f"{what} reaches over {both_ways(table, unnamed)}, which no point names"
            hint = f"gaps: true for {name}, if its manual allows to read there"
            say.errors.append(row.finding(column, text, hint))


def _units(device: Device, points: Sequence[Point], broken: set[str]) -> list[list[Point]]:
    """What is read together: inputs and groups, and outputs where they are read back."""
    units: dict[str, list[Point]] = {}
    for point in points:
        if point.group in broken or (point.direction == "out" and not device.read_back):
            continue
        key = f"group {point.group}" if point.group else f"point {point.index}"
        units.setdefault(key, []).append(point)
    return list(units.values())


def _hull(points: Sequence[Point]) -> range:
    end = max(point.address + point.words for point in points)
    return range(min(point.address for point in points), end)


def _span(point: Point, addresses: range) -> str:
    """Addresses of the point's table, both ways."""
    first, last = (both_ways(point.table, end) for end in (addresses[0], addresses[-1]))
    return first if first == last else f"{first} to {last}"

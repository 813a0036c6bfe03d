"""A read that the device refuses as a whole: its halves, and what to write under `holes`. Pure.

A refused read is halved until the parts that fail are single units (a point, or a group), which
then lie in a hole. Two halves that are both answered although the whole is not have the hole in the
gap between them, or, if they touch, the device reads less at once than its limit says.
"""

from __future__ import annotations

from collections.abc import Sequence

from linectl.registers.requests import ReadRequest
from linectl.site.hardware import Device, Point
from linectl.site.notation import Table, reference


def split(request: ReadRequest, points: Sequence[Point], device: Device) -> tuple[ReadRequest, ...]:
    """The request in two halves, parted between two units; alone if it brings only one.

    `points`: all of the site, by image index.
    """
    units: dict[str, list[int]] = {}
    for index in request.points:
        units.setdefault(points[index].group or f"point {index}", []).append(index)
    members = list(units.values())
    middle = len(members) // 2
    halves = [half for half in (members[:middle], members[middle:]) if half]
    if len(halves) < 2:
        return (request,)
    found = []
    for half in halves:
        indices = tuple(index for unit in half for index in unit)
        first = min(points[index].address for index in indices)
        end = max(points[index].address + points[index].words for index in indices)
        found.append(request._replace(address=first, quantity=end - first, points=indices))
    return tuple(found)


def hole_of(request: ReadRequest, device: Device) -> str:
    """What to write under `holes` for a read that is refused and cannot be split."""
    return range_text(
        request.table, range(request.address, request.address + request.quantity), device
    )


def gap_of(halves: Sequence[ReadRequest], device: Device) -> str | None:
    """What to write under `holes` if both halves are answered and the whole is not.

    None if they touch: then the device's limit is smaller than the site says.
    """
    lower, upper = sorted(halves, key=lambda half: half.address)
    gap = range(lower.address + lower.quantity, upper.address)
    return range_text(lower.table, gap, device) if gap else None


def range_text(table: Table, addresses: range, device: Device) -> str:
    """A range of protocol addresses as the site's files write it for that device."""
    ends = (addresses.start, addresses.stop - 1)
    if device.notation == "protocol":
        first, last = (str(end) for end in ends)
    else:
        first, last = (reference(table, end) for end in ends)
    return first if len(addresses) == 1 else f"{first}-{last}"

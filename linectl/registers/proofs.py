"""Reads by which a device proves that it answers what is asked now, and nothing older. Pure.

On a wire without numbers an answer fits any question of its form. A read whose answer has another
length than all other reads of the device can be answered by nothing that was asked before.
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Sequence

from linectl.registers.frames import read_pdu_bytes
from linectl.registers.requests import ReadRequest
from linectl.site.hardware import Point

PROOFS_MAX = 2

Form = tuple[int, int]
"""Function, and bytes of the answer."""

Place = tuple[int, int, int]
"""Function, first address, quantity."""


def proving_reads(
    requests: Sequence[ReadRequest],
    others: Iterable[Form],
    points: Sequence[Point],
    unfit: Container[Place] = (),
) -> tuple[ReadRequest, ...]:
    """Shorter reads of what `requests` read, cut between two points; at most `PROOFS_MAX`.

    `others`: forms that the device is read in besides. `unfit`: reads that it refuses. Empty for a
    device whose every read that could be shortened has a twin of that length.
    """
    taken = {form_of(request.function, request.quantity) for request in requests} | set(others)
    found: dict[Form, ReadRequest] = {}
    for request in requests:
        ends = {points[i].address + points[i].words - request.address for i in request.points}
        for quantity in sorted(ends):
            form = form_of(request.function, quantity)
            if form not in taken and (request.function, request.address, quantity) not in unfit:
                found.setdefault(form, request._replace(quantity=quantity))
    return tuple(list(found.values())[:PROOFS_MAX])


def form_of(function: int, quantity: int) -> Form:
    """The form of a read's answer."""
    return function, read_pdu_bytes(function, quantity)[1]

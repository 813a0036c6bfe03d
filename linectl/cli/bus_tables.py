"""What `check` prints of a site's buses: budgets, ages of interlock inputs, the read plan."""

from __future__ import annotations

from collections.abc import Sequence

from rich.text import Text

from linectl.cli.screen import heading, say, table
from linectl.commission.bus_report import AgeRow, RequestRow, plan_fraction
from linectl.registers.budget import BusBudget


def print_buses(buses: Sequence[BusBudget]) -> None:
    """Each bus's worst poll against the poll that is asked for."""
    say(Text())
    slow = any(bus.mean_ms < bus.wire_ms for bus in buses)
    note = "reads of the fullest poll; slow classes are spread over the others" if slow else ""
    say(heading("Buses"), Text(note))
    rows = [
        [
            b.name, b.kind, b.requests, f"{b.wire_ms:.1f} ms", f"{b.write_ms:.1f} ms",
            f"{b.cycle_ms:.0f} ms", f"{b.poll_ms} ms", f"{b.headroom_ms:.1f} ms",
            "yes" if b.fits else "NO",
        ]
        for b in buses
    ]  # fmt: skip
    columns = "bus|kind|>requests|>reads take|>writes take|>cycle|>poll|>headroom|fits"
    say(table(columns, rows))
    for bus in buses:
        for name in bus.unproven:
            text = (
                f"{name} on {bus.name} has no read that could prove it: after a time-out its line "
                "is kept quiet twice as long, and an answer still later, to the same question, "
                "would be believed"
            )
            say(Text(text))


def print_ages(ages: Sequence[AgeRow]) -> None:
    """The oldest interlock input of each device and polling class."""
    groups: dict[tuple[str, str], list[AgeRow]] = {}
    for age in ages:
        groups.setdefault((age.device, age.poll), []).append(age)
    rows = []
    for (device, poll), members in groups.items():
        oldest = max(members, key=lambda age: age.worst_ms)
        rows.append(
            [
                device, poll or "every poll", len(members), f"{oldest.period_ms:.0f} ms",
                f"{oldest.worst_ms:.0f} ms", oldest.tag,
            ]
        )  # fmt: skip
    say(Text())
    say(
        heading("Interlock inputs:"),
        Text("how old a good value can get, by device; --json has every input"),
    )
    say(table("device|read at|>inputs|>read every|>worst age|the oldest", rows))


def print_plan(buses: Sequence[BusBudget], plan: Sequence[RequestRow]) -> None:
    """Every request of every bus, and what the plan saves."""
    for bus in buses:
        say(Text())
        many = "request" if bus.requests == 1 else "requests"
        text = f"{bus.requests} {many}, {bus.mean_ms:.1f} ms of a poll of {bus.poll_ms} ms"
        if bus.fraction is not None:
            text += f"; one for each point: {bus.single_ms:.1f} ms ({bus.fraction:.1%} of that)"
        say(heading(f"Reads of {bus.name}:"), Text(text))
        rows = [_request(row) for row in plan if row.bus == bus.name]
        say(
            table(
                "device|>unit|>fn|address, reference|read at|>bytes|>ms|>points|first and last",
                rows,
            )
        )
    fraction = plan_fraction(buses)
    if fraction is not None:
        say(Text())
        text = f"{fraction:.1%} of the bus time of one request for each point"
        say(heading("All buses together:"), Text(text))


def _request(row: RequestRow) -> list[object]:
    request = row.request
    at = "every poll"
    if request.every > 1:
        at = f"{request.poll}: poll {request.phase} of {request.every}"
    ends = row.tags[0] if len(row.tags) == 1 else f"{row.tags[0]}\n{row.tags[-1]}"
    return [
        request.device, request.unit, request.function, row.addresses, at, row.frame_bytes,
        f"{row.ms:.2f}", len(row.tags), ends,
    ]  # fmt: skip

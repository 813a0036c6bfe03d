"""The state tables as Mermaid diagrams, for DEVELOPERS.md; a test keeps that file current."""

from __future__ import annotations

from linectl.line import alarm_states, carriage, harvest, lane, sower, toolzone
from linectl.line.tables import Table
from linectl.line.tr88 import EDITIONS

BEGIN = "<!-- state diagrams: begin (written by tests/line/test_diagrams.py) -->"
END = "<!-- state diagrams: end -->"

TABLES: dict[str, Table] = {
    "Unit (sowing, harvest)": EDITIONS["isa-tr88.00.02-2015+hold"],
    "Alarm": alarm_states.TABLE,
    "Magazine": sower.Magazine.TABLE,
    "Fill, water, seed": toolzone.ToolZone.TABLE,
    "Tamp": sower.Tamp.TABLE,
    "Turn": sower.Turn.TABLE,
    "Carriages": carriage.Carriage.TABLE,
    "Turn-out": harvest.TurnOut.TABLE,
    "Lane": lane.Lane.TABLE,
}


def diagrams() -> str:
    """The Markdown between BEGIN and END, both included."""
    parts = [BEGIN]
    for name, table in TABLES.items():
        parts.append(f"### {name}\n\n```mermaid\n{_without_faults(table).mermaid()}\n```")
    parts.append(END)
    return "\n\n".join(parts)


def _without_faults(table: Table) -> Table:
    """The table without what would hide it: `fail` and `back_to_…`, which every active state has,
    and events after which the state is as before."""
    moves = {
        (state, event): dest
        for (state, event), dest in table.moves.items()
        if state != dest and event != "fail" and not event.startswith("back_to_")
    }
    return Table(table.name, table.initial, table.states, moves)


def updated(document: str) -> str:
    """`document` with its diagrams section replaced. Raises ValueError if it has none."""
    begin, end = document.find(BEGIN), document.find(END)
    if begin < 0 or end < begin:
        raise ValueError("the document has no state diagrams section")
    return document[:begin] + diagrams() + document[end + len(END) :]

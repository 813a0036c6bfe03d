"""State tables: declared as rows, checked and drawn by `transitions`, compiled to one dict.

A running part looks up `(state, event)` and gets the next state; a pair that is not in the
table raises `Illegal` and changes nothing. `transitions` itself never runs in the line.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from transitions import Machine

from linectl.errors import Illegal

Row = tuple[str, str, str]
"""(event, source states joined by `|`, destination)."""


@dataclass(frozen=True)
class Table:
    """A compiled table. `moves[(state, event)]` is the next state."""

    name: str
    initial: str
    states: tuple[str, ...]
    moves: dict[tuple[str, str], str]

    def after(self, state: str, event: str) -> str:
        """The next state. Raises Illegal when the table has no such pair."""
        try:
            return self.moves[state, event]
        except KeyError:
            raise Illegal(f"{self.name}: no {event!r} in state {state!r}") from None

    def mermaid(self) -> str:
        """The table as a Mermaid state diagram, rows in a fixed order."""
        lines = ["stateDiagram-v2", f"    [*] --> {self.initial}"]
        merged: dict[tuple[str, str], list[str]] = {}
        for (source, event), dest in self.moves.items():
            merged.setdefault((source, dest), []).append(event)
        lines += [
            f"    {source} --> {dest}: {', '.join(sorted(events))}"
            for (source, dest), events in sorted(merged.items())
        ]
        return "\n".join(lines)


def table(name: str, initial: str, rows: Iterable[Row]) -> Table:
    """Compile rows. Raises ValueError for a pair given twice or a state never reached."""
    declared = [(event, source.split("|"), dest) for event, source, dest in rows]
    states = sorted(
        {initial, *(d for _, _, d in declared), *(s for _, ss, _ in declared for s in ss)}
    )
    machine = Machine(
        model=None,
        states=states,
        initial=initial,
        transitions=[[event, sources, dest] for event, sources, dest in declared],
        auto_transitions=False,
        send_event=False,
    )
    moves: dict[tuple[str, str], str] = {}
    for event in machine.events.values():
        for source, transitions in event.transitions.items():
            if len(transitions) != 1:
                raise ValueError(f"{name}: {event.name!r} from {source!r} is given twice")
            moves[source, event.name] = str(transitions[0].dest)
    reached = {initial} | set(moves.values())
    if lost := set(states) - reached:
        raise ValueError(f"{name}: never reached: {', '.join(sorted(lost))}")
    return Table(name, initial, tuple(states), moves)

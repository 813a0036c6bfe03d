"""Persons' commands that begin and end bypasses, forces and overrides.

bypass CAUSE DURATION REASON           bypass-end CAUSE
force TAG VALUE DURATION REASON        force-end TAG|all
override NAME VALUE DURATION REASON    override-end NAME|all
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from linectl.image import Command
from linectl.line.forces import Forces
from linectl.line.overrides import Overrides

if TYPE_CHECKING:
    from linectl.line.line import Line


def bypass(line: Line, command: Command) -> str | None:
    """A named person keeps a cause from acting for a time."""
    words = command.argument.split(maxsplit=2)
    if len(words) < 2:
        return (
            "bypass CAUSE DURATION REASON, for example: bypass magazine_empty 2h its eye is dirty"
        )
    return line.interventions.bypasses.begin(words[0], words[1], " ".join(words[2:]), command.by)


def bypass_end(line: Line, command: Command) -> str | None:
    """The cause acts again; the bypass is over once it has been tried."""
    return line.interventions.bypasses.end(command.argument.strip(), f"{command.by or 'a person'}")


def force(line: Line, command: Command) -> str | None:
    """A named person sets an input as stations see it, for a time."""
    return _begin(line.interventions.forces, "force TAG VALUE DURATION REASON", command)


def force_end(line: Line, command: Command) -> str | None:
    """What the field says counts again, for one tag or for all."""
    return _end(line.interventions.forces, command)


def override(line: Line, command: Command) -> str | None:
    """A named person sets a value that the logic uses instead of its own, for a time."""
    return _begin(line.interventions.overrides, "override NAME VALUE DURATION REASON", command)


def override_end(line: Line, command: Command) -> str | None:
    """The logic's own value counts again, for one name or for all."""
    return _end(line.interventions.overrides, command)


def _begin(grants: Forces | Overrides, form: str, command: Command) -> str | None:
    words = command.argument.split(maxsplit=3)
    if len(words) < 3:
        return form
    return grants.begin(words[0], words[1], words[2], " ".join(words[3:]), command.by)


def _end(grants: Forces | Overrides, command: Command) -> str | None:
    name = command.argument.strip()
    how = command.by or "a person"
    if name == "all":
        grants.end_all(how)
        return None
    return grants.end(name, how)


ENDS: dict[str, Callable[[Line, Command], str | None]] = {
    "bypass-end": bypass_end,
    "force-end": force_end,
    "override-end": override_end,
}
ACTS: dict[str, Callable[[Line, Command], str | None]] = {
    "bypass": bypass,
    "force": force,
    "override": override,
    **ENDS,
}

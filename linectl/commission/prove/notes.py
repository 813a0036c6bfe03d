"""What the trips of one cause gave: checks by cell, reactions by output, what followed beside."""

from __future__ import annotations

from dataclasses import dataclass, field

from linectl.commission.proof import Check, OutputReaction
from linectl.commission.prove.promised import Cell, Promise


class Enough(Exception):
    """A check has failed, and one is enough."""


@dataclass
class Notes:
    """Checks are kept by effect; of checks of one name the failed one is kept."""

    promise: Promise
    one_is_enough: bool = False
    """Stop at the first failed check (when defects are planted)."""
    checks: dict[str, dict[str, Check]] = field(default_factory=dict)
    reactions: dict[tuple[str, int], OutputReaction] = field(default_factory=dict)
    consequences: list[str] = field(default_factory=list)
    trip: str = ""

    def say(self, cell: Cell, name: str, ok: bool, text: str = "") -> None:
        """One check of one cell; `text` says what was seen if it is not as it should be."""
        of_cell = self.checks.setdefault(cell.effect, {})
        known = of_cell.get(name)
        if known is None or known.ok:
            of_cell[name] = Check(name, ok, "" if ok else text)

    def say_all(self, name: str, ok: bool, text: str = "") -> None:
        """One check of the whole cause: it stands with each of its cells."""
        for cell in self.promise.cells:
            self.say(cell, name, ok, text)

    def react(self, cell: Cell, index: int, reaction: OutputReaction) -> None:
        """The slowest reaction of an output is kept."""
        known = self.reactions.get((cell.effect, index))
        if known is None or reaction.reaction_ms > known.reaction_ms:
            self.reactions[cell.effect, index] = reaction

    def failed(self) -> dict[str, list[Check]]:
        """Failed checks by effect."""
        found = {
            effect: [check for check in checks.values() if not check.ok]
            for effect, checks in self.checks.items()
        }
        return {effect: checks for effect, checks in found.items() if checks}

    def stage(self) -> None:
        """The end of a stage: stop here if one failed check is enough."""
        if self.one_is_enough and self.failed():
            raise Enough

    def take(self, other: Notes) -> None:
        """Another trip of the same cause."""
        for effect, checks in other.checks.items():
            of_cell = self.checks.setdefault(effect, {})
            for name, check in checks.items():
                if name not in of_cell or of_cell[name].ok:
                    of_cell[name] = check
        for (effect, index), reaction in other.reactions.items():
            known = self.reactions.get((effect, index))
            if known is None or reaction.reaction_ms > known.reaction_ms:
                self.reactions[effect, index] = reaction
        self.consequences += [text for text in other.consequences if text not in self.consequences]
        self.trip = self.trip or other.trip

"""What was moved by hand in maintenance: the record knows nothing of it, so a person is asked.

A belt, a stroke, a lift or a carriage that a person drives takes gutters along, and no move tells
of it: eyes see some of that, and of a long gutter between two eyes nothing. When a unit leaves
maintenance a named person says that everything is where the record has it; until then nothing
starts. With nothing on record there is nothing to be wrong about, as at power-up.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from linectl.line.recovery.questions import BY_HAND, LOCK_OUT, Question

if TYPE_CHECKING:
    from linectl.line.line import Line

TAKES_ALONG = frozenset(
    ("run", "gate", "grip", "extend", "retract", "stroke", "back", "up", "down", "belt", "to_0",
     "to_90")
)  # fmt: skip
"""Roles of outputs that move a gutter, or let one go."""


class MovedByHand:
    """Parts, runs and lifts that a person has driven since somebody last said where all is."""

    FIELDS = ("moved",)

    def __init__(self, line: Line) -> None:
        self.line = line
        self.moved: set[str] = set()

    def note(self, tag: str) -> None:
        """This output has been driven."""
        part, _, role = tag.rpartition(".")
        if role in TAKES_ALONG and part not in self.moved:
            self.moved.add(part)
            self.line.changed = True

    def left(self) -> None:
        """A unit leaves maintenance: what was moved is as little known as after a power cut."""
        line = self.line
        if not self.moved:
            return
        for carriage in line.ends.carriages:
            carriage.untried = carriage.untried or carriage.name in self.moved
        for lane in line.lanes.lanes:
            for number, joint in enumerate(lane.joints):
                if (
                    joint in self.moved
                    and number not in lane.adrift
                    and lane.between_levels(number)
                ):
                    lane.adrift.append(number)
        if line.gutters or any(any(run) for lane in line.lanes.lanes for run in lane.slots):
            self._ask()
        else:
            self.moved.clear()

    def _ask(self) -> None:
        line = self.line
        where = {p.zone for p in line.site.points if p.tag.rpartition(".")[0] in self.moved}
        text = (
            f"{', '.join(sorted(self.moved))} moved by hand in maintenance, and the record knows"
            " nothing of that: is every gutter where the record has it? Look, and put right what is"
            " not (correct, removed, reject) before you answer"
        )
        choices = (("as_recorded", "somebody has looked: all stands where the record has it"),)
        zones = " and ".join(sorted(zone for zone in where if zone))
        line.recovery.settled_ids.discard(BY_HAND)
        line.recovery.ask(
            Question(
                BY_HAND, "the machine", text, choices, LOCK_OUT.format(zone=zones), BY_HAND
            )
        )  # fmt: skip
        line.recovery.rings()

    def answered(self) -> None:
        """A person has said that all is where the record has it."""
        self.moved.clear()

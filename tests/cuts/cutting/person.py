"""A person who answers a line's questions truthfully, by looking, and starts it again."""

from __future__ import annotations

from random import Random
from typing import Any

from cutting import seen

REJECTS = 0.2
"""Share of partial gutters that they take off rather than have finished."""


def answering(attendant: type) -> type:
    """The tests' attendant with eyes for questions: first those, then faults, then the start."""

    class Person(attendant):  # type: ignore[misc, valid-type]
        """`answered` are the questions that they were asked."""

        def __init__(self, boot: Any, **times: int) -> None:
            super().__init__(boot, **times)
            self.answered: list[str] = []
            self._chance = Random(f"{boot.start_ms}")

        def _look(self) -> None:
            questions = seen.view(self._shift.line)["questions"]
            for question in questions:
                self.answered.append(question["id"])
                said = self._answer(question)
                self._act("", "answer", f"{question['id']} {said}")
            self._jog_lifts()
            if not questions:
                super()._look()

        def _answer(self, question: dict[str, Any]) -> str:
            plant, kind = self._shift.plant, question["id"].rpartition(".")[2]
            places = plant.places()
            gutter = question["gutter"]
            choices = [choice["choice"] for choice in question["answers"]]
            if kind == "partial":
                return self._partial(question, choices)
            if kind == "handover" and places["turnout"] != gutter:
                return "taken"
            if "half_out" in choices and self._chance.random() > REJECTS:
                return "half_out"
            if "hole" in choices:
                return "hole" if places[question["place"]] is None else "gutter"
            for place, there in places.items():
                if there == gutter:
                    plant.do("take out", place)
            return "removed"

        def _partial(self, question: dict[str, Any], choices: list[str]) -> str:
            plant, place = self._shift.plant, question["place"]
            if self._chance.random() < REJECTS:
                plant.do("take out", place)
                return "reject"
            if "redo" in choices:  # they look at the bed
                bodies = plant.machine.tamper.stage.bodies
                return "finish" if bodies and bodies[0].tamped else "redo"
            return "finish"

        def _jog_lifts(self) -> None:
            """A lift that stands between its levels is brought to one by hand, at the machine."""
            line, plant = self._shift.line, self._shift.plant
            for lane in line.lanes.lanes:
                if lane.state != "faulted":
                    continue
                for facts, joint in zip(lane.facts.transfers, lane.joints, strict=True):
                    if facts.kind == "level":
                        continue
                    up, down = (plant.read(line.site.index(f"{joint}.{end}"))
                                for end in ("at_up", "at_down"))  # fmt: skip
                    if not (up or down):
                        plant.do("jog", joint, to=self._chance.choice(("up", "down")))

    return Person

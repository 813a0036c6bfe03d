"""A line and its plant in virtual time, as tools that commission a line meet them in the field."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from linectl.commission.controller import Change, Look, Standing
from linectl.image import Command
from linectl.runtime.changes import Changes
from linectl.runtime.rehearsal import Options
from linectl.runtime.virtual import Rehearsal
from linectl.site.parts import needs_of

LOOK_MS = 50


class BenchField:
    """The running controller, the plant that is talked to, and the pause between two looks."""

    def __init__(self, site, **options) -> None:
        self.site = site
        self.rehearsal = Rehearsal(site, Options(scenario=(), lanes=0.0, **options))
        self.bench, self.line, self.plant = (
            self.rehearsal.bench, self.rehearsal.line, self.rehearsal.plant,
        )  # fmt: skip
        self.changes = Changes(site, self.line.outputs)
        needs = needs_of(site.file)
        self.counters = {
            point.tag: point.index
            for point in site.points
            if needs[point.tag].role.kind == "counter"
        }
        self.commanded: list[tuple[str, str, str, str]] = []
        self.outcomes: list[Mapping[str, Any]] = []
        self.events: list[Any] = []
        scan, record = self.line.scan, self.bench.recorder.record

        def watched_scan(frame, now):
            changed = scan(frame, now)
            self.changes.note(frame, self.line.written, self.line.outputs, now)
            return changed

        def watched_record(moves, events):
            self.events += events
            self.outcomes += [event.data for event in events if event.kind == "command"]
            record(moves, events)

        self.line.scan = watched_scan
        self.bench.recorder.record = watched_record
        self.bench.run(2_000)

    # the controller ------------------------------------------------------------------------------

    def look(self, since: int) -> Look:
        answer = self.changes.answer(since, self.bench.now)
        for tag, index in self.counters.items():  # on the bench a counter announces nothing
            answer["points"][tag] = self.plant.read(index)
        changes = tuple(Change(*one) for one in answer.pop("changes"))
        return Look(changes=changes, **answer)

    def status(self) -> Mapping[str, Any]:
        return self.line.status(self.bench.now)

    def standing(self) -> Standing:
        told = self.status()
        return Standing(
            {name: unit["state"] for name, unit in told["units"].items()},
            {name: unit["mode"] for name, unit in told["units"].items()},
            frozenset(alarm["tag"] for alarm in told["alarm_list"]),
            forced=frozenset(force["name"] for force in told["force_list"]),
        )

    def command(self, name: str, argument: str = "", by: str = "", unit: str = "") -> str | None:
        self.commanded.append((name, argument, by, unit))
        count = len(self.outcomes)
        self.bench.command(Command(unit, name, argument, by))
        self.bench.run(self.bench.now + self.site.file.scan_ms)
        outcome = self.outcomes[count]
        return None if outcome["accepted"] else str(outcome["why"])

    def pause(self) -> None:
        self.bench.run(self.bench.now + LOOK_MS)

    # the plant -----------------------------------------------------------------------------------

    def ask(self, told: dict[str, Any]) -> dict[str, Any]:
        if "moved" in told:
            return {"moved": self.plant.moved(str(told["moved"]))}
        if "set_points" in told:
            return {"set_points": self.plant.set_points()}
        self.bench.act(lambda: self.plant.do(told["do"], told["part"], **told["options"]))
        return {"ok": True}

"""A person at the line: answers by what the bodies show, starts, puts things right."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

from kills.held_against import read_record
from kills.processes import RunProcess
from kills.talk import Talk

UNITS = ("sowing", "harvest")
SOWER = ("magazine", "fill", "tamp", "water", "seed", "turn")
NEXT = {
    "Aborted": "clear", "Stopped": "reset", "Idle": "start", "Held": "unhold", "Complete": "reset",
}  # fmt: skip
LATCHED = ("tripped", "silent", "latched", "interlock", "air")
"""Words of a refusal after which a reset is tried."""
HANDS_AFTER_S = 25.0
"""An alarm of a station that stands longer is ended by hand: its gutter is taken off. A start with
its warning has been tried by then, several times."""
HANDS_FIRST = ("stray", "early", "centred")
"""Faults that no start ends while the gutter lies there: hands come at once, when all stands."""
SEEN_TWICE_S = 6.0
GONE_S = 20.0
"""An alarm that has not been back for so long is a new one when it comes again."""


class Attendant:
    """One round of acts at a time; `acts` keeps what was needed beside resetting and starting."""

    def __init__(self, run: RunProcess, talk: Talk, ledger: Path) -> None:
        self._run = run
        self._ledger = ledger
        self._talk = talk
        self.acts: list[str] = []
        self._first_s: dict[str, float] = {}
        self._last_s: dict[str, float] = {}

    def round(self) -> None:
        """Look, and do what is next. Raises LinectlError when the controller is gone."""
        self._put_all_right()
        for _ in ("reset", "start"):
            self._bring_on()

    def _put_all_right(self) -> None:
        present = [r for r in self._run.ask(ask="alarms")["alarms"] if r["present"]]
        for row in present:
            self._put_right(str(row["tag"]), str(row["text"]))
        for lane in self._run.ask(ask="status")["lanes"]:
            if lane["state"] == "faulted":
                self._act("", "lane-resume", str(lane["lane"]))

    def _bring_on(self) -> None:
        status = self._run.ask(ask="status")
        for unit in UNITS:
            name = NEXT.get(status["units"][unit]["state"])
            if name is not None and (why := self._run.command(unit, name)):
                self._refused(why)

    def _act(self, unit: str, name: str, argument: str) -> str | None:
        self.acts.append(f"{name} {argument}".strip())
        return self._run.command(unit, name, argument)

    def _refused(self, why: str) -> None:
        if any(word in why for word in LATCHED):
            self._run.command("", "interlock-reset")
            for zone in ("sowing", "harvest", "lanes"):
                self._talk.do("interlock reset", zone)

    def _put_right(self, tag: str, text: str) -> None:
        place, _, fault = tag.rpartition(".")
        stood_s = self._stood_s(tag)
        if fault == "partial":
            self._act("", "partial", f"{place} {self._how(place)}")
        elif fault == "between":
            self._jog(place)
        elif fault == "handover" and self._gutter_at(place) is None:
            self._act("", "handed-over", "")
        elif stood_s > (SEEN_TWICE_S if fault in HANDS_FIRST else HANDS_AFTER_S):
            self._clear_away(place, f"{tag}: {text}")
            del self._first_s[tag]

    def _stood_s(self, tag: str) -> float:
        """Since when the alarm is there, on and off: each start ends it, and it comes again."""
        now_s = time.monotonic()
        if now_s - self._last_s.get(tag, 0.0) > GONE_S:
            self._first_s[tag] = now_s
        self._last_s[tag] = now_s
        return now_s - self._first_s.setdefault(tag, now_s)

    def _clear_away(self, place: str, why: str) -> None:
        """Take off what lies there, or reaches there from the zone before; tell it from where the
        ledger has it."""
        seen, record = self._talk.seen(), read_record(self._ledger)
        if place not in seen["places"] or zone_of(place) in seen["moving"]:
            return
        self.acts.append(f"by hand: {why}")
        mine = record.at(place)
        mine |= {move.gutter for move in record.open() if place in (move.source, move.dest)}
        reached = SOWER[SOWER.index(place) - 1] if place in SOWER[1:] else place
        if seen["places"][place] is None and not mine:
            mine = record.at(reached)
        for name, gutter in seen["places"].items():
            if gutter is not None and (name == place or gutter in mine):
                self._talk.do("take out", name)
        told = {name for name, gutter in record.stands if gutter in mine}
        for name in sorted(told | {place}):
            self._act("", "removed", name)

    def _jog(self, lane: str) -> None:
        """At the machine, by the hold-to-run control there: the lift to a level."""
        self.acts.append(f"jog {lane}.lift")
        self._talk.do("jog", f"{lane}.lift", to="down")

    def _how(self, place: str) -> str:
        """They look at the bed: what is pressed even needs no second press."""
        seen = self._talk.seen()
        tamped = seen["places"].get(place) in seen["tamped"]
        return "redo" if place == "tamp" and not tamped else "finish"

    def _gutter_at(self, place: str) -> int | None:
        gutter: int | None = self._talk.seen()["places"].get(place)
        return gutter

    def answer(self, questions: list[dict[str, Any]]) -> None:
        """Each question, by the bodies."""
        for question in questions:
            seen = self._talk.seen()
            choice = truth(question, seen)
            if choice == "removed" and question["gutter"] in seen["places"].values():
                self._take_off(question["gutter"], seen["places"])
            why = self._act("", "answer", f"{question['id']} {choice}")
            if why is not None:
                self.acts.append(f"refused: {why}")

    def _take_off(self, gutter: int, places: dict[str, int | None]) -> None:
        """The question knows no other way: two people take it off where it lies."""
        place = next(name for name, there in places.items() if there == gutter)
        self.acts.append(f"by hand: gutter {gutter} taken out at {place}")
        self._talk.do("take out", place)


def zone_of(place: str) -> str:
    """The zone in which somebody stands who reaches there."""
    if place.startswith("lane"):
        return "lanes"
    return "sowing" if place in (*SOWER, "infeed") else "harvest"


def truth(question: dict[str, Any], seen: dict[str, Any]) -> str:
    """The choice that fits the bodies."""
    choices = [str(answer["choice"]) for answer in question["answers"]]
    place, gutter = str(question["place"]), int(question["gutter"])
    here = seen["places"].get(place)
    if "finish" in choices:
        return "redo" if "redo" in choices and here not in seen["tamped"] else "finish"
    if "taken" in choices:
        line = {there for name, there in seen["places"].items() if name != "packing"}
        return "half_out" if gutter in line else "taken"
    if "hole" in choices:
        return "hole" if here is None else "gutter"
    return choices[0]

"""Scenario files: what happens to a line during a rehearsal, and when.

    - {at: 20m, do: harvest stops}
    - {at: 50m, do: fault, part: fill.exit_eye, kind: stuck_on, for: 90s}

`at` is a duration, or seconds. Every error is found at once, with its line.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from linectl.errors import Finding, SiteError
from linectl.site.complaints import nearest
from linectl.site.durations import parse_duration
from linectl.site.faults import miswirings, swappable
from linectl.site.hardware import Point
from linectl.site.model import Site
from linectl.site.scenario_verbs import VERBS, Verb, all_kinds
from linectl.site.sheet import Node, read_yaml

ACTIONS_MAX = 10_000
"""Entries in one file."""


@dataclass(frozen=True)
class Action:
    """One thing that happens. `options` go to the plant beside verb and part (`for_ms`, `kind`).

    For the verb `command` the part is the unit (empty: the whole line) and the options are
    `command`, `argument` and `by`: it goes to the controller, not to the plant.
    """

    at_ms: int
    verb: str
    part: str = ""
    options: Mapping[str, bool | int | float | str] = field(default_factory=dict)
    line: int = 0


STALL = (
    Action(20 * 60_000, "harvest stops"),
    Action(35 * 60_000, "harvest resumes"),
)
"""What a rehearsal plays when nobody names a scenario: a quarter of an hour without harvest."""

_Options = dict[str, bool | int | float | str]
UNITS = ("sowing", "harvest")
COMMANDS = (
    "abort", "stop", "reset", "start", "hold", "suspend", "unhold", "unsuspend", "clear",
    "mode", "run-out", "crop", "skip", "blend", "interlock-reset", "advance-empty", "programme",
    "out-of-service", "in-service", "lane-resume", "partial", "reject", "removed", "handed-over",
    "correct", "answer", "bypass", "bypass-end", "force", "force-end", "override", "override-end",
    "alarm-ack", "alarm-shelve", "alarm-unshelve", "alarm-out-of-service", "alarm-in-service",
    "lot", "weight", "today", "changeover", "hopper-changed", "first-gutter", "pulse", "pulse-end",
    "tune",
)  # fmt: skip
"""The names of commands: those of ISA-TR88, then the line's own."""


def load_scenario(path: str | os.PathLike[str], site: Site) -> tuple[Action, ...]:
    """The file's actions in order of time (equal times: as written).

    Raises SiteError with every finding at once: verb, key, time, part, kind or name unknown.
    """
    findings: list[Finding] = []
    name = Path(path).name
    tree = read_yaml(
        Path(path), name, findings, listed=True, hint="a scenario is a YAML file: sim/scenarios/"
    )
    entries = tree.value if isinstance(tree.value, list) else []
    if len(entries) > ACTIONS_MAX:
        findings.append(Finding(name, 1, "file", f"has more than {ACTIONS_MAX} entries"))
        entries = []
    kinds = all_kinds(site)
    read = [_Reader(site, entry, findings, kinds).action() for entry in entries]
    if findings:
        raise SiteError(sorted(findings, key=lambda found: (found.line, found.key)))
    actions = [action for action in read if action is not None]
    return tuple(sorted(actions, key=lambda action: action.at_ms))


class _Reader:
    """Reads one entry of a scenario, collecting what is wrong with it."""

    def __init__(
        self,
        site: Site,
        entry: Node,
        findings: list[Finding],
        kinds: Mapping[str, tuple[str, ...]],
    ) -> None:
        self._site = site
        self._entry = entry
        self._findings = findings
        self._kinds = kinds

    def action(self) -> Action | None:
        """The entry, or None when it is wrong (the findings say how)."""
        if not isinstance(self._entry.value, dict):
            self._wrong("entry", "must be a mapping: {at: 20m, do: harvest stops}")
            return None
        before = len(self._findings)
        at_ms = self._time("at")
        name = self._text("do")
        verb = VERBS.get(name)
        if verb is None:
            if name:
                self._wrong("do", f"{name!r} is not a verb", nearest(name, VERBS))
            return None
        self._keys(name, verb)
        part = self._part(verb)
        options: _Options = {}
        for key in (*verb.needs, *verb.takes):
            if self._entry.child(key) is not None:
                self._option(name, key, part, options)
            elif key in verb.needs:
                self._wrong(key, f"is missing; `{name}` needs it")
        if name == "miswire" and part:
            self._miswired(part, options)
        if name == "command":
            part = str(options.pop("unit", ""))
        if len(self._findings) > before:
            return None
        return Action(at_ms, name, part, options, self._entry.line)

    def _wrong(self, key: str, message: str, hint: str | None = None) -> None:
        where = self._entry.child(key) or self._entry
        self._findings.append(Finding(where.file, where.line, key, message, hint))

    def _keys(self, name: str, verb: Verb) -> None:
        allowed = {"at", "do", *verb.needs, *verb.takes, *([verb.key] if verb.key else [])}
        for key in self._entry.value:
            if key not in allowed:
                self._wrong(key, f"is not a key of `{name}`", nearest(key, allowed))

    def _text(self, key: str) -> str:
        node = self._entry.child(key)
        if node is None:
            self._wrong(key, "is missing")
            return ""
        if not isinstance(node.value, str):
            self._wrong(key, f"{node.value!r} is not text")
            return ""
        return node.value

    def _time(self, key: str) -> int:
        node = self._entry.child(key)
        value = None if node is None else node.value
        if isinstance(value, int | float) and not isinstance(value, bool) and value >= 0:
            return round(value * 1000)
        if isinstance(value, str):
            try:
                return parse_duration(value)
            except ValueError as error:
                self._wrong(key, str(error))
                return 0
        wrong = "is missing" if node is None else f"{value!r} is no time"
        self._wrong(key, f"{wrong}; write a duration (20m, 90s) or seconds")
        return 0

    def _name(self, key: str, known: Collection[str], what: str) -> str:
        text = self._text(key)
        if text and text not in known:
            self._wrong(key, f"{text!r} is not {what}", nearest(text, known))
            return ""
        return text

    def _part(self, verb: Verb) -> str:
        if not verb.key:
            return ""
        failing = verb.names is all_kinds
        what = "a part of this site that can fail" if failing else f"a {verb.key} of this site"
        return self._name(verb.key, verb.names(self._site), what)

    def _option(self, verb: str, key: str, part: str, options: _Options) -> None:
        match key:
            case "for":
                options["for_ms"] = self._time("for")
            case "kind" if verb == "miswire":
                mistakes = miswirings(self._point(part)) if part else ()
                options["kind"] = self._name("kind", mistakes, f"a mistake in the wires of {part}")
            case "other":
                options["other"] = self._name("other", self._site.tags, "a point of this site")
            case "by" if verb == "miswire":
                self._number("by", options)
            case "value" if part:
                if self._point(part).is_bool:
                    self._truth("value", options)
                else:
                    self._number("value", options)
            case "kind":
                kinds = self._kinds.get(part)
                if kinds is not None:
                    options["kind"] = self._name("kind", kinds, f"a fault of {part}")
            case "seed":
                node = self._entry.child("seed")
                if node is None or isinstance(node.value, bool) or not isinstance(node.value, int):
                    self._wrong("seed", "must be a whole number")
                else:
                    options["seed"] = node.value
            case "on":
                self._truth("on", options)
            case "place":
                options["place"] = self._name("place", ("machine", "room"), "a control place")
            case "crop":
                options["crop"] = self._name("crop", self._site.crops.crops, "a crop of this site")
            case "unit":
                options["unit"] = self._name("unit", UNITS, "a unit")
            case "command":
                options["command"] = self._name("command", COMMANDS, "a command")
            case _:
                node = self._entry.child(key)
                options[key] = str(node.value) if node is not None else ""

    def _point(self, tag: str) -> Point:
        return self._site.points[self._site.tags[tag]]

    def _truth(self, key: str, options: _Options) -> None:
        node = self._entry.child(key)
        if node is None or not isinstance(node.value, bool):
            self._wrong(key, "must be true or false")
        else:
            options[key] = node.value

    def _number(self, key: str, options: _Options) -> None:
        node = self._entry.child(key)
        if node is None or isinstance(node.value, bool) or not isinstance(node.value, int | float):
            self._wrong(key, "must be a number")
        else:
            options[key] = node.value

    def _miswired(self, part: str, options: _Options) -> None:
        """`other` belongs to swapped wires, `by` to a wrong scale."""
        kind = options.get("kind")
        for key, owner in (("other", "swapped"), ("by", "scale")):
            if key in options and kind != owner:
                self._wrong(key, f"is not a key of kind `{kind}`, only of `{owner}`")
        if kind == "swapped" and "other" not in options:
            self._wrong("other", "is missing; swapped wires need the tag of the other point")
        other = options.get("other")
        if kind == "swapped" and other:
            if not swappable(self._point(part), self._point(str(other))):
                self._wrong("other", f"the wires of {other} cannot be swapped with those of {part}")
        elif kind == "scale" and not 0 < float(options.get("by", 10)) != 1:
            self._wrong("by", "must be above 0, and not 1")

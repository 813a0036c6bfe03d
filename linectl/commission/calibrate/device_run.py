"""One run of a device for a calibration: a pulse in maintenance, the enabling device held.

The controller runs the device and stops it: this only asks, and looks on.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from linectl.commission.calibrate.work import Work
from linectl.commission.controller import Look
from linectl.commission.person import FieldAct, yes_or_no
from linectl.errors import UsageError
from linectl.image import Value
from linectl.site.durations import format_duration
from linectl.site.hardware import Point

MAINTENANCE = "maintenance"
SETTLED_MS = 2_000
"""From the end of a run until counters and levels are read: run-down, and the slowest poll."""


@dataclass(frozen=True)
class Wanted:
    """A device to run: the output that gives the material, and what goes with it."""

    tag: str
    for_ms: int
    others: Mapping[str, Value]
    lead_ms: int = 0
    """By so much the others go ahead of it."""


@dataclass(frozen=True)
class Ran:
    """How a run went. `before` and `after` are the points round it, `amid` while it ran."""

    ran_ms: int
    before: Look
    amid: Look
    after: Look

    def counted(self, tag: str) -> int | None:
        """By how much a counter has grown; None if it could not be read."""
        first, last = self.before.points[tag], self.after.points[tag]
        return None if first is None or last is None else int(last) - int(first)


def into_maintenance(work: Work, zone: str) -> None:
    """See that every unit of the zone is in maintenance; offer the command for those that are not.

    Raises UsageError if the line refuses it or the person does not want it.
    """
    modes = {name: unit["mode"] for name, unit in work.controller.status()["units"].items()}
    owner = work.site.file.zones[zone].unit
    units = [name for name in modes if owner in (None, name)]
    away = [name for name in units if modes[name] != MAINTENANCE]
    if not away:
        return
    work.say(f"{' and '.join(away)} must be in maintenance: nothing reaches an output but pulses.")
    if not yes_or_no(work.person, "  put into maintenance now, yes or no: "):
        raise UsageError("without maintenance no device is run; nothing has moved")
    for name in away:
        why = work.controller.command("mode", MAINTENANCE, work.terms.by, name)
        if why is not None:
            raise UsageError(f"{name} does not go into maintenance: {why}. Nothing has moved")


def run_device(work: Work, wanted: Wanted) -> Ran | str:
    """Run it once; how it went, or why it did not run its whole time."""
    zone = _point(work, wanted.tag).zone or ""
    work.person.act(
        FieldAct(
            "hold", zone, True,
            f"hold the enabling device of {zone}: horn, then {wanted.tag} runs"
            f" {format_duration(wanted.for_ms)}",
        )
    )  # fmt: skip
    try:
        return _pulsed(work, wanted)
    finally:
        work.person.act(FieldAct("let_go", zone, False, "let the enabling device go"))


def _pulsed(work: Work, wanted: Wanted) -> Ran | str:
    before = work.controller.look(-1)
    words = [f"{tag}={_word(value)}" for tag, value in wanted.others.items()]
    if wanted.lead_ms:
        words.append(f"lead={format_duration(wanted.lead_ms)}")
    argument = " ".join((wanted.tag, format_duration(wanted.for_ms), *words))
    why = work.controller.command("pulse", argument, work.terms.by)
    if why is not None:
        return f"it was refused: {why}"
    amid = before
    while (status := work.controller.status())["pulse"] is not None:
        if status["pulse"]["stage"] == "begun":
            amid = work.controller.look(-1)
        if work.person.enough():
            work.controller.command("pulse-end", "", work.terms.by)
        work.terms.pause()
    why = _cut_short(status["last_pulse"], wanted, work.terms.by)
    if why is not None:
        return why
    return Ran(int(status["last_pulse"]["ran_ms"]), before, amid, _settled(work))


def _cut_short(last: Mapping[str, Any], wanted: Wanted, by: str) -> str | None:
    """Why the last pulse is not the run that was wanted, whole; None if it is."""
    if (last["tag"], last["by"]) != (wanted.tag, by):
        return f"another pulse came between, {last['tag']} by {last['by']}: that run does not count"
    if last["ended_by"] == "time":
        return None
    ended_by = _ENDED_BY.get(last["ended_by"], last["ended_by"])
    if last["stage"] == "refused":
        return f"it did not run: {ended_by}"
    ran = format_duration(int(last["ran_ms"]))
    return f"it was ended after {ran}: {ended_by}. That run does not count"


_ENDED_BY = {
    "enabling": "the enabling device was not held",
    "warning": "horn and beacon did not prove themselves",
    "device": "a device does not answer",
    "mode": "a unit was given another mode",
    "person": "somebody ended it",
    "control place": "somebody took the control place at the machine",
}


def _settled(work: Work) -> Look:
    """The points when what ran on has come to rest and has been read."""
    first = after = work.controller.look(-1)
    while after.now_ms - first.now_ms < SETTLED_MS:
        work.terms.pause()
        after = work.controller.look(-1)
    return after


def _point(work: Work, tag: str) -> Point:
    return work.site.points[work.site.index(tag)]


def _word(value: Value) -> str:
    return str(int(value)) if isinstance(value, bool) else f"{value:.10g}"

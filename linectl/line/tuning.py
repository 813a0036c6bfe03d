"""Timers, doses and calibrations changed while the line runs: tune PATH VALUE.

The line holds a frozen site; a tuned value replaces it whole, and every part takes its facts from
the new one. A step that is under way keeps the due it was given; the next one gets the new. Doses
and calibrations tell with the next gutter's set-points. What may be tuned, and how far:
site/tunable.py.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from linectl.crop import setpoints
from linectl.errors import UsageError
from linectl.image import Command, Event
from linectl.site.machine import Packing
from linectl.site.model import Site
from linectl.site.tunable import tunables, tuned

if TYPE_CHECKING:
    from linectl.line.line import Line

FORM = "tune PATH VALUE, for example: tune stations.tamp.press_timeout 9s"


class Tuning:
    """What has been tuned since the start. `values`: [path, value as it was written, by]."""

    FIELDS = ("values",)

    def __init__(self, line: Line) -> None:
        self._line = line
        self._base = line.site
        """As the controller started with it: bounds are reckoned from here."""
        self.values: list[list[str]] = []

    def tune(self, path: str, text: str, by: str) -> str | None:
        """Change one value. None when it is so, else why not."""
        line = self._line
        if not by.strip():
            return "say who: what is tuned is under a person's name"
        try:
            site = tuned(line.site, self._base, path, text)
        except UsageError as error:
            return str(error)
        if why := _cannot_be_told(line.site, site):
            return why
        old, new = (tunables(each)[path].text for each in (line.site, site))
        beneath = f"{path}."  # a whole entry replaces what was tuned of it
        self.values = [
            kept for kept in self.values if kept[0] != path and not kept[0].startswith(beneath)
        ]
        self.values.append([path, text, by.strip()])
        self._follow(site)
        text = f"{path}: {old or 'nothing'} → {new}"
        data = {"by": by.strip(), "path": path, "old": old, "new": new}
        line.emit(Event(line.now, "tune", _source(line, path), text, data))
        return None

    def settle(self) -> None:
        """After restoring: the site that the saved one ran with, from the one it started with."""
        site = self._base
        if not self.values and self._line.site is site:
            return
        for path, text, _ in self.values:
            site = tuned(site, self._base, path, text)
        self._follow(site)

    def status(self) -> list[dict[str, Any]]:
        """What differs from what the controller started with, and by whom."""
        was, now = tunables(self._base), tunables(self._line.site)
        return [
            {"path": path, "was": was[path].text, "value": now[path].text, "by": by}
            for path, _, by in self.values
            if path in was and was[path] != now[path]
        ]

    def _follow(self, site: Site) -> None:
        """Every part's facts are those of this site."""
        line = self._line
        line.site = site
        line.crops = site.crops.crops
        file = site.file
        for name, station in line.stations.items():
            station.facts = file.stations[name]  # type: ignore[attr-defined]
        for lane, facts in zip(line.lanes.lanes, file.lanes, strict=True):
            lane.facts = facts
        turnout = line.ends.turnout
        packing = file.stations[turnout.hall]
        assert isinstance(packing, Packing)
        turnout.packing = packing


def tune(line: Line, command: Command) -> str | None:
    """A named person changes a timer, a dose or a calibration of the running line."""
    words = command.argument.split(maxsplit=1)
    if len(words) != 2:
        return FORM
    return line.tuning.tune(words[0], words[1], command.by)


def _cannot_be_told(before: Site, after: Site) -> str | None:
    """A set-point that its register could hold, and no longer could."""
    for crop in after.crops.crops:
        why = setpoints.refusal(after, crop)
        if why is not None and setpoints.refusal(before, crop) is None:
            return why
    return None


def _source(line: Line, path: str) -> str:
    kind, name = path.split(".")[:2]
    if kind == "lanes":
        return f"lane{name}"
    return name if kind == "stations" else "line"

"""Which crop harvest takes next: by the site's strict order, or by a blend that people ask for.

The strict order (`sowing.harvest_order`) waits for the crop whose turn it is until somebody skips
it. A blend skips what cannot be had and makes it up. Without either the ripest tail goes.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from linectl.crop.order import even_order
from linectl.image import Event
from linectl.line.blend_commands import cycles
from linectl.line.blend_run import BlendRun, Look, Passed, rows
from linectl.line.inputs import NEVER
from linectl.line.lane import Lane
from linectl.line.lanebook import lanes_text
from linectl.site.crops import in_words

if TYPE_CHECKING:
    from linectl.line.line import Line

PATIENCE_TAKTS = 2
"""So long harvest waits for a ripe tail whose lane is on its way (a stroke, or sowing that will
fill its hole) before it skips the crop, in takts. Without it each stroke would cost a skip: on the
model of config/fennmark, garden_mix for two hours, 40 skips in 130 gutters; 4 with 1 takt, none
with 2."""
EJECTING = frozenset(("asked_pick", "reaching", "gripping", "lifting"))
NEXT_TOLD = 6
"""Crops told ahead in status."""


class HarvestOrder:
    """The strict order's place, and the blend that is followed."""

    FIELDS = ("at", "run", "wait_due", "stray", "since")

    def __init__(self, line: Line) -> None:
        self._line = line
        self._strict = line.site.file.sowing.harvest_order
        self.cycles = cycles(line.site.crops)
        """Gutters of a cycle of each blend of crops.yaml, or why it has none."""
        self._yields_kg = {name: crop.yield_kg for name, crop in line.crops.items()}
        self.patience_ms = PATIENCE_TAKTS * line.site.file.takt_ms
        self.at = 0
        """Place in the strict order."""
        self.blend = BlendRun()
        self.run = 0
        """Blends followed so far."""
        self.wait_due = NEVER
        """Until when harvest waits for a tail that is coming; past: it waits for none."""
        self.stray = False
        """The gutter being ejected was chosen before this blend began, or before it ended."""
        self.since = 0

    # choosing ----------------------------------------------------------------------------------

    def step(self, now: int) -> None:
        """Each scan, before the stations: harvest's patience begins, and ends by its due."""
        if not self.blend:
            return
        waits = (
            self._line.harvest.state in ("Execute", "Suspended")
            and self._line.ends.outfeed.state == "idle"
            and self._look(now, patient=True).says == "wait"
        )
        if waits and self.wait_due == NEVER:
            self.wait_due = now + self.patience_ms
            self._line.changed = True
        elif not waits and self.wait_due != NEVER:
            self.wait_due = NEVER
            self._line.changed = True

    def next_due(self) -> int:
        """When harvest's patience ends."""
        return self.wait_due if self.wait_due > self._line.now else NEVER

    def tail(self, now: int) -> Lane | None:
        """The lane whose tail is to be ejected now; None if there is none."""
        if not self.blend:
            return self._line.lanes.ripe_tail(self._only(), now)
        look = self._look(now)
        return self._line.lanes.ripe_tail((look.crop,), now) if look.says == "take" else None

    def may_take(self, lane: Lane, now: int) -> bool:
        """The carriage has come to this lane: its tail may still be taken."""
        crops = self.blend.crops if self.blend else self._only()
        return self._line.lanes.may_take(lane, crops, now)

    def wanted(self, now: int) -> tuple[str, ...] | None:
        """Crops that harvest would take or waits for; None: any."""
        if not self.blend:
            return self._only()
        look = self._look(now)
        if look.says == "blocked":
            return tuple(dict.fromkeys((*self.blend.owed, look.crop)))
        return tuple(self.blend.crops)

    def _only(self) -> tuple[str] | None:
        """The strict order's crop; None where the site has no such order."""
        return (self._strict[self.at % len(self._strict)],) if self._strict else None

    def _look(self, now: int, patient: bool | None = None) -> Look:
        lanes = self._line.lanes
        if patient is None:
            patient = now < self.wait_due
        return self.blend.look(
            lambda crop: lanes.ripe_tail((crop,), now) is not None,
            lambda crop: lanes.is_coming(crop, now),
            self._never,
            patient,
        )

    def _never(self, crop: str) -> bool:
        """Today's list lets no gutter of the crop be pulled any more."""
        return not self._line.lanes.pulls_left(crop)

    # counting ----------------------------------------------------------------------------------

    def went(self, crop: str) -> None:
        """A gutter of that crop has been ejected."""
        stray, self.stray = self.stray, False
        if self.blend:
            self._went("" if stray else crop)
        elif not stray:
            self._advance()

    def _went(self, crop: str) -> None:
        blend = self.blend
        self.wait_due = NEVER
        passed = blend.took(crop, self._never)
        for owed in dict.fromkeys(blend.owed):
            if self._never(owed):
                passed.forgiven.extend([owed] * blend.forgive(owed))
        self._tell_went(crop, passed)

    def _advance(self) -> None:
        """The next place in the strict order, told to the record: it outlasts a power cut."""
        self.at += 1
        if self._strict:
            self.at %= len(self._strict)
            text = f"next to be ejected: {self._strict[self.at]}"
            self._emit("order", self._line.ends.outfeed.name, text, {"at": self.at})

    def weighed(self, crop: str, kg: float) -> None:
        """A gutter of that crop was weighed at packing."""
        if self.blend:
            self.blend.weigh(crop, kg)
            self._line.changed = True

    # what people do ----------------------------------------------------------------------------

    def begin(self, name: str, by: str, cycle: Mapping[str, int], order: tuple[str, ...]) -> None:
        """Follow a blend; whatever was followed before ends. Without crops: none any more."""
        followed = bool(self.blend or cycle)
        self._end(by)
        self.run += 1
        self.blend.begin(name, by, cycle, order)
        outfeed = self._line.ends.outfeed
        self.stray = followed and EJECTING & {outfeed.state, outfeed.back} != set()
        self.since = self._line.now
        self.wait_due = NEVER
        gutters = ", ".join(f"{count} {crop}" for crop, count in cycle.items())
        text = f"blend {name}: {gutters}".replace("_", " ") if cycle else "no blend"
        self._say("asked", text, {})

    def _end(self, by: str) -> None:
        if self.blend:
            self._say("ended", self.text(), {"ended_by": by, "account": self._account()})

    def skip(self) -> str | None:
        """A person's skip; None when taken, else why not.

        Strict: the next place. A blend: the debt that harvest waits for is forgiven, else the crop
        whose turn it is has had it.
        """
        if not self.blend:
            if not self._strict:
                return "this site has no harvest order: there is nothing to skip"
            self._advance()
            return None
        if self._line.ends.outfeed.state in EJECTING:
            return "a gutter is being ejected: skip when it is on board"
        look = self._look(self._line.now)
        if look.says == "blocked":
            crop, skipped = look.crop, list[str]()
            forgiven = [crop] * self.blend.forgive(crop)
        else:
            crop = self.blend.pass_over()
            skipped = forgiven = [crop]
        self.wait_due = NEVER
        self._tell_went("", Passed(False, skipped, forgiven))
        return None

    # telling -----------------------------------------------------------------------------------

    def _tell_went(self, crop: str, passed: Passed) -> None:
        blend = self.blend
        after = f"; owed: {_words(blend.owed)}" if blend.owed else ""
        skips = f"skipped {_words(passed.skipped)}; " if passed.skipped else ""
        what = f"{_words([crop])} made up" if passed.made_up else _words([crop])
        text = f"{skips}{what if crop else 'no gutter of the blend'}{after}"
        taken = {"crop": crop, "made_up": passed.made_up}
        self._say("went", text, {**taken, "skipped": passed.skipped, "forgiven": passed.forgiven})

    def _say(self, stage: str, text: str, data: dict[str, Any]) -> None:
        """The whole blend each time: the last one is where a restart goes on."""
        blend = self.blend
        cycle = dict(zip(blend.crops, blend.cycle, strict=True))
        state = {
            "stage": stage, "run": self.run, "name": blend.name, "by": blend.by, "cycle": cycle,
            "place": blend.place, "owed": list(blend.owed), "beside": blend.beside,
            "counts": [list(row) for row in zip(*self._counts(), strict=True)],
        }  # fmt: skip
        self._emit("blend", self._line.harvest.name, text, {**state, **data})

    def _counts(self) -> list[list[int]]:
        """By crop: turns, gone, skipped, made up, forgiven, weighed, grams weighed."""
        b = self.blend
        return [b.turns, b.gone, b.skipped, b.made_up, b.forgiven, b.weighed, b.weighed_g]

    def _emit(self, kind: str, source: str, text: str, data: dict[str, Any]) -> None:
        self._line.emit(Event(self._line.now, kind, source, text, data))

    def told(self, at: int, blend: Mapping[str, Any]) -> None:
        """At start, what the record has: the place in the strict order, and the last event of the
        blend (empty: none). A blend of a crop that the site no longer has is followed no more."""
        self.at = at
        self.run = int(blend.get("run", 0))
        cycle = blend.get("cycle", {})
        if not cycle or blend["stage"] == "ended" or not set(cycle) <= set(self._line.crops):
            return
        self.blend.begin(blend["name"], blend["by"], cycle, even_order(cycle).order)
        self.blend.place, self.blend.beside = blend["place"], blend["beside"]
        self.blend.owed = list(blend["owed"])
        for crop, row in enumerate(blend["counts"]):
            for counts, value in zip(self._counts(), row, strict=True):
                counts[crop] = value

    def waiting_text(self, now: int) -> str:
        """Why nothing is ejected, in a person's words."""
        line = self._line
        if text := line.day.harvest_text():
            return text
        look = self._look(now) if self.blend else Look("nothing")
        if look.says == "blocked":
            limit = self.blend.limit(look.crop)
            count = "1 gutter" if limit == 1 else f"{limit} gutters"
            text = (
                f"{_words([look.crop])} is owed {count}, as many as a cycle of blend"
                f" {self.blend.name} has: harvest waits for a ripe tail of it"
            )
            if waiting := line.lanes.tails_waiting((look.crop,), now):
                text += f"; {lanes_text(waiting)}: sowing has not filled the freed slot"
            return text + " (skip forgives what is owed)"
        if look.says == "wait":
            return f"the ripe tail of {_words([look.crop])}, whose turn it is, is about to be free"
        return line.lanes.no_tail_text(self.wanted(now), now)

    def text(self) -> str:
        """What has gone, in a line."""
        blend = self.blend
        parts = [
            f"{gone} of {turns} {crop}"
            for crop, gone, turns in zip(blend.crops, blend.gone, blend.turns, strict=True)
        ]
        owed = f"; owed: {_words(blend.owed)}" if blend.owed else ""
        return f"blend {blend.name}: {', '.join(parts)}{owed}".replace("_", " ")

    def _account(self) -> dict[str, Any]:
        blend = self.blend
        told = rows(blend, self._yields_kg)
        return {"ejected": sum(blend.gone), "beside": blend.beside, "owed": list(blend.owed),
                "crops": told}  # fmt: skip

    def status(self) -> dict[str, Any] | None:
        """The blend that is followed, for `status`; None without one. Seconds, kg, shares of 1.

        next: the crops whose turns come; owed: what goes before them, the oldest first; crops: as
        `blend_run.rows` tells them.
        """
        blend = self.blend
        if not blend:
            return None
        ahead = [blend.order[(blend.place + n) % len(blend.order)] for n in range(NEXT_TOLD)]
        return {
            "name": blend.name, "by": blend.by, "since_s": (self._line.now - self.since) / 1000,
            "next": ahead, **self._account(), "text": self.text(),
        }  # fmt: skip


def _words(crops: list[str]) -> str:
    return in_words(", ".join(crops))

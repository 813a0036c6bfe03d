"""One pulse commanded and watched: when it was on, which feedbacks came, how it ended."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from linectl.commission.checkout.facts import WARNERS, Facts
from linectl.commission.checkout.pulse_plan import Pulse
from linectl.commission.checkout.watching import SETTLE_MS, Lookout
from linectl.commission.controller import Change, Look
from linectl.commission.person import FieldAct, Person, Reading

AFTER_MS = 1500
"""After the pulse: so long feedbacks may still fall back (drives run down)."""
WARNING = (".horn_on", ".beacon_on")
TAKEN_MS = 5_000
"""A pulse that was accepted stands in the status by then."""
SETTLED_MS = 1_000
"""Its feedback has come: so long is looked on before the pulse is ended."""


@dataclass
class Ran:
    """What was seen of one pulse."""

    on_ms: int | None = None
    """The scan in which the output came to its value; None if it never did."""
    ended_by: str = ""
    edges: dict[str, list[Change]] = field(default_factory=dict)
    """Feedbacks of any output, by tag, from the moment it was on."""
    numbers: dict[str, float] = field(default_factory=dict)
    """By how much numbers of its part changed meanwhile."""
    broken_off: bool = False
    lost: bool = False

    def came(self, tag: str, value: bool) -> int | None:
        """ms from the command at the output to the first time that a feedback came to a value."""
        for edge in self.edges.get(tag, ()):
            if edge.value is value and self.on_ms is not None:
                return edge.at_ms - self.on_ms
        return None


class Pulsing:
    """Commands one confirmed pulse and looks on. It is ended whatever befalls this program."""

    def __init__(self, facts: Facts, lookout: Lookout, person: Person, by: str) -> None:
        self._facts, self._lookout, self._person, self._by = facts, lookout, person, by

    def run(self, pulse: Pulse) -> Ran | str:
        """The pulse, or why it was refused. The caller has its confirmation."""
        item = self._facts.items[pulse.tag]
        before = self._lookout.arm()
        controller = self._lookout.controller
        refused = controller.command("pulse", pulse.argument, self._by)
        if refused is not None:
            return refused
        held = item.role not in WARNERS
        try:
            if held:
                text = f"hold the enabling device of {item.zone}: {pulse.tag} moves after the horn"
                self._person.act(FieldAct("hold", item.zone, True, text))
            ran = self._watch(pulse, before)
        finally:
            # Not there any more: it has ended by itself, as it should.
            controller.command("pulse-end", "", self._by)
            if held:
                text = f"let the enabling device of {item.zone} go"
                self._person.act(FieldAct("let_go", item.zone, False, text))
        self._after(ran, pulse, before)
        return ran

    def _watch(self, pulse: Pulse, before: Mapping[str, Reading]) -> Ran:
        ran, last = Ran(), dict(before)
        begun_ms = self._lookout.now_ms
        stood, stage, seen_ms = False, "", None
        while True:
            if self._lookout.enough():
                ran.broken_off = True
                return ran
            look = self._lookout.next_look()
            self._note(ran, pulse, last, look)
            status = self._lookout.status()
            now: Mapping[str, Any] | None = status.get("pulse")
            stood = stood or now is not None
            if now is None and (
                stood or look.now_ms - begun_ms > TAKEN_MS or ran.on_ms is not None
            ):
                ended = status.get("last_pulse") or {}
                ran.ended_by = str(ended.get("ended_by") or "")
                return ran
            if now is not None and now.get("stage") != stage:
                stage = str(now.get("stage"))
                self._tell(stage)
            if pulse.until_seen and self._all_came(ran, pulse):
                seen_ms = look.now_ms if seen_ms is None else seen_ms
                if look.now_ms - seen_ms >= SETTLED_MS:
                    ran.ended_by = "seen"
                    return ran

    def _tell(self, stage: str) -> None:
        told = {
            "waits": "  it waits for the enabling device, a minute at most",
            "warned": "  horn and beacon: hold on",
            "begun": "  ON NOW",
        }
        if stage in told:
            self._person.say(told[stage])

    def _all_came(self, ran: Ran, pulse: Pulse) -> bool:
        return all(ran.came(tag, value) is not None for tag, value in pulse.awaited.items())

    def _note(self, ran: Ran, pulse: Pulse, last: dict[str, Reading], look: Look) -> None:
        ran.lost = ran.lost or look.lost
        for change in look.changes:
            if change.value is None:
                continue  # what cannot be read has not moved
            was, last[change.tag] = last.get(change.tag), change.value
            if was is None or was == change.value:
                continue
            if change.tag == pulse.tag and change.value is pulse.value and ran.on_ms is None:
                ran.on_ms = change.at_ms
            elif ran.on_ms is not None and self._answers(pulse, change.tag):
                ran.edges.setdefault(change.tag, []).append(change)

    def _answers(self, pulse: Pulse, tag: str) -> bool:
        """A feedback of some output; the warning's own end is none of this one's."""
        warns = tag.endswith(WARNING) and not pulse.tag.endswith((".horn", ".beacon"))
        return bool(self._facts.drivers.get(tag)) and not warns

    def _after(self, ran: Ran, pulse: Pulse, before: Mapping[str, Reading]) -> None:
        """What falls back afterwards, and what numbers of the part did."""
        last = dict(self._lookout.points)
        for tag, edges in ran.edges.items():
            last[tag] = edges[-1].value
        end_ms = self._lookout.now_ms + (AFTER_MS if ran.on_ms is not None else SETTLE_MS)
        while self._lookout.now_ms < end_ms:
            self._note(ran, pulse, last, self._lookout.next_look())
        for tag, now in self._lookout.points.items():
            then = before.get(tag)
            if isinstance(now, bool) or isinstance(then, bool) or now is None or then is None:
                continue
            if now != then:
                ran.numbers[tag] = now - then

"""One on/off output: danger told, confirmation typed, one pulse, what moved seen and asked."""

from __future__ import annotations

from collections.abc import Sequence

from linectl.commission.checkout.facts import Facts, Item
from linectl.commission.checkout.outcome import Outcome, Terms, failed, trace_of
from linectl.commission.checkout.pulse_plan import Pulse, pulse_of
from linectl.commission.checkout.pulsing import Pulsing, Ran
from linectl.commission.checkout.resetting import reset_interlocks
from linectl.commission.checkout.watching import Lookout
from linectl.commission.checkout.words import CAUTION, danger_of
from linectl.commission.person import FieldAct, Person, answer

BY_DEVICE_WORDS = {
    "enabling": "the enabling device was let go",
    "warning": "horn and beacon did not prove themselves",
    "device": "its device fell silent",
    "mode": "the mode changed",
    "control place": "somebody took the control place at the machine",
}


class OutputTrial:
    """One output with one person. No pulse is commanded without a confirmation of its own."""

    def __init__(
        self, facts: Facts, item: Item, lookout: Lookout, person: Person, terms: Terms
    ) -> None:
        self._facts, self._item, self._lookout = facts, item, lookout
        self._person, self._terms = person, terms

    def stands_there(self) -> bool:
        """Its end is reached already, so that a pulse of it would move nothing."""
        pulse = pulse_of(self._facts, self._item, self._lookout.points)
        ends = [self._lookout.points[tag] is value for tag, value in pulse.awaited.items()]
        return pulse.until_seen and bool(ends) and all(ends) and self._item.role != "gate"

    def run(self) -> Outcome | None:
        """What was found; None if it was left out. Raises Ended."""
        for line in danger_of(self._facts.site, self._item):
            self._person.say(f"  {line}")
        while True:
            self._lookout.arm()
            pulse = pulse_of(self._facts, self._item, self._lookout.points)
            for line in (*pulse.told(self._facts), *CAUTION):
                self._person.say(f"  {line}")
            if not confirmed(self._person, pulse.tag):
                return None
            ran = self._pulsed(pulse)
            if isinstance(ran, str):
                if not self._again(ran):
                    return None
            elif ran.on_ms is None:
                why = BY_DEVICE_WORDS.get(ran.ended_by, ran.ended_by or "it was broken off")
                self._person.say(f"  it was never on: {why}")
                if not self._again(why):
                    return None
            else:
                return self._judged(pulse, ran)

    def _pulsed(self, pulse: Pulse) -> Ran | str:
        """The confirmed pulse; over a vessel where it gives material."""
        item, person = self._item, self._person
        gives = item.role in ("doser", "valve", "drum")
        if gives:
            person.act(FieldAct("put", item.part, None, f"put a vessel under {item.part}"))
        person.act(FieldAct("look", pulse.tag, None, f"look at {pulse.tag}"))
        try:
            return Pulsing(self._facts, self._lookout, person, self._terms.by).run(pulse)
        finally:
            if gives:
                text = f"take the vessel from {item.part} when it stands still"
                person.act(FieldAct("take", item.part, None, text))

    def _again(self, why: str) -> bool:
        """Interlocks may be reset from here; that moves nothing and starts nothing."""
        question = f"  {why}: Enter tries again, i resets interlocks, s leaves it out, q ends: "
        choice = answer(self._person, question).lower()[:1]
        if choice == "i":
            reset_interlocks(self._lookout, self._person, self._terms.by)
        return choice != "s"

    # judging ---------------------------------------------------------------------------------

    def _judged(self, pulse: Pulse, ran: Ran) -> Outcome:
        for line in seen_of(pulse, ran):
            self._person.say(f"  {line}")
        said, others = self._asked(pulse)
        travel = [ms for tag, value in pulse.awaited.items()
                  if (ms := ran.came(tag, value)) is not None]  # fmt: skip
        missing = [tag for tag, value in pulse.awaited.items() if ran.came(tag, value) is None]
        instead = [tag for tag in ran.edges if tag not in self._own(pulse)]
        beside = self._beside(pulse, ran, said, instead)
        seen = Outcome(
            True,
            trace="; ".join(trace_of(edges, tag) for tag, edges in ran.edges.items()),
            travel_ms=str(max(travel)) if travel and not missing else "",
            beside=beside,
            remark=_ended(pulse, ran),
        )
        if others:
            found = f"{', '.join(others)} moved instead: the outputs are swapped"
            return seen.faulty(found, self._outputs(others))
        if said == "backwards":
            return seen.faulty("moves the wrong way: it turns backwards")
        if said == "no":
            return seen.faulty(self._nothing(ran, instead), self._drivers(instead))
        needed = [tag for tag in missing if tag not in beside]
        if needed and instead:
            found = f"it moved, and {', '.join(instead)} came instead of {', '.join(needed)}"
            return seen.faulty(f"{found}: the wires of the feedbacks are swapped")
        if needed:
            return seen.faulty(f"it moved, and its feedback did not come: {', '.join(needed)}")
        return seen

    def _asked(self, pulse: Pulse) -> tuple[str, tuple[str, ...]]:
        """yes, no or backwards; or what moved in its place."""
        known = self._facts.items
        question = f"  did {pulse.tag} move, the right way? yes, no, backwards, or what moved: "
        while True:
            words = answer(self._person, question).replace(",", " ").split()
            word = words[0].lower() if words else ""
            for whole in ("yes", "no", "backwards"):
                if word and whole.startswith(word):
                    return whole, ()
            others = [w for w in words if w in known and known[w].point.direction == "out"]
            others = [w for w in others if w != pulse.tag and w not in pulse.beside]
            if others and len(words) == len(others) + sum(w in pulse.beside for w in words):
                return "other", tuple(others)
            self._person.say("  type yes, no, backwards, or the tag of the output that moved")

    def _beside(
        self, pulse: Pulse, ran: Ran, said: str, instead: Sequence[str]
    ) -> dict[str, Outcome]:
        """Feedbacks that are tried with this output: seen there and back, or not."""
        made = {}
        for tag, value in pulse.awaited.items():
            if self._facts.tried_with(tag) is None or said != "yes":
                continue
            there, back = ran.came(tag, value), ran.came(tag, not value)
            trace = trace_of(ran.edges.get(tag, ()))
            trace = f"with {pulse.tag}: {trace}" if trace else f"with {pulse.tag}"
            if there is not None and back is not None:
                made[tag] = Outcome(True, trace=trace)
            elif there is not None:
                made[tag] = failed("it did not fall back after the pulse", trace=trace)
            elif self._lookout.points[tag] is value:
                made[tag] = failed("inverted contact, or stuck: it stands on at rest", trace=trace)
            elif instead:
                made[tag] = failed(f"{', '.join(instead)} came instead: swapped wires", trace=trace)
            elif ran.came(tag, not value) is not None:
                made[tag] = failed("inverted contact: it falls when it should come", trace=trace)
            else:
                made[tag] = failed("dead point: it did not come", trace=trace)
        return made

    def _own(self, pulse: Pulse) -> set[str]:
        """Feedbacks of what was commanded, and of the horn that warned."""
        tags = {pulse.tag, *pulse.beside}
        return {tag for one in tags for tag in self._facts.feedbacks.get(one, ())}

    def _nothing(self, ran: Ran, instead: Sequence[str]) -> str:
        if instead:
            drivers = ", ".join(self._drivers(instead))
            return f"it did not move, and {', '.join(instead)} came: swapped with {drivers}?"
        note = self._item.point.note
        at = f" {note}" if note else ""
        return f"dead or stuck: nothing moved; look at terminal{at}, fuse, isolator, valve, air"

    def _drivers(self, feedbacks: Sequence[str]) -> tuple[str, ...]:
        made = [tag for one in feedbacks for tag in self._facts.drivers.get(one, ())]
        return tuple(dict.fromkeys(tag for tag in made if tag != self._item.tag))

    def _outputs(self, tags: Sequence[str]) -> tuple[str, ...]:
        return tuple(tag for tag in tags if self._facts.items[tag].kind == "output")


def confirmed(person: Person, token: str) -> bool:
    """True if they typed exactly that, for one pulse. Raises Ended."""
    said = answer(person, f'  type "{token}" for ONE pulse, Enter leaves it out: ')
    if said == token:
        return True
    if said:
        person.say(f"  {said!r} is not {token!r}: no pulse")
    return False


def seen_of(pulse: Pulse, ran: Ran) -> list[str]:
    """What was seen, in words."""
    lines = []
    for tag in ran.edges:
        ms = ran.came(tag, pulse.awaited.get(tag, True))
        when = "" if ms is None else f", after {ms} ms"
        lines.append(f"seen: {trace_of(ran.edges[tag], tag)}{when}")
    lines += [f"seen: {tag} changed by {by:g}" for tag, by in list(ran.numbers.items())[:4]]
    return lines or ["no feedback was seen"]


def _ended(pulse: Pulse, ran: Ran) -> str:
    """Of a pulse that something cut short."""
    if ran.ended_by in ("", "time", "seen", "person"):
        return ""
    return f"the pulse was ended by {BY_DEVICE_WORDS.get(ran.ended_by, ran.ended_by)}"

"""A set-point tried: five values written by confirmed pulses, each read at the device."""

from __future__ import annotations

from linectl.commission.checkout.analogue_trial import as_json
from linectl.commission.checkout.facts import Facts, Item
from linectl.commission.checkout.fit import Pair, fitted, power_of_ten
from linectl.commission.checkout.outcome import Outcome, Terms, failed
from linectl.commission.checkout.output_trial import confirmed
from linectl.commission.checkout.spans import SHARES, number, other_order, raw_of, span_of
from linectl.commission.checkout.watching import Lookout
from linectl.commission.checkout.words import CAUTION
from linectl.commission.person import FieldAct, Person, answer
from linectl.line.pulse_limits import pulse_most_ms
from linectl.site.durations import format_duration


class SetpointTrial:
    """One number output with one person who reads the device's own display."""

    def __init__(
        self, facts: Facts, item: Item, lookout: Lookout, person: Person, terms: Terms
    ) -> None:
        self._facts, self._item, self._lookout = facts, item, lookout
        self._person, self._terms = person, terms

    def run(self) -> Outcome | None:
        """What was found; None if it was left out. Raises Ended."""
        item, unit = self._item, self._item.point.unit
        most = format_duration(pulse_most_ms(self._facts.site, item.tag))
        self._person.say(f"  it moves nothing by itself: run stays off. Each value {most} at most")
        self._person.say(f"  {CAUTION[0]}")
        low, high = span_of(self._facts.site, item, self._person, self._terms)
        pairs: list[Pair] = []
        for share in SHARES:
            value = round(low + share * (high - low), 3)
            shown = self._one(value, most)
            if shown is None:
                return None
            pairs.append(Pair(value, raw_of(item.point, value), shown, "up"))
            self._person.say(f"  {value:g} {unit}: raw {pairs[-1].raw:g}, device {shown:g} {unit}")
        return self._judged(pairs, high - low)

    def _one(self, value: float, most: str) -> float | None:
        """One value written and read; None if it is left out. Back at its safe value after it."""
        item, controller = self._item, self._lookout.controller
        unit = item.point.unit
        token = f"{item.tag} {value:g}"
        self._lookout.arm()
        if not confirmed(self._person, token):
            return None
        refused = controller.command("pulse", f"{item.tag} {most} {value:g}", self._terms.by)
        if refused is not None:
            self._person.say(f"  refused: {refused}")
            return None
        try:
            for _ in range(5):
                self._lookout.next_look()
            text = f"read {item.tag} at the device"
            self._person.act(FieldAct("look", item.tag, value, text))
            while True:
                said = answer(self._person, f"  the device shows, {unit}: ")
                if said and (shown := number(said, value)) is not None:
                    return shown
        finally:
            controller.command("pulse-end", "", self._terms.by)

    def _judged(self, pairs: list[Pair], span: float) -> Outcome:
        point = self._item.point
        readings = as_json(pairs)
        worst = max(pairs, key=lambda pair: abs(pair.reading - pair.reference))
        allowed = self._terms.tolerance * span
        fit = fitted(pairs)
        text = "" if fit is None else fit.text(point.unit)
        if abs(worst.reading - worst.reference) <= allowed:
            return Outcome(True, readings=readings, fit=text)
        turned = [other_order(point, pair.reference) for pair in pairs]
        if all(
            one is not None and abs(one - pair.reading) <= allowed
            for one, pair in zip(turned, pairs, strict=True)
        ):
            return failed(f"wrong word order: the device takes it the other way, not"
                          f" {point.word_order} word first", readings=readings)  # fmt: skip
        power = power_of_ten(fit.slope) if fit is not None else None
        if power is not None:
            found = f"the device shows {power:g} times what is written: scale off by {power:g}"
        elif len({pair.reading for pair in pairs}) == 1:
            found = f"dead or not taken: the device stays at {pairs[0].reading:g}"
        else:
            found = f"the device shows {worst.reading:g} for {worst.reference:g} {point.unit}"
        return failed(found, readings=readings, fit=text)

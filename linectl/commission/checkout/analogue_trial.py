"""Numbers from the field: five references up and down, wire break; counts of known units."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace

from linectl.commission.checkout.facts import Facts, Item
from linectl.commission.checkout.fit import Fit, Pair, fitted, power_of_ten
from linectl.commission.checkout.outcome import Outcome, Terms, failed
from linectl.commission.checkout.spans import SHARES, number, other_order, raw_of, span_of
from linectl.commission.checkout.watching import Lookout
from linectl.commission.checkout.words import shown
from linectl.commission.person import FieldAct, Person, Reading, answer
from linectl.site.hardware import Point
from linectl.site.machine import Water
from linectl.site.register_range import register_range

STEADY_MS = 400
"""Two readings so far apart must agree."""
STEADY_WITHIN = 0.001
"""Of the span."""
STEADY_MOST_MS = 5_000
COUNTED = 10.0
"""Units that are let through a counter if nobody says otherwise."""
MOVED_SHARE = 0.05
"""A number that moves by less of its span than this, from end to end, has not followed."""


class AnalogueTrial:
    """One analogue input with one person and a reference."""

    def __init__(
        self, facts: Facts, item: Item, lookout: Lookout, person: Person, terms: Terms
    ) -> None:
        self._facts, self._item, self._lookout = facts, item, lookout
        self._person, self._terms = person, terms
        self._others: dict[str, list[float]] = {}

    def run(self) -> Outcome | None:
        """What was found. Raises Ended."""
        self._lookout.arm()
        low, high = span_of(self._facts.site, self._item, self._person, self._terms)
        up = [(low + share * (high - low), "up") for share in SHARES]
        down = [(reference, "down") for reference, _ in reversed(up[:-1])]
        pairs: list[Pair] = []
        bad: list[float] = []
        for reference, way in (*up, *down):
            pair = self._point(reference, way, high - low)
            if pair is None:
                return None
            if pair.reading != pair.reading:
                bad.append(pair.reference)
            else:
                pairs.append(pair)
        broken = self._wire_break()
        self._act("release", None, "take the reference away")
        if bad or len(pairs) < len(SHARES):
            told = f"no good reading at {', '.join(f'{one:g}' for one in bad)}"
            return failed(told, trace=broken, readings=as_json(pairs))
        return self._judged(pairs, high - low, broken)

    def _point(self, reference: float, way: str, span: float) -> Pair | None:
        """One reference, applied and read; its reading is not a number where there was none."""
        item, unit = self._item, self._item.point.unit
        self._act("apply", reference, f"{item.tag}: apply {reference:g} {unit}")
        while True:
            asked = f"  reference applied, {unit} (Enter: {reference:g}; s leaves it out): "
            said = answer(self._person, asked)
            if said.lower() == "s":
                return None
            if (applied := number(said, reference)) is not None:
                break
            self._person.say("  a number, such as 12.5")
        reading = self._steady(span)
        self._note_others()
        if reading is None:
            self._person.say(f"  {applied:g} {unit}: no reading")
            return Pair(applied, float("nan"), float("nan"), way)
        raw = raw_of(item.point, reading)
        error = reading - applied
        self._person.say(
            f"  {applied:g} {unit}: raw {raw:.7g}, reads {reading:.7g} {unit}, {error:+.4g} {unit}"
        )
        return Pair(applied, raw, reading, way)

    def _steady(self, span: float) -> float | None:
        """Its reading when it has come to rest, or the last one."""
        tag = self._item.tag
        end_ms = self._lookout.now_ms + STEADY_MOST_MS
        while True:
            first, since_ms = self._lookout.next_look().points[tag], self._lookout.now_ms
            while self._lookout.now_ms - since_ms < STEADY_MS:
                self._lookout.next_look()
            now = self._lookout.points[tag]
            if first is not None and now is not None and abs(now - first) <= STEADY_WITHIN * span:
                return float(now)
            if self._lookout.now_ms >= end_ms:
                return None if now is None else float(now)

    def _note_others(self) -> None:
        """What every other number reads: one of them may follow in place of this one."""
        for tag, item in self._facts.items.items():
            value = self._lookout.points[tag]
            if item.kind == "analogue" and value is not None:
                self._others.setdefault(tag, []).append(float(value))

    def _wire_break(self) -> str:
        """What it reads with its wire open; empty where it has none to open."""
        item = self._item
        if item.point.words != 1:
            return ""
        self._act("break", None, f"{item.tag}: open its wire")
        said = answer(self._person, "  wire opened? Enter reads it, n: it has none to open: ")
        told = ""
        if said.lower()[:1] != "n":
            end_ms = self._lookout.now_ms + STEADY_MS
            while self._lookout.now_ms < end_ms:
                self._lookout.next_look()
            told = broken_told(item, self._lookout.points[item.tag])
            self._person.say(f"  {told}")
        self._act("mend", None, f"{item.tag}: close its wire again")
        return told

    def _judged(self, pairs: Sequence[Pair], span: float, broken: str) -> Outcome:
        point = self._item.point
        allowed = self._terms.tolerance * span
        within = within_register(point, pairs, allowed)
        fit = fitted(within)
        if len(within) < len(pairs):
            most = register_range(point).most
            self._person.say(f"  its register ends at {most:g} {point.unit}: not fitted there")
        text = "" if fit is None else fit.text(point.unit)
        seen = Outcome(True, trace=broken, readings=as_json(pairs), fit=text)
        moved = max(p.reading for p in pairs) - min(p.reading for p in pairs)
        error = max(abs(p.reading - p.reference) for p in pairs)
        if error <= allowed:
            if text:
                self._person.say(f"  within {allowed:g} {point.unit}: {text}")
            return seen
        if moved < MOVED_SHARE * span:
            unfitted = replace(seen, fit="")  # nothing followed: a line through it says nothing
            followed = self._followers()
            if followed:
                found = f"{', '.join(followed)} moved instead: the wires are swapped"
                return unfitted.faulty(found, tuple(followed))
            where = point.note or "its terminal"
            found = f"dead point: it stays at {pairs[0].reading:.6g}; look at {where}, its supply"
            return unfitted.faulty(found)
        if text:
            self._person.say(f"  proposed: {text}")
        return seen.faulty(self._named(pairs, allowed, fit))

    def _followers(self) -> list[str]:
        """Other numbers that went up and down with the references."""
        return [
            tag
            for tag, values in self._others.items()
            if tag != self._item.tag and len(values) > 2 and len(set(values)) > len(SHARES) - 2
        ]

    def _named(self, pairs: Sequence[Pair], allowed: float, fit: Fit | None) -> str:
        """What is wrong, by its own name where it has one."""
        point = self._item.point
        turned = [other_order(point, pair.reading) for pair in pairs]
        if wrong_order(turned, [pair.reference for pair in pairs], allowed):
            return word_order_told(point.word_order)
        power = power_of_ten(fit.slope) if fit is not None else None
        if power is not None:
            return f"reads {power:g} times the reference: its scale is off by {power:g}"
        worst = max(pairs, key=lambda pair: abs(pair.reading - pair.reference))
        return (
            f"off by {worst.reading - worst.reference:+.4g} {point.unit} at {worst.reference:g},"
            f" {allowed:.4g} is allowed"
        )

    def _act(self, kind: str, value: Reading, text: str) -> None:
        self._person.act(FieldAct(kind, self._item.tag, value, text))


class CounterTrial:
    """One counter with one person who lets a known number of units through."""

    def __init__(
        self, facts: Facts, item: Item, lookout: Lookout, person: Person, terms: Terms
    ) -> None:
        self._facts, self._item, self._lookout = facts, item, lookout
        self._person, self._terms = person, terms

    def run(self) -> Outcome | None:
        """What was found; None if it was left out. Raises Ended."""
        item = self._item
        before = self._lookout.arm()[item.tag]
        if before is None:
            self._person.say(f"  no good reading; is device {item.point.device} silent?")
            return None
        unit, per_unit = self._per_unit()
        due = float(before) + COUNTED * per_unit
        text = f"{item.tag}: let {COUNTED:g} {unit} through"
        self._person.act(FieldAct("apply", item.tag, due, text))
        while True:
            asked = f"  {unit} let through (Enter: {COUNTED:g}; s leaves it out): "
            said = answer(self._person, asked)
            if said.lower() == "s":
                return None
            units = number(said, COUNTED)
            if units is not None and units > 0:
                break
        for _ in range(5):
            self._lookout.next_look()
        after = self._lookout.points[item.tag]
        self._person.act(FieldAct("release", item.tag, None, f"{item.tag}: that is enough"))
        if after is None:
            return failed("no good reading afterwards")
        return self._judged(float(before), float(after), units, per_unit, unit)

    def _per_unit(self) -> tuple[str, float]:
        """What is let through, and how many counts one of it should give."""
        station = self._facts.site.file.stations.get(self._item.part)
        if isinstance(station, Water):
            return "litres", station.pulses_per_l
        return self._item.point.unit or "units", 1.0

    def _judged(
        self, before: float, after: float, units: float, per_unit: float, unit: str
    ) -> Outcome:
        point = self._item.point
        counts, due = after - before, units * per_unit
        pair = Pair(units, raw_of(point, after) - raw_of(point, before), counts, "up")
        told = f"{counts:g} counts for {units:g} {unit}, {counts / units:.5g} each; due {due:g}"
        self._person.say(f"  {told}")
        seen = Outcome(True, readings=as_json([pair]), trace=told)
        allowed = max(1.0, self._terms.tolerance * due)
        if abs(counts - due) <= allowed:
            return seen
        if counts == 0:
            where = point.note or "its terminal"
            return seen.faulty(f"dead point: it does not count; look at {where}")
        then, now = other_order(point, before), other_order(point, after)
        if then is not None and now is not None and abs(now - then - due) <= allowed:
            return seen.faulty(word_order_told(point.word_order))
        if (power := power_of_ten(counts / due)) is not None:
            return seen.faulty(f"counts {power:g} times too much: its scale is off by {power:g}")
        return seen.faulty(f"counts {counts:g} where {due:g} is due")


def as_json(pairs: Sequence[Pair]) -> str:
    """As the record keeps readings."""
    return json.dumps([[p.reference, p.raw, p.reading, p.way] for p in pairs])


def within_register(point: Point, pairs: Sequence[Pair], allowed: float) -> Sequence[Pair]:
    """Without wrong readings at an end of what the register holds; all if too few are left."""
    ends = register_range(point)
    held = [
        pair
        for pair in pairs
        if ends.least < pair.reading < ends.most or abs(pair.reading - pair.reference) <= allowed
    ]
    return held if len({pair.reference for pair in held}) > 1 else pairs


def broken_told(item: Item, reading: Reading) -> str:
    """What a broken wire reads, and whether the line would notice."""
    if reading is None:
        return "wire break: no reading, as it should be: the line takes it as bad"
    raw = raw_of(item.point, float(reading))
    return (
        f"wire break: it reads {shown(reading)} {item.point.unit} (raw {raw:g}), which the line"
        " cannot tell from a true reading"
    )


def wrong_order(
    turned: Sequence[float | None], references: Sequence[float], allowed: float
) -> bool:
    """The readings are right in the other word order."""
    return all(
        one is not None and abs(one - reference) <= allowed
        for one, reference in zip(turned, references, strict=True)
    )


def word_order_told(order: str | None) -> str:
    """The finding, as it is named."""
    other = "little" if order == "big" else "big"
    return f"wrong word order: it reads right with word_order {other} in io.csv, not {order}"

"""One on/off input tried by one person: armed, acted upon in the field, seen there and back."""

from __future__ import annotations

from collections.abc import Sequence

from linectl.commission.checkout.facts import Facts, Item
from linectl.commission.checkout.outcome import Outcome, Terms, failed, trace_of
from linectl.commission.checkout.watching import Lookout, Seen, chatter_of
from linectl.commission.checkout.words import act_of, shown
from linectl.commission.person import FieldAct, Person, Reading, answer, yes_or_no
from linectl.site.durations import format_duration

BRINGS_OTHERS = frozenset(("estop_ok", "isolator_on", "air_ok", "supply_ok", "closed", "remote"))
"""Inputs whose act may well move others: they are recorded and not asked about."""
NAMED_MAX = 6


class InputTrial:
    """One input with one person."""

    def __init__(
        self, facts: Facts, item: Item, lookout: Lookout, person: Person, terms: Terms
    ) -> None:
        self._facts, self._item, self._lookout = facts, item, lookout
        self._person, self._terms = person, terms
        self._by_itself: set[str] = set()

    def run(self) -> Outcome | None:
        """What was found; None if it was left out. Raises Ended."""
        before = self._lookout.arm()
        rest = before[self._item.tag]
        if rest is None:
            return self._unread(before)
        wrong_way = False
        if self._item.normal is not None and rest is not self._item.normal:
            rest, wrong_way = self._at_rest(bool(rest))
            before = self._lookout.arm()
        acted = not rest if self._item.normal is None else not self._item.normal
        there = self._acted(before, acted)
        if there is None:
            return None
        if there.edges:
            if wrong_way or there.edges[0].value is not acted:
                return self._inverted(there)
            return self._back(there, bool(rest))
        if there.instead:
            return self._instead(there)
        if self._item.normal is None:
            return self._other_way(before, acted)
        return self._dead(before, there)

    # what is asked, what is told -----------------------------------------------------------------

    def _at_rest(self, rest: bool) -> tuple[bool, bool]:
        """Its reading at rest when the device is as it should be; True if it is then inverted."""
        item, normal = self._item, bool(self._item.normal)
        told = f"  it reads {int(rest)}, and {int(normal)} is normal ({item.need.role.text})."
        if yes_or_no(self._person, f"{told} Is the device at rest now? yes or no: "):
            return rest, True
        _, back = act_of(item)
        self._tell_act("release", normal, f"{item.tag}: {back}")
        seen = self._lookout.edge(item.tag, {item.tag: rest}, self._terms.wait_ms)
        return (normal, False) if seen.edges else (rest, True)

    def _acted(self, before: dict[str, Reading], acted: bool) -> Seen | None:
        """The watch after the person's act, until something moved or they say that it is dead."""
        item = self._item
        there, _ = act_of(item)
        if item.normal is None:
            there = f"make it {'so' if acted else 'not so'}: {item.need.role.text}"
        self._tell_act("operate", acted, f"{item.tag}: {there}")
        while True:
            seen = self._lookout.edge(item.tag, before, self._terms.wait_ms, self._by_itself)
            if seen.edges:
                return seen
            if seen.others:
                if self._goes_back(seen):
                    return seen
                before = self._lookout.arm()
                self._tell_act("operate", acted, f"{item.tag}: once more, {there}")
                continue
            waited = format_duration(self._terms.wait_ms)
            what = "broken off" if seen.broken_off else f"nothing moved in {waited}"
            question = f"  {what}: Enter watches on, f it is dead, s leaves it out, q ends: "
            choice = answer(self._person, question).lower()[:1]
            if choice == "f":
                return seen
            if choice == "s":
                self._let_go()
                return None

    def _goes_back(self, seen: Seen) -> bool:
        """Others moved: those that move back when the person lets go were moved by the person."""
        _, text = act_of(self._item)
        named = _listed(list(seen.others))
        self._tell_act("release", None, f"{named} moved. {self._item.tag}: {text}")
        back = self._lookout.back(seen.others, self._terms.wait_ms)
        alone = [tag for tag in seen.others if tag not in back]
        if alone:
            self._person.say(f"  {_listed(alone)} did not move back with you: by itself, it seems")
            self._by_itself.update(alone)
        seen.others = {tag: change for tag, change in seen.others.items() if tag in back}
        return bool(seen.others)

    def _back(self, there: Seen, rest: bool) -> Outcome:
        """The way back, chatter, and who else moved."""
        item = self._item
        value = shown(there.edges[0].value)
        self._person.say(f"  seen: {value} (±{self._lookout.scan_ms} ms)")
        before = dict(self._lookout.points)
        _, text = act_of(item)
        self._tell_act("release", rest, f"{item.tag} seen. {text}")
        back = self._came_back(before, rest)
        edges = [*there.edges, *back.edges]
        trace = trace_of(edges)
        if self._lookout.points[item.tag] is not rest:
            return failed(f"it came to {value} and did not come back", trace=trace)
        if fast := chatter_of(edges):
            return self._chatters(fast, trace)
        both_ways = [tag for tag in there.others if tag in back.others]
        for device in there.silent | back.silent:
            self._person.say(f"  device {device} fell silent meanwhile: see linectl status, find")
        return self._with_others(list(there.others), both_ways, trace)

    def _came_back(self, before: dict[str, Reading], rest: bool) -> Seen:
        """The watch until it is back at rest, or they say that it does not come back."""
        back = Seen()
        tag = self._item.tag
        while self._lookout.points[tag] is not rest:
            back = self._lookout.edge(tag, before, self._terms.wait_ms)
            if back.edges or self._lookout.points[tag] is rest:
                break
            question = "  not back yet: Enter watches on, f it does not come back, q ends: "
            if answer(self._person, question).lower()[:1] == "f":
                break
        return back

    def _chatters(self, fast: int, trace: str) -> Outcome:
        point = self._item.point
        delays = f"its delays are {point.on_delay_ms} and {point.off_delay_ms} ms"
        told = f"chatters: {fast} edges closely after each other ({delays})"
        question = f"  {told}. Was it the contact? yes, or no (your hand): "
        if yes_or_no(self._person, question):
            return failed(told, trace=trace)
        return Outcome(True, trace=trace, remark="several edges, by hand")

    def _with_others(
        self, all_others: Sequence[str], both_ways: Sequence[str], trace: str
    ) -> Outcome:
        if not all_others:
            return Outcome(True, trace=trace)
        told = f"moved too: {_listed(all_others)}"
        self._person.say(f"  {told}")
        if self._item.role in BRINGS_OTHERS:
            return Outcome(True, trace=trace, remark=told)
        if not both_ways:  # it did not move back with the person: by itself
            return Outcome(True, trace=trace)
        if yes_or_no(self._person, "  does that belong to your act? yes or no: "):
            return Outcome(True, trace=trace, remark=told)
        return failed(told, trace=trace, partners=tuple(both_ways))

    # what is wrong -------------------------------------------------------------------------------

    def _instead(self, seen: Seen) -> Outcome:
        trace = ", ".join(
            f"{one.tag} {shown(one.value)} at {one.at_ms} ms" for one in seen.others.values()
        )
        names = list(seen.instead)
        if len(names) == 1:
            found = f"{names[0]} moved instead: the wires of the two are swapped, or the device is"
            found += " wired to the other's terminal"
        else:
            found = f"these moved instead: {_listed(names)}"
        return failed(found, trace=trace, partners=tuple(names))

    def _inverted(self, seen: Seen) -> Outcome:
        self._let_go()
        way = shown(seen.edges[0].value)
        found = f"inverted contact: acted upon it goes to {way}, its acted side stands at rest"
        return failed(found, trace=trace_of(seen.edges))

    def _other_way(self, before: dict[str, Reading], acted: bool) -> Outcome | None:
        """Nothing came where it may be either way: it may have been so already."""
        there = self._acted(before, not acted)
        if there is None:
            return None
        if there.edges:
            return self._inverted(there)
        return self._instead(there) if there.instead else self._dead(before, there)

    def _dead(self, before: dict[str, Reading], seen: Seen) -> Outcome:
        self._let_go()
        return failed(
            f"dead point: it stays {shown(before[self._item.tag])}; {self._where(before)}"
        )

    def _where(self, before: dict[str, Reading]) -> str:
        """What to look at, nearest first."""
        point, site = self._item.point, self._facts.site
        group = [p for p in site.points if point.supply and p.supply == point.supply]
        levels = [before[p.tag] is p.invert for p in group if p.is_bool]
        if len(levels) > 1 and all(levels):
            return f"all {len(levels)} inputs of supply {point.supply} read 0: look at its 24 V"
        note = f" {point.note}" if point.note else ""
        return f"look at the device, its supply, its wire, terminal{note}, the card's lamp, address"

    def _unread(self, before: dict[str, Reading]) -> Outcome | None:
        """No good reading to begin with: the device is silent, most likely with all its points."""
        point = self._item.point
        mine = [p.tag for p in self._facts.site.points if p.device == point.device]
        mute = [tag for tag in mine if before[tag] is None]
        inputs = [p for p in self._facts.site.points if p.device == point.device]
        count = sum(p.direction == "in" for p in inputs)
        whole = (
            "it is silent" if len(mute) >= count else f"{len(mute)} of its points cannot be read"
        )
        told = f"no good reading; device {point.device}: {whole}"
        question = f"  {told}. Enter tries again, f records it, s leaves it out, q ends: "
        choice = answer(self._person, question).lower()[:1]
        if choice == "f":
            return failed(f"{told}; look at its power, bus, unit number (linectl why, peek)")
        return None if choice == "s" else self.run()

    def _tell_act(self, kind: str, value: Reading, text: str) -> None:
        self._person.act(FieldAct(kind, self._item.tag, value, text))

    def _let_go(self) -> None:
        _, back = act_of(self._item)
        self._tell_act("release", None, f"{self._item.tag}: {back}")
        self._lookout.next_look()


def _listed(tags: Sequence[str]) -> str:
    more = len(tags) - NAMED_MAX
    return ", ".join(tags[:NAMED_MAX]) + (f" and {more} more" if more > 0 else "")

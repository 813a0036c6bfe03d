"""`checkout`: point after point with one person at the machine, every try on the disk at once.

It commands the running controller's mode and confirmed pulses, and nothing else. It validates no
safety function.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Callable, Sequence
from pathlib import Path

from linectl import __version__
from linectl.commission.checkout.analogue_trial import AnalogueTrial, CounterTrial
from linectl.commission.checkout.facts import Facts, Item
from linectl.commission.checkout.input_trial import InputTrial
from linectl.commission.checkout.outcome import Outcome, Terms, Trial
from linectl.commission.checkout.output_trial import OutputTrial
from linectl.commission.checkout.record import (
    CheckoutStanding,
    Try,
    append_try,
    checkout_standing,
    row_of,
)
from linectl.commission.checkout.setpoint_trial import SetpointTrial
from linectl.commission.checkout.watching import Lookout
from linectl.commission.checkout.words import CAUTION, card_of
from linectl.commission.controller import Commanded
from linectl.commission.person import Ended, Person, agree_each, answer, yes_or_no

MAINTENANCE = "maintenance"
CAUTIONS = (
    "Nobody is in, under or on the line, nobody can come in, and everybody near it knows.",
    "Wherever hands go in: isolate, lock, dissipate, try first, with your own lock. A stop, a mode"
    " or a screen is no lock-out.",
    "Outputs move only while you hold the enabling device of their zone, from where you see all of"
    " it; this keyboard is no hold-to-run.",
    "We are qualified for this machine; its safety functions are validated on their own, and local"
    " codes go before this tool.",
)
"""Each wants a yes before anything is tried."""


class Walk:
    """A round over points with one person."""

    def __init__(
        self, facts: Facts, tags: Sequence[str], controller: Commanded, person: Person, terms: Terms
    ) -> None:
        """tags: what to try, in order (`order.chosen`)."""
        self._facts, self._site = facts, facts.site
        self._controller, self._person, self._terms = controller, person, terms
        self._lookout = Lookout(self._site, controller, terms.pause, person.enough)
        self._queue = deque(tags)
        self._all = len(tags)
        self._tried: set[str] = set()
        self._zone = ""
        self._counts: Counter[str] = Counter()
        self._standing = checkout_standing(self._site)
        self._states = {one.point.tag: one.state for one in self._standing.points}
        self._tries = {one.point.tag: one.last for one in self._standing.points}

    def run(self) -> Counter[str]:
        """passed, failed and left out. Raises NoController, LinectlError."""
        counts = self._counts
        try:
            agree_each(self._person, CAUTIONS, "the first point")
            self._maintenance()
            while self._queue:
                self._next()
        except Ended:
            self._person.say("ended; what is recorded stays, the rest is still open")
        except KeyboardInterrupt:
            self._person.say("\ninterrupted; what is recorded stays, the rest is still open")
            raise
        counts["left out"] += len(self._queue)
        return counts

    def _maintenance(self) -> None:
        """Both units into maintenance, after a word of what that does. Raises Ended."""
        while True:
            modes = self._controller.standing().modes
            others = [unit for unit, mode in modes.items() if mode != MAINTENANCE]
            if not others:
                return
            self._person.say(
                f"{' and '.join(others)} not in maintenance. In maintenance nothing runs by itself"
                " and nothing starts; what air and grips hold stays held. It is no lock-out."
            )
            if not yes_or_no(self._person, "  command mode maintenance? yes, or no to end: "):
                raise Ended
            for unit in others:
                refused = self._controller.command("mode", MAINTENANCE, self._terms.by, unit)
                self._person.say(f"  {unit}: {refused or 'maintenance'}")

    # one point -----------------------------------------------------------------------------------

    def _next(self) -> None:
        """The next point: passed, failed or left out."""
        tag = self._queue.popleft()
        item = self._facts.items[tag]
        self._person.about(tag)
        if why := self._not_offered(item):
            self._person.say(f"\n{self._place()} {tag}: not offered: {why}")
            self._counts["left out"] += 1
            return
        if self._after_its_opposite(item):
            return
        self._remind(item.zone)
        self._person.say(f"\n{self._place()} {tag}")
        for line in card_of(item):
            self._person.say(f"  {line}")
        self._tried.add(tag)
        outcome = self._trial(item)
        if outcome is None:
            self._person.say("  left out, nothing is recorded")
            self._counts["left out"] += 1
        else:
            self._settle(item, outcome)

    def _remind(self, zone: str) -> None:
        """The caution anew wherever another zone begins."""
        if zone != self._zone:
            self._zone = zone
            self._person.say(f"\nZone {zone}: {self._site.file.zones[zone].text}")
            for line in CAUTION:
                self._person.say(f"  {line}")

    def _place(self) -> str:
        """`[17 of 326]`: points that were added on the way count."""
        self._all = max(self._all, len(self._tried) + len(self._queue) + 1)
        return f"[{self._all - len(self._queue)} of {self._all}]"

    def _not_offered(self, item: Item) -> str:
        """Why it is not tried now; empty if it is."""
        forced = self._controller.standing().forced
        if item.tag in forced:
            return "it is forced; release it first"
        if item.point.direction == "in":
            return ""
        needed = self._facts.needed_first(item.tag)
        if absent := [tag for tag in needed if tag not in self._facts.items]:
            return f"{', '.join(absent)} is not wired: without it nothing of the zone is pulsed"
        if due := [tag for tag in needed if self._states[tag] != "passed"]:
            return f"first {', '.join(due)} must pass"
        other = self._facts.opposite(item.tag) if item.kind == "output" else None
        if other in self._tried and self._stands_there(item):
            return f"it stands there already; {other} must move it away first"
        return ""

    def _after_its_opposite(self, item: Item) -> bool:
        """It stands where it should go: what drives it the other way comes first."""
        other = self._facts.opposite(item.tag) if item.kind == "output" else None
        if other is None or other in self._tried:
            return False
        if not self._stands_there(item):
            return False
        self._person.say(f"\n{item.tag} stands there already: {other} comes first")
        if other in self._queue:
            self._queue.remove(other)
        self._queue.extendleft((item.tag, other))
        return True

    def _stands_there(self, item: Item) -> bool:
        self._lookout.arm()
        trial = OutputTrial(self._facts, item, self._lookout, self._person, self._terms)
        return trial.stands_there()

    def _trial(self, item: Item) -> Outcome | None:
        kinds: dict[str, Callable[[Facts, Item, Lookout, Person, Terms], Trial]] = {
            "input": InputTrial,
            "analogue": AnalogueTrial,
            "counter": CounterTrial,
            "output": OutputTrial,
            "set-point": SetpointTrial,
        }
        trial = kinds[item.kind](self._facts, item, self._lookout, self._person, self._terms)
        return trial.run()

    def _settle(self, item: Item, outcome: Outcome) -> None:
        """Record it, and what was tried beside it; then its partners, or again if they say so."""
        remark = outcome.remark
        if not outcome.passed:
            self._person.say(f"  NOT AS IT SHOULD BE: {outcome.found}")
            said = self._person.ask("  remark for the record (Enter for none): ").strip()
            said = "" if said.lower() == "q" else said  # asked again below, when it is recorded
            remark = "; ".join(text for text in (remark, said) if text)
        self._record(item, outcome, remark)
        for tag, beside in outcome.beside.items():
            if not beside.passed:
                self._person.say(f"  {tag}: NOT AS IT SHOULD BE: {beside.found}")
            self._record(self._facts.items[tag], beside, "")
        if outcome.passed:
            return
        again = answer(self._person, "  r: put right, try it again now; Enter goes on; q ends: ")
        if again.lower()[:1] == "r":
            self._queue.appendleft(item.tag)
        else:
            self._partners(outcome)

    def _partners(self, outcome: Outcome) -> None:
        """What moved instead is tried next: the other end of swapped wires is found at once."""
        new = [tag for tag in outcome.partners if tag not in self._tried]
        for tag in reversed([self._facts.tried_with(one) or one for one in new]):
            if tag in self._queue:
                self._queue.remove(tag)
            self._queue.appendleft(tag)
        if new:
            self._person.say(f"  next: {', '.join(new)}, which moved instead")

    def _record(self, item: Item, outcome: Outcome, remark: str) -> None:
        """One row, on the disk when this returns."""
        before = self._tries.get(item.tag)
        open_number = before.deficiency if before is not None and before.result == "fail" else ""
        number = open_number
        if not outcome.passed and not number:
            number = str(checkout_standing(self._site).next_deficiency)
        retest = bool(outcome.passed and open_number and before is not None)
        made = Try(
            at=self._terms.now().isoformat(timespec="seconds"),
            tag=item.tag,
            result="pass" if outcome.passed else "fail",
            found=before.found if retest and before is not None else outcome.found,
            left=outcome.found if retest else "",
            trace=outcome.trace,
            readings=outcome.readings,
            fit=outcome.fit,
            travel_ms=outcome.travel_ms,
            remark=remark,
            deficiency=number,
            instrument=self._terms.instrument,
            by=self._terms.by,
            witness=self._terms.witness,
            row=row_of(item.point),
            site_digest=self._site.digest[:12],
            version=__version__,
        )
        append_try(Path(self._site.folder), made)
        self._counts["passed" if outcome.passed else "failed"] += 1
        self._tries[item.tag] = made
        self._states[item.tag] = "passed" if outcome.passed else "failed"
        closes = f", closes deficiency {number}" if retest else ""
        opens = f", deficiency {number}" if not outcome.passed else ""
        travel = f", {outcome.travel_ms} ms" if outcome.travel_ms else ""
        self._person.say(f"  {item.tag}: {made.result}{travel}{closes}{opens}")


def open_rows(standing: CheckoutStanding) -> list[tuple[str, ...]]:
    """What is not passed and why, for a table: state, tag, found or why, number, date, by."""
    rows: list[tuple[str, ...]] = []
    for one in standing.of("failed", "reopened", "open"):
        last = one.last
        found = one.why_open or (last.found if last is not None else "")
        state = one.state.upper() if one.state != "open" else one.state
        number = last.deficiency if last is not None and one.state == "failed" else ""
        when = f"{last.at[:10]}, {last.by}" if last is not None else ""
        rows.append((state, one.point.tag, one.point.device, found, number, when))
    return rows


def counted(counts: Counter[str]) -> str:
    """One line at the end of a round."""
    return f"{counts['passed']} passed, {counts['failed']} failed, {counts['left out']} left out"

"""`prove --field`: a person trips each real device; what the line did is recorded with names.

It watches and writes a record beside the site's files. It writes nothing to the line: no output,
no force, no command. It validates no safety function: SAFETY.md says what a field test is.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from linectl import __version__
from linectl.commission.controller import Change, Watched
from linectl.commission.field_record import (
    FieldTest,
    append_test,
    due_after,
    field_rows,
    interval_ms_of,
    row_digest,
)
from linectl.commission.field_watch import Trip, Watch
from linectl.commission.person import Ended, Person, Reading, agree_each
from linectl.errors import UsageError
from linectl.line.cause_rows import Cause
from linectl.site.complaints import nearest
from linectl.site.hardware import Point
from linectl.site.model import Site

WAIT_MS = 600_000
"""How long a person may take to walk to a device and trip it."""
OTHERS_SHOWN = 6
CAUTIONS = (
    "The machine is in the test state that its owner has agreed with us for this test.",
    "Nobody is in, under or on the line, nobody can come in, and everybody near it knows.",
    "Nobody reaches in: for work with the hands inside, isolate, lock, dissipate, try first."
    " A stop, a guard or a screen is no lock-out.",
    "We are qualified for this machine, and its safety functions have been validated on their"
    " own. This test does not do that: it sees inputs, and the outputs that linectl commands.",
)
"""Each wants a yes before anything is tested."""


@dataclass(frozen=True)
class Terms:
    """What holds for a whole round of tests."""

    tested_by: str
    witness: str
    every_ms: int
    """Until the next test, where the site's file gives a cause no `test_every`."""
    now: Callable[[], dt.datetime]
    """The wall clock, with its zone."""
    pause: Callable[[], None]
    """Between two looks at the controller."""


def rows_to_test(site: Site, names: Sequence[str], outstanding: Sequence[str]) -> tuple[Cause, ...]:
    """The rows named, or else those outstanding. Raises UsageError for a name that is no cause."""
    rows = {row.name: row for row in field_rows(site)}
    for name in names:
        if name not in rows:
            hint = nearest(name, rows) or "see prove --field --list"
            raise UsageError(f"{name!r} is no cause with a device to trip; {hint}")
    return tuple(rows[name] for name in (names or outstanding))


def guide(
    site: Site, rows: Sequence[Cause], controller: Watched, person: Person, terms: Terms
) -> Counter[str]:
    """Go through the rows with the person; returns how many passed, failed and were left out.

    Every finished test is on the disk before the next begins, so that a round may be ended and
    taken up again at any time. Raises NoController, LinectlError (another site's files run).
    """
    counts: Counter[str] = Counter()
    try:
        agree_each(person, CAUTIONS, "the first test")
        for place, row in enumerate(rows, 1):
            person.say(f"\n[{place} of {len(rows)}] {row.name}: {row.text}")
            counts[_Test(site, row, controller, person, terms).run()] += 1
    except Ended:
        person.say("ended; what is recorded stays, the rest is still outstanding")
    counts["left out"] = len(rows) - counts["pass"] - counts["fail"]
    return counts


class _Test:
    """One cause with one person."""

    def __init__(
        self, site: Site, row: Cause, controller: Watched, person: Person, terms: Terms
    ) -> None:
        self._site, self._row, self._person, self._terms = site, row, person, terms
        self._watch = Watch(site, row, field_rows(site), controller, terms.pause)

    def run(self) -> str:
        """pass, fail, or skipped (nothing is recorded then)."""
        for test in dict.fromkeys(self._row.tests):
            self._person.say(f"  {place_of(self._site.points[test.index])}")
        while True:
            if self._choice("  Enter arms it; s leaves it out, q ends: ") == "s":
                return "skipped"
            why_not = self._watch.begin()
            if why_not is not None:
                self._person.say(f"  cannot be tested now: {why_not}")
                continue
            self._person.say("  armed: trip it now (Ctrl-C breaks off the watch)")
            trip = self._watch.trip(WAIT_MS, self._person.enough)
            at = self._terms.now()
            self._tell(trip, at)
            if trip.trip_ms is None:
                choice = self._choice("  f records it as failed; Enter tries again, s, q: ")
                if choice == "s":
                    return "skipped"
                if choice != "f":
                    continue
            else:
                self._person.say("  put it back; nothing may start by itself")
                self._watch.back(trip, WAIT_MS, self._person.enough)
            return self._record(trip, at)

    def _choice(self, question: str) -> str:
        said = self._person.ask(question).strip().lower()[:1]
        if said == "q":
            raise Ended
        return said

    def _tell(self, trip: Trip, at: dt.datetime) -> None:
        for change in trip.moved:
            clock = _at(at, trip, change.at_ms).isoformat(sep=" ", timespec="milliseconds")[11:23]
            self._person.say(f"  seen: {moved(change)} at {clock} (±{trip.scan_ms} ms)")
        if trip.off:
            slowest = max(trip.off.values())
            when = f"the last {slowest} ms after it" if slowest else "in the scan that saw it"
            self._person.say(f"  went off: {_listed(list(trip.off))}; {when}")
        for unit, (before, after) in trip.units.items():
            if before != after:
                self._person.say(f"  {unit}: {before} → {after}")
        for wrong in faults_of(self._row, trip, self._site):
            self._person.say(f"  NOT AS IT SHOULD BE: {wrong}")

    def _record(self, trip: Trip, at: dt.datetime) -> str:
        wrong = faults_of(self._row, trip, self._site) + return_faults_of(self._row, trip)
        for text in return_faults_of(self._row, trip):
            self._person.say(f"  NOT AS IT SHOULD BE: {text}")
        if not wrong:
            if not trip.off:
                self._person.say("  no output was on, so none was seen to go off")
            question = "  did the device and the machine do what they should? yes or no: "
            if self._yes_or_no(question) == "no":
                wrong = ["the tester saw that it was not as it should be"]
        note = self._person.ask("  note (Enter for none): ").strip()
        test = self._row_of_record(trip, at, wrong, note)
        append_test(Path(self._site.folder), test)
        self._person.say(f"  recorded: {test.result}; next due {test.next_due}")
        if trip.off:
            self._person.say("  the next test shows more if the line runs again: reset it as usual")
        return test.result

    def _yes_or_no(self, question: str) -> str:
        while True:
            said = self._choice(question)
            if said in ("y", "n"):
                return "yes" if said == "y" else "no"

    def _row_of_record(
        self, trip: Trip, at: dt.datetime, wrong: Sequence[str], note: str
    ) -> FieldTest:
        own_ms = interval_ms_of(self._site, self._row.name)
        edge_at = ""
        if trip.trip_ms is not None:
            edge_at = _at(at, trip, trip.trip_ms).isoformat(timespec="milliseconds")
        return FieldTest(
            at=at.isoformat(timespec="seconds"),
            cause=self._row.name,
            text=self._row.text,
            result="fail" if wrong else "pass",
            points="; ".join(f"{change.tag} = {_value(change.value)}" for change in trip.moved),
            edge_at=edge_at,
            off_ms=str(max(trip.off.values())) if trip.off else "",
            outputs_off=" ".join(trip.off),
            units="; ".join(
                f"{unit} {a} to {b}" if a != b else f"{unit} {a}"
                for unit, (a, b) in trip.units.items()
            ),
            also_moved="; ".join(moved(change) for change in trip.others),
            seen="; ".join(wrong),
            tested_by=self._terms.tested_by,
            witness=self._terms.witness,
            note=note,
            next_due=due_after(at, own_ms or self._terms.every_ms).isoformat(),
            row_digest=row_digest(self._site, self._row),
            site_digest=self._site.digest[:12],
            version=__version__,
        )


def faults_of(row: Cause, trip: Trip, site: Site) -> list[str]:
    """What was not as it should be, a sentence each; empty if all was."""
    if trip.trip_ms is None:
        return [_not_tripped(trip)]
    wrong = []
    if trip.missing:
        wrong.append(f"not seen to trip: {', '.join(trip.missing)}")
    if not trip.announced:
        wrong.append("the line does not know it: no such cause stands")
    if trip.still_on:
        wrong.append(f"still on: {', '.join(trip.still_on)}")
    points = [site.points[test.index] for test in row.tests]
    may_ms = row.on_delay_ms + max(max(p.on_delay_ms, p.off_delay_ms) for p in points)
    blocked = {point.tag for point in site.points if row.blocks >> point.index & 1}
    late = {tag: ms for tag, ms in trip.off.items() if tag in blocked}
    late = {tag: ms for tag, ms in late.items() if ms > may_ms + 2 * trip.scan_ms}
    wrong += [f"{tag} went off {ms} ms after it, {may_ms} ms are its delays"
              for tag, ms in late.items()]  # fmt: skip
    for unit, action, _ in row.actions:
        _, after = trip.units.get(unit, ("", ""))
        if action == "abort" and after not in ("Aborting", "Aborted"):
            wrong.append(f"{unit} is {after}, not Aborted")
        elif row.moment == "at_once" and after == "Execute":
            wrong.append(f"{unit} is in Execute all the same")
    if trip.lost:
        wrong.append("more moved than the controller keeps: the times are not whole")
    return wrong


def return_faults_of(row: Cause, trip: Trip) -> list[str]:
    """What was not as it should be when the device was put back."""
    wrong = []
    if trip.trip_ms is not None and trip.back_ms is None:
        wrong.append("it was not seen to be put back")
    if trip.restarted:
        wrong.append(f"came on by itself, without a reset: {', '.join(trip.restarted)}")
    return wrong


def _not_tripped(trip: Trip) -> str:
    if trip.others and not trip.moved:
        named = ", ".join(moved(change) for change in trip.others[:OTHERS_SHOWN])
        return f"moved instead: {named}: the wires are swapped, or another device was tripped"
    if trip.moved:
        return f"it needs more: not seen to trip: {', '.join(trip.missing)}"
    return "nothing was seen to move: look at the device, its wire and its terminal"


def _at(ended: dt.datetime, trip: Trip, at_ms: int) -> dt.datetime:
    """The wall clock at a moment of the controller's."""
    return ended - dt.timedelta(milliseconds=trip.ended_ms - at_ms)


def moved(change: Change) -> str:
    """`guard_seed.closed = 0`, as people write it."""
    return f"{change.tag} = {_value(change.value)}"


def place_of(point: Point) -> str:
    """Where to find a point: device, address as it travels, terminal or note."""
    bit = "" if point.bit is None else f" bit {point.bit}"
    note = f", {point.note}" if point.note else ""
    return f"{point.tag}: {point.device}, {point.table} {point.address}{bit}{note}"


def _value(value: Reading) -> str:
    if value is None:
        return "no reading"
    return f"{int(value)}" if isinstance(value, bool) else f"{value:g}"


def _listed(tags: Sequence[str]) -> str:
    more = len(tags) - OTHERS_SHOWN
    shown = ", ".join(tags[:OTHERS_SHOWN])
    return f"{shown} and {more} more" if more > 0 else shown


def counted(counts: Mapping[str, int]) -> str:
    """One line at the end of a round."""
    return f"{counts['pass']} passed, {counts['fail']} failed, {counts['left out']} left out"

"""What a calibration works with: the site, its running controller, a person, their terms."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from linectl.commission.controller import Commanded
from linectl.commission.person import Ended, Person, answer
from linectl.site.model import Site

VALID_DAYS = 365
"""How long a calibration is good where nobody says otherwise (common practice, no source)."""


@dataclass(frozen=True)
class Terms:
    """What holds for a whole round."""

    by: str
    now: Callable[[], dt.datetime]
    """The wall clock, with its zone."""
    pause: Callable[[], None]
    """Between two looks at the controller."""
    instrument: str = ""
    """What the amounts are weighed, measured or counted with; empty: it is asked."""
    lot: str | None = None
    """The substrate or seed lot; None: it is asked."""
    valid_until: dt.date | None = None
    """The last day on which it is good; None: it is asked."""
    crop: str = ""
    """Of the drum: whose seed it is; empty: all seed without a factor of its own."""


@dataclass(frozen=True)
class Said:
    """What stands beside the figures."""

    instrument: str
    lot: str
    valid_until: dt.date | None


@dataclass(frozen=True)
class Work:
    """One round of one calibration."""

    site: Site
    controller: Commanded
    person: Person
    terms: Terms

    @property
    def folder(self) -> Path:
        return Path(self.site.folder)

    def say(self, text: str) -> None:
        self.person.say(text)

    def ask(self, question: str) -> str:
        """What they type, without spaces around it. Raises Ended for `q`."""
        return answer(self.person, question)


@dataclass(frozen=True)
class Outcome:
    """How a round ended; `told` is what the WHAT's own module adds to the object."""

    what: str
    result: str
    """As in calibrations.csv: written, left, refused, undone; ended: the person went away."""
    why: str = ""
    old: Mapping[str, Any] | None = None
    """What calibration.yaml said and says, by key."""
    new: Mapping[str, Any] | None = None
    told: Mapping[str, Any] | None = None

    @property
    def fine(self) -> bool:
        """Nothing was refused and nobody went away half-way."""
        return self.result in ("written", "left", "undone")

    def as_json(self, site: str) -> dict[str, Any]:
        """The object of `calibrate --json`.

        Keys: site, what, result (written, left: measured and not written, refused, undone, ended),
        why (of a refusal; null else), old and new (what calibration.yaml says by key; null
        where it says nothing). Of doser, water and drum also: as_found, as_left (shares of what was
        asked), uncertainty (half-width of 95 %), spread (standard deviation of one run as a
        share), runs and left_out (lists of {rate, seconds, asked, got, typed, pulses, why}: asked
        and got in ml or seeds, typed as the person wrote it, pulses of a meter, why it was left
        out), verification (the same of its one run), residuals (shares), trend (the ratio changes
        with the rate). By WHAT: pulses_per_l {value, uncertainty, spread, before} or null; drive
        {tag, per_hz, offset_hz, per_hz_uncertainty, residuals_per_s}; vacuums (a list by vacuum of
        the indices of ISO 7256-1) and vacuum_kpa, the one that was chosen.
        """
        return {
            "site": site,
            "what": self.what,
            "result": self.result,
            "why": self.why or None,
            "old": self.old,
            "new": self.new,
            **(self.told or {}),
        }


def said_of(work: Work, lot_of: str) -> Said:
    """Instrument, lot and last day of validity, asked for where the terms do not give them.

    lot_of: substrate, seed; empty: nothing of a lot matters.
    """
    terms = work.terms
    instrument = terms.instrument
    while not instrument:
        instrument = work.ask("measured with (scale, jug, counter; its number): ")
    lot = terms.lot
    if lot is None:
        lot = work.ask(f"{lot_of} lot (Enter: none): ") if lot_of else ""
    return Said(instrument, lot, terms.valid_until or _valid_until(work))


def _valid_until(work: Work) -> dt.date | None:
    usual = work.terms.now().date() + dt.timedelta(days=VALID_DAYS)
    while True:
        text = work.ask(f"valid until (Enter: {usual}; none: until it is measured anew): ")
        if text in ("", "none"):
            return None if text else usual
        try:
            day = dt.date.fromisoformat(text)
        except ValueError:
            work.say(f"  {text!r} is no day; write it as {usual}")
            continue
        if day >= work.terms.now().date():
            return day
        work.say("  that day is over")


def cautioned(work: Work, cautions: Sequence[str]) -> None:
    """Say them and want a typed yes. Raises Ended for anything else."""
    work.say("Before anything turns, and again whenever something of it changes:")
    for caution in cautions:
        work.say(f"- {caution}")
    if work.ask("  all of it is so: yes, or q to end: ").lower() not in ("y", "yes"):
        raise Ended

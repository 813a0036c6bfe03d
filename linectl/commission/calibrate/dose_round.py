"""One round for a device that gives doses: cautions, runs, as found, verified, as left, written."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from linectl.commission.calibrate.device_run import into_maintenance
from linectl.commission.calibrate.factors import (
    as_told,
    found_error,
    in_words,
    verified,
    with_figures,
)
from linectl.commission.calibrate.record import append_calibration
from linectl.commission.calibrate.runs import Device, RunSet, Step, take_set, taken_away
from linectl.commission.calibrate.work import Outcome, Said, Work, cautioned, said_of
from linectl.commission.calibrate.written import (
    Entry,
    concluded,
    measured_keys,
    new_row,
    refused,
)
from linectl.commission.person import Ended
from linectl.errors import UsageError


@dataclass(frozen=True)
class Figures:
    """What a set of runs says is new."""

    entry: Entry
    step: Step
    """Of the verification run."""
    wanted: Callable[[int], float]
    """What that step gives by the new figures, by ms."""
    why_not: str = ""
    """Why they may not be written; empty if they may."""
    lines: Sequence[str] = ()
    """In words."""
    told: Mapping[str, Any] = field(default_factory=dict)
    uncertainty: str = ""
    """If it is another one than that of the mean."""


@dataclass(frozen=True)
class Dose:
    """A device that can be calibrated so."""

    what: str
    cautions: Sequence[str]
    lot_of: str
    """substrate, seed; empty where no lot matters."""
    factor: float
    """What came for each one asked, as the site's files say now."""
    device: Callable[[], Device]
    """Asks what must be known of the material first."""
    plan: Callable[[], Sequence[Step]]
    figures: Callable[[RunSet, Mapping[str, Any]], Figures]
    """From a set that stands, and the keys that say who, when and with what."""
    straight: bool = False


def prepared(work: Work, dose: Dose, zone: str) -> Said:
    """Cautions, maintenance, and what stands beside the figures. Raises Ended, UsageError."""
    if "pulse" not in work.controller.status():
        raise UsageError("the running controller knows no pulses: start it anew with this version")
    if work.controller.look(-1).site_digest != work.site.digest:
        raise UsageError(
            "the running controller works with other site files than those of this folder: start"
            " it anew with them, then calibrate"
        )
    cautioned(work, dose.cautions)
    into_maintenance(work, zone)
    return said_of(work, dose.lot_of)


def dose_round(work: Work, dose: Dose, said: Said) -> Outcome:
    """The rest of the round. Raises Ended if the person goes away before there is a set."""
    device = dose.device()
    try:
        return _judged(work, dose, said, device)
    finally:
        taken_away(work, device)
        work.say(
            "the units stay in maintenance until somebody gives them another mode (linectl command)"
        )


def _judged(work: Work, dose: Dose, said: Said, device: Device) -> Outcome:
    done = take_set(work, device, dose.plan(), dose.straight)
    found = found_error(done, dose.factor)
    work.say(f"\nas found: a dose was off by {found:+.1%}")
    row = replace(
        new_row(work, dose.what),
        instrument=said.instrument,
        lot=said.lot,
        valid_until=said.valid_until.isoformat() if said.valid_until else "",
        as_found=in_words(found),
    )
    row = with_figures(row, done)
    if done.why_not:
        return refused(work, row, done.why_not, as_told(found, None, done))
    figures = dose.figures(done, measured_keys(work, said))
    row = replace(row, uncertainty=figures.uncertainty or row.uncertainty)
    for line in figures.lines:
        work.say(line)
    work.say("  what all runs share is not in it: the scale's own error, the density, the counting")
    told = as_told(found, None, done, **figures.told)
    if figures.why_not:
        return refused(work, row, figures.why_not, told)
    try:
        run, left, why_not = verified(work, device, figures.step, figures.wanted, done)
        row = replace(row, as_left=in_words(left))
        row = replace(row, remark=work.ask("remark (Enter: none): "))
    except Ended:
        append_calibration(work.folder, replace(row, result="left", why="ended by the person"))
        raise
    told = as_told(found, left, done, **figures.told, verification=run.as_told())
    if why_not:
        return refused(work, row, why_not, told)
    return concluded(work, row, figures.entry, told)

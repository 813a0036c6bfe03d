"""Singulation of a drum against vacuum: one run at each, cells counted or spacings measured."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from linectl.commission.calibrate.device_run import run_device
from linectl.commission.calibrate.runs import Device, Step, filled, wanted_of
from linectl.commission.calibrate.work import Work
from linectl.commission.person import FieldAct
from linectl.crop.drum_vacuum import at_vacuum, indices_of_cells
from linectl.crop.seeding import (
    AtVacuum,
    Indices,
    best_vacuum,
    not_told_apart,
    seeding_indices,
)
from linectl.errors import LinectlError, Unreachable
from linectl.site.spacings_file import read_measured

STRENGTHS = (1.0, 1.2, 1.4, 1.6, 1.8)
"""Proposed vacuums, as multiples of the least that seeding needs (common practice, no source)."""
OFF_KPA = 0.5
"""By more than this the gauge and the set valve differ too much (common practice, no source)."""
VACUUMS_MOST = 12
BAR = 20
"""Characters of a full bar."""


def vacuums_asked(work: Work, least_kpa: float) -> list[float]:
    """The vacuums to try, ascending; none: it stays as it is. Raises Ended."""
    usual = " ".join(f"{least_kpa * one:g}" for one in STRENGTHS)
    while True:
        text = work.ask(f"vacuums to try, kPa (Enter: {usual}; none: it stays as it is): ")
        if text == "none":
            return []
        try:
            values = sorted({float(word) for word in (text or usual).replace(",", " ").split()})
        except ValueError:
            values = []
        if 2 <= len(values) <= VACUUMS_MOST and values[0] > 0:
            return values
        work.say(f"  two to {VACUUMS_MOST} numbers above zero, such as {usual}")


def curve(
    work: Work, device: Device, step: Step, values: Sequence[float], wanted_mm: float
) -> list[AtVacuum]:
    """The indices at each vacuum. Raises Ended."""
    return [_at(work, device, step, kpa, wanted_mm) for kpa in values]


def _at(work: Work, device: Device, step: Step, kpa: float, wanted_mm: float) -> AtVacuum:
    set_to(work, device.part, kpa)
    while True:
        work.person.act(
            FieldAct("put", device.part, None, f"{kpa:g} kPa: tape or tray under {device.part}")
        )
        work.ask(f"  {kpa:g} kPa: Enter when it lies there, q ends: ")
        filled(work, device, step)
        ran = run_device(work, wanted_of(device, step))
        if isinstance(ran, str):
            work.say(f"  {ran}. It is done again")
            continue
        told = ran.amid.points[f"{device.part}.vacuum"]
        if told is None or abs(told - kpa) > OFF_KPA:
            shown = "cannot be read" if told is None else f"reads {told:g} kPa"
            work.say(f"  the vacuum {shown} while the drum turns, not {kpa:g}: set it again")
            set_to(work, device.part, kpa)
            continue
        indices = _counted(work, kpa, wanted_mm)
        work.person.act(FieldAct("take", device.part, None, "take it away"))
        return at_vacuum(kpa, indices)


def set_to(work: Work, part: str, kpa: float) -> None:
    """The person sets the relief valve, from outside the guards."""
    work.person.act(FieldAct("vacuum", part, kpa, f"set the relief valve of {part} to {kpa:g} kPa"))
    work.ask(f"  {kpa:g} kPa: Enter when the valve is set, q ends: ")


def _counted(work: Work, kpa: float, wanted_mm: float) -> Indices:
    """Of what lies on the tape. Raises Ended."""
    while True:
        text = work.ask(
            f"  {kpa:g} kPa: cells, of them empty, of them double or more, as 240 7 3; or a file"
            " of spacings: "
        )
        words = text.split()
        try:
            if len(words) == 3 and all(word.isdecimal() for word in words):
                cells, empty, multiple = map(int, words)
                return indices_of_cells(cells, empty, multiple, wanted_mm)
            if text:
                return seeding_indices(_spacings(Path(text)), wanted_mm)
        except (ValueError, LinectlError) as error:
            work.say(f"  {error}")
            continue
        work.say("  three whole numbers, such as 240 7 3, or the name of a file")


def _spacings(path: Path) -> list[float]:
    try:
        data = path.read_bytes()
    except OSError as error:
        raise Unreachable(f"{path}: cannot be read ({error.strerror})") from None
    return [row.value for row in read_measured(data, path.name, "spacing_mm")]


def chosen(work: Work, rows: Sequence[AtVacuum]) -> AtVacuum:
    """The vacuum that the person takes: Enter is the best. Raises Ended."""
    best = best_vacuum(rows)
    assert best is not None
    alike = not_told_apart(rows, best)
    for line in bars(rows, best, alike):
        work.say(line)
    if best in (rows[0], rows[-1]):
        work.say("  the best one is at the end of what was tried: it may lie farther out")
    while True:
        text = work.ask(f"vacuum to work with, kPa (Enter: {best.vacuum_kpa:g}): ")
        for row in rows:
            if text in ("", f"{row.vacuum_kpa:g}"):
                return row if text else best
        work.say("  one of those that were tried")


def bars(rows: Sequence[AtVacuum], best: AtVacuum, alike: Sequence[AtVacuum]) -> list[str]:
    """The curve as text: a bar of quality of feed for each vacuum, from the worst one down."""
    qualities = [row.indices.quality_of_feed for row in rows if row.indices is not None]
    floor = max(0.0, min(qualities) - 0.02)
    lines = ["", f"quality of feed (ISO 7256-1) by vacuum; bars begin at {floor:.0%}"]
    for row in rows:
        if row.indices is None:
            continue
        one = row.indices
        bar = "#" * round((one.quality_of_feed - floor) / (1 - floor) * BAR)
        mark = "  best" if row == best else "  alike" if row in alike else ""
        lines.append(
            f"{row.vacuum_kpa:5.1f} kPa {one.quality_of_feed:6.1%} ±{one.quality_error:.1%}"
            f"  misses {one.misses:5.1%}  doubles {one.multiples:5.1%}  {bar}{mark}"
        )
    if alike:
        lines.append("alike: chance may explain the difference from the best one")
    return lines


def as_told(rows: Sequence[AtVacuum]) -> list[dict[str, Any]]:
    """`vacuums` of the outcome: vacuum_kpa, spacings, multiples, misses, quality_of_feed,
    standard_error, precision."""
    return [
        {
            "vacuum_kpa": row.vacuum_kpa,
            "spacings": row.spacings,
            "multiples": row.indices.multiples,
            "misses": row.indices.misses,
            "quality_of_feed": row.indices.quality_of_feed,
            "standard_error": row.indices.quality_error,
            "precision": row.indices.precision,
        }
        for row in rows
        if row.indices is not None
    ]

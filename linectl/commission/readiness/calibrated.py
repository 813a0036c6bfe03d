"""Items of the calibrations: measured by a named person, in date; and the timers learned."""

from __future__ import annotations

import datetime as dt

from linectl.commission.calibrate.record import read_calibrations
from linectl.commission.calibrate.timers_record import read_kept
from linectl.commission.readiness.items import Item
from linectl.commission.readiness.seen import Seen, fact, named
from linectl.site.calibration import Measured

_BY_STATION = {"fill": "doser", "water": "water", "seed": "drum"}
"""Kind of station → the entry of calibration.yaml that it needs."""


def calibration_items(seen: Seen) -> list[Item]:
    """One for each tool that doses, for the drives that are told a frequency, for the timers."""
    calibration, today = seen.site.calibration, seen.now.date()
    kinds = {station.kind for station in seen.site.file.stations.values()}
    entries: dict[str, Measured | None] = {
        "doser": calibration.doser, "water": calibration.water, "drum": calibration.drum,
    }  # fmt: skip
    items = [
        _tool(seen, what, entries[what], today)
        for kind, what in _BY_STATION.items()
        if kind in kinds
    ]
    over = [key for key, _ in calibration.expired(today) if key.startswith("drives.")]
    if calibration.drives:
        why = f"no longer good: {named(over)}" if over else f"{len(calibration.drives)} in date"
        text = "the drives that are told a frequency are measured, in date"
        do = f"linectl calibrate {seen.folder} doser"
        items.append(fact("calibration.drives", "first_gutter", text, over, why, do, "production"))
    if kinds & {"infeed", "outfeed"}:
        items.append(_carriage(seen))
    return [*items, _timers(seen)]


def _carriage(seen: Seen) -> Item:
    """Places taught and re-checked, and what was found stands in the file."""
    rounds, _ = read_calibrations(seen.path)
    last = next((one for one in reversed(rounds) if one.what == "carriage"), None)
    lacks = ["carriage"]
    if last is None:
        why = "nobody has taught the places of the carriages"
    elif last.result == "written" or (last.result == "left" and last.old == last.new):
        why, lacks = f"taught by {last.by} on {last.at[:10]}", []
    elif last.result == "left":
        why = f"{last.by} found other places on {last.at[:10]} and left the file as it was"
    else:
        why = (
            f"the last round, by {last.by} on {last.at[:10]}, is {last.result} {last.why}".rstrip()
        )
    text = "the places of the carriages are taught and re-checked"
    do = f"linectl calibrate {seen.folder} carriage"
    return fact("calibration.carriage", "first_gutter", text, lacks, why, do, "production")


def _timers(seen: Seen) -> Item:
    """Time-outs looked at beside what the steps take; it comes with the first hour's cycles."""
    kept, _ = read_kept(seen.path)
    last = kept[-1] if kept else None
    if last is None:
        why, lacks = "nobody has looked at what the steps take", ["timers"]
    else:
        steps = [one for one in kept if one.at == last.at]
        why = f"{len(steps)} steps looked at by {last.by or 'nobody named'} on {last.at[:10]}"
        lacks = []
    text = "the time-outs have been held against what each step takes in good cycles"
    do = f"linectl calibrate {seen.folder} timers"
    return fact("timers", "first_hour", text, lacks, why, do, "")


def _tool(seen: Seen, what: str, entry: Measured | None, today: dt.date) -> Item:
    text = f"the {what} is calibrated, in date"
    do = f"linectl calibrate {seen.folder} {what}"
    if entry is None:
        why, lacks = "nobody has measured it: it counts as right", [what]
    elif entry.valid_until is not None and entry.valid_until < today:
        why, lacks = f"measured by {entry.by}, good until {entry.valid_until}: over", [what]
    else:
        until = f", good until {entry.valid_until}" if entry.valid_until else ""
        why, lacks = f"measured by {entry.by} on {entry.on}{until}", []
    return fact(f"calibration.{what}", "first_gutter", text, lacks, why, do, "production")

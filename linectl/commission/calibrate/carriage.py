"""`calibrate SITE carriage`: places of a carriage taught from both sides, written, re-checked."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass, replace
from typing import Any

from linectl.commission.calibrate import site_values
from linectl.commission.calibrate.carriage_moves import Jogged, NotTaught, Place, Pulsed
from linectl.commission.calibrate.device_run import into_maintenance
from linectl.commission.calibrate.record import Calibrated, append_calibration
from linectl.commission.calibrate.site_values import Signed
from linectl.commission.calibrate.work import Outcome, Work, cautioned
from linectl.commission.calibrate.written import new_row
from linectl.commission.changes_record import ChangeMade
from linectl.commission.file_edit import FileEdit
from linectl.commission.person import FieldAct, yes_or_no
from linectl.crop.taught import Taught, against, taught
from linectl.site.machine import Carriage
from linectl.site.model import Site

WHAT = "carriage"
KIND = "calibrate"
APPROACHES = 2
"""From each side. ISO 230-2 takes five; two show slack and a slipping wheel (common practice, no
source)."""
RESOLUTION_MM = 1.0
"""Whole millimetres of the encoder, and half of two stops at the flag's edge: no place is told
better, however well it is found again."""
CAUTIONS = (
    "Nobody stands at the lane ends, in the aisle or beside the rail: the carriage traps against"
    " lane ends and posts, and it moves over its whole way.",
    "Lock out before you reach to a flag, a wheel or the encoder; try to start it from its place.",
    "The enabling device and the jog are hold-to-run: let go and it stands. You look at the"
    " carriage, not at this screen.",
    "The gripper is home and empty. Local codes say who may do this.",
)
Mover = Jogged | Pulsed


@dataclass(frozen=True)
class PlaceTaught:
    """One place as found, and as verified with what was written or would be."""

    place: Place
    seen: Taught
    left_mm: float | None = None
    """What was read in the verification, less the taught position; None: not verified."""

    @property
    def new_mm(self) -> int:
        return round(self.seen.mean_mm)

    def as_json(self) -> dict[str, Any]:
        """carriage, place, found_mm (the file before), taught_mm, spread_mm, hysteresis_mm,
        approaches (of each side), left_mm (in the verification, less the taught one, or null)."""
        return {
            "carriage": self.place.carriage, "place": self.place.name,
            "found_mm": self.place.found_mm, "taught_mm": self.new_mm,
            "spread_mm": round(self.seen.spread_mm, 1),
            "hysteresis_mm": round(self.seen.hysteresis_mm, 1),
            "approaches": self.seen.n,
            "left_mm": None if self.left_mm is None else round(self.left_mm, 1),
        }  # fmt: skip


def places(site: Site, name: str) -> tuple[Place, ...]:
    """Every place of a carriage: home, then lane ends by their distance from it."""
    facts = site.file.stations[name]
    assert isinstance(facts, Carriage)
    home = Place(name, "home", ("stations", name, "home_mm"), facts.home_mm)
    key = f"{facts.kind}_mm"
    ends = [
        Place(name, f"lane {lane.id}", ("lanes", number, key), getattr(lane, key))
        for number, lane in enumerate(site.file.lanes)
    ]
    return (home, *sorted(ends, key=lambda end: abs(end.found_mm - facts.home_mm)))


def calibrate(work: Work) -> Outcome:
    """One round: which carriage and places, taught, shown, written, verified. Raises Ended."""
    name = _which(work)
    facts = work.site.file.stations[name]
    assert isinstance(facts, Carriage)
    chosen = _chosen(work, places(work.site, name))
    by_pulses = _by_pulses(work)
    cautioned(work, CAUTIONS)
    into_maintenance(work, facts.zone)
    how = "pulses" if by_pulses else "jog"
    row = replace(new_row(work, WHAT), remark=f"{name}, moved by {how}")
    mover: Mover = Pulsed(work, name, facts) if by_pulses else Jogged(work, name)
    holding: AbstractContextManager[None] = _held(work, facts.zone) if by_pulses else nullcontext()
    with holding:
        done, why = _taught(work, facts, mover, chosen)
        if not why:
            done, why = _verified(work, facts, mover, done)
    return _refused(work, row, done, why) if why else _concluded(work, row, done)


def undo(work: Work) -> Outcome:
    """The file from before the last round, in one step. Raises UsageError if it was not last."""
    edit = site_values.planned_undo(work.folder, _ours)
    work.say(edit.diff)
    if not yes_or_no(work.person, "  put it back, yes or no: "):
        return Outcome(WHAT, "left")
    site_values.undo(work.folder, edit, _signed(work, "calibration put back"), _ours)
    append_calibration(work.folder, replace(new_row(work, WHAT), result="undone"))
    work.say("put back; the controller works with it when it is started anew")
    return Outcome(WHAT, "undone")


def _ours(change: ChangeMade) -> bool:
    return change.kind == KIND and change.what.endswith(("home_mm", "infeed_mm", "outfeed_mm"))


# what is asked ------------------------------------------------------------------------------------


def _which(work: Work) -> str:
    names = [n for n, facts in work.site.file.stations.items() if isinstance(facts, Carriage)]
    while True:
        said = work.ask(f"which carriage, {' or '.join(names)}: ")
        if said in names:
            return said
        work.say(f"  {said!r} is none of them")


def _chosen(work: Work, known: Sequence[Place]) -> tuple[Place, ...]:
    names = [place.name.removeprefix("lane ") for place in known]
    while True:
        said = work.ask(f"places: Enter for all, or some of {', '.join(names)}: ")
        words = said.replace(",", " ").split()
        if not set(words) - set(names):
            return tuple(
                place
                for place, name in zip(known, names, strict=True)
                if not words or name in words
            )
        work.say(f"  {', '.join(sorted(set(words) - set(names)))}: there is no such place")


def _by_pulses(work: Work) -> bool:
    while True:
        said = work.ask("moved by: jog (its own control at the machine) or pulses (this tool): ")
        if said in ("jog", "pulses"):
            return said == "pulses"
        work.say(f"  {said!r} is neither")


@contextmanager
def _held(work: Work, zone: str) -> Iterator[None]:
    """The enabling device is held as long as it lasts."""
    text = f"hold the enabling device of {zone}: horn, then the carriage travels many times"
    work.person.act(FieldAct("hold", zone, True, text))
    try:
        yield
    finally:
        work.person.act(FieldAct("let_go", zone, False, "let the enabling device go"))


# what is measured ---------------------------------------------------------------------------------


def _taught(
    work: Work, facts: Carriage, mover: Mover, chosen: Sequence[Place]
) -> tuple[tuple[PlaceTaught, ...], str]:
    """Each place from both sides; and why the round cannot stand, empty if it can."""
    done: list[PlaceTaught] = []
    for place in chosen:
        work.person.about(f"{place.carriage} {place.name}")
        work.say(f"\n{place.carriage}, {place.name}: {place.found_mm} mm as found")
        nearest = min(done, key=lambda one: abs(one.place.found_mm - place.found_mm), default=None)
        off = nearest.seen.mean_mm - nearest.place.found_mm if nearest else 0.0
        try:
            up, down = mover.approaches(place, place.found_mm + off, APPROACHES)
        except NotTaught as error:
            return tuple(done), f"{place.carriage}, {place.name}: {error}"
        seen = taught(up, down)
        done.append(PlaceTaught(place, seen))
        work.say(
            f"  as found {seen.mean_mm - place.found_mm:+.1f} mm from the file; mean"
            f" {seen.mean_mm:.1f}, spread {seen.spread_mm:.1f}, hysteresis"
            f" {seen.hysteresis_mm:+.1f} mm"
        )
        if why := against(seen, place.found_mm, facts.tolerance_mm, facts.teach_mm):
            return tuple(done), f"{place.carriage}, {place.name}: {why}"
    return tuple(done), ""


def _verified(
    work: Work, facts: Carriage, mover: Mover, done: Sequence[PlaceTaught]
) -> tuple[tuple[PlaceTaught, ...], str]:
    """Back to each place at its new position, from either side in turn."""
    work.say("\nRe-check: once more to each place, as taught")
    again: list[PlaceTaught] = []
    for number, one in enumerate(done):
        place, going = one.place, -1 if number % 2 else +1
        try:
            stop = mover.stand(place, one.new_mm, going)
        except NotTaught as error:
            return (*again, *done[number:]), f"{place.carriage}, {place.name}: {error}"
        left = stop.mm - one.new_mm
        again.append(replace(one, left_mm=left))
        flag = "flag seen" if stop.flag else "NO FLAG"
        work.say(f"  {place.name}: {stop.mm:.1f} mm, {left:+.1f} from {one.new_mm}; {flag}")
        if not stop.flag or abs(left) > facts.tolerance_mm:
            why = f"in the re-check it stood {left:+.1f} mm off, {flag}"
            return (*again, *done[number + 1 :]), f"{place.carriage}, {place.name}: {why}"
    return tuple(again), ""


# what comes of it ---------------------------------------------------------------------------------


def _concluded(work: Work, row: Calibrated, done: Sequence[PlaceTaught]) -> Outcome:
    """The change shown, made if the person wants it, and the round on record."""
    changed = [one for one in done if one.new_mm != one.place.found_mm]
    edit = site_values.planned(
        work.folder, work.site, {one.place.path: one.new_mm for one in changed}
    )
    old, new = _by_name(work.site, done)
    row = _filled(row, done, old, new)
    if not changed:
        append_calibration(work.folder, replace(row, result="left"))
        work.say("\nevery place is where the file says: nothing to change; it is on record")
        return Outcome(WHAT, "left", "", old, new, _told(done))
    work.say("\nThe change:")
    work.say(edit.diff)
    if not yes_or_no(work.person, "  write it, yes or no: "):
        append_calibration(work.folder, replace(row, result="left"))
        work.say("nothing is written; the measurement is on record")
        return Outcome(WHAT, "left", "", old, new, _told(done))
    _write(work, edit, row, {name: (old[name], new[name]) for name in old})
    return Outcome(WHAT, "written", "", old, new, _told(done))


def _write(
    work: Work, edit: FileEdit, row: Calibrated, changes: Mapping[str, tuple[int, int]]
) -> None:
    digest = site_values.written(work.folder, edit)
    append_calibration(work.folder, replace(row, result="written", site_digest=digest))
    words = {name: (str(old), str(new)) for name, (old, new) in changes.items() if old != new}
    site_values.recorded(work.folder, KIND, words, _signed(work, row.as_found), digest)
    work.say("written; as it was before: site.yaml.previous (--undo puts it back)")
    work.say("It holds from the controller's next start; nobody near the carriage then.")


def _refused(work: Work, row: Calibrated, done: Sequence[PlaceTaught], why: str) -> Outcome:
    row = replace(_filled(row, done, *_by_name(work.site, done)), result="refused", why=why)
    append_calibration(work.folder, row)
    work.say(f"\nREFUSED: {why}. Nothing is written; what was measured is on record")
    return Outcome(WHAT, "refused", why, None, None, _told(done))


def _by_name(site: Site, done: Sequence[PlaceTaught]) -> tuple[dict[str, int], dict[str, int]]:
    names = [site_values.spoken(site, one.place.path) for one in done]
    return (
        {name: one.place.found_mm for name, one in zip(names, done, strict=True)},
        {name: one.new_mm for name, one in zip(names, done, strict=True)},
    )


def _filled(
    row: Calibrated, done: Sequence[PlaceTaught], old: Mapping[str, int], new: Mapping[str, int]
) -> Calibrated:
    """The row with what was measured."""
    left = [one for one in done if one.left_mm is not None]
    return replace(
        row,
        old=", ".join(f"{name} {mm}" for name, mm in old.items()),
        new=", ".join(f"{name} {mm}" for name, mm in new.items()),
        as_found=", ".join(
            f"{one.place.name} {one.seen.mean_mm - one.place.found_mm:+.1f} mm" for one in done
        ),
        as_left=", ".join(f"{one.place.name} {one.left_mm:+.1f} mm" for one in left),
        uncertainty=_millimetres(one.seen.off_mm + RESOLUTION_MM for one in done),
        spread=_millimetres(one.seen.spread_mm for one in done),
        runs=json.dumps([one.as_json() for one in done]) if done else "",
    )


def _millimetres(values: Iterable[float]) -> str:
    """The greatest of them; empty without one."""
    most = max(values, default=None)
    return "" if most is None else f"{most:.1f} mm"


def _told(done: Sequence[PlaceTaught]) -> dict[str, Any]:
    """What the outcome's object has beside: places, as `PlaceTaught.as_json`."""
    return {"places": [one.as_json() for one in done]}


def _signed(work: Work, why: str) -> Signed:
    return Signed(work.terms.by, work.terms.now().isoformat(timespec="seconds"), why)


__all__ = ["WHAT", "PlaceTaught", "calibrate", "places", "undo"]

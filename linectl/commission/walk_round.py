"""A walk-round of one lane: its slots as ranges, and what a person found, checked before it goes.

A slot holds a gutter's id, 0 for a hole, or -1 for a gutter that nobody has named.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from linectl.errors import Finding, UsageError
from linectl.site.complaints import nearest
from linectl.site.rowfile import read_lines

HOLE, UNKNOWN = 0, -1
WRITTEN = {HOLE: "hole", UNKNOWN: "unknown"}
WHAT = "hole, unknown, or the gutter's number"


class Correction(NamedTuple):
    """What a person found in one slot. what: `hole`, `unknown`, or a gutter's id."""

    slot: str
    what: str

    @property
    def argument(self) -> str:
        """As the command `correct` takes it."""
        return f"{self.slot} {self.what}"


class Lane(NamedTuple):
    """One lane as the running controller has it: its runs' slots, mouth to tail."""

    number: int
    runs: Mapping[str, Sequence[int]]

    def slots(self) -> dict[str, int]:
        """Every slot by name."""
        return {
            f"{run}.{place}": gutter
            for run, slots in self.runs.items()
            for place, gutter in enumerate(slots)
        }


def lane_of(answer: Mapping[str, Any], number: int) -> Lane:
    """The lane of that number in what the controller says; UsageError if it has none."""
    for row in answer["lanes"]:
        if row["lane"] == number:
            return Lane(number, {run["run"]: tuple(run["slots"]) for run in row["runs"]})
    known = ", ".join(str(row["lane"]) for row in answer["lanes"])
    raise UsageError(f"there is no lane {number}; there are: {known}")


def folded(lane: Lane) -> list[str]:
    """The lane in lines, mouth to tail: `germ 0–3: 104…101`, `germ 4: hole`."""
    return [
        f"{run.rpartition('.')[2]} {_span(first, last)}: {_held(slots[first], slots[last])}"
        for run, slots in lane.runs.items()
        for first, last in _stretches(slots)
    ]


def _span(first: int, last: int) -> str:
    return f"{first}" if first == last else f"{first}–{last}"


def _held(first: int, last: int) -> str:
    word = WRITTEN.get(first)
    if word is not None:
        return word
    return f"{first}" if first == last else f"{first}…{last}"


def _stretches(slots: Sequence[int]) -> list[tuple[int, int]]:
    """First and last of each stretch: alike holes or unknowns, or ids that count up or down."""
    found: list[tuple[int, int]] = []
    first = 0
    for place in range(1, len(slots) + 1):
        if place < len(slots) and _goes_on(slots, first, place):
            continue
        found.append((first, place - 1))
        first = place
    return found


def _goes_on(slots: Sequence[int], first: int, place: int) -> bool:
    before, here = slots[place - 1], slots[place]
    if before <= HOLE or here <= HOLE:
        return before == here
    step = here - before
    return abs(step) == 1 and (place - first < 2 or slots[first + 1] - slots[first] == step)


def correction(lane: Lane, slot: str, what: str) -> Correction:
    """One correction, checked. `germ.4` stands for `lane3.germ.4`. UsageError says what is wrong
    and what would be right."""
    known = lane.slots()
    whole = slot if slot in known else f"lane{lane.number}.{slot}"
    if whole not in known:
        shown = [name.partition(".")[2] for name in known]
        hint = nearest(slot, shown if not slot.startswith("lane") else known)
        raise UsageError(f"{slot!r} is not a slot of lane {lane.number}; {hint}")
    if what not in WRITTEN.values() and not (what.isdecimal() and int(what) > 0):
        raise UsageError(f"{what!r} is not what a slot can hold: {WHAT}")
    return Correction(whole, str(int(what)) if what.isdecimal() else what)


def read_corrections(path: Path, lane: Lane) -> list[Correction]:
    """The list from a clipboard: two columns, slot and what. Blank rows, rows that begin with `#`
    and a heading `slot,what` are passed over.

    Raises UsageError that names every wrong line of it; then none may be sent.
    """
    if not path.is_file():
        raise UsageError(f"{path}: there is no such file")
    findings: list[Finding] = []
    made: list[tuple[int, Correction]] = []
    for line in read_lines(path, str(path), findings).lines:
        cells = [cell for cell in line.cells if cell]
        if not cells or cells[0].startswith("#") or [c.lower() for c in cells] == ["slot", "what"]:
            continue
        try:
            if len(cells) != 2:
                raise UsageError(f"{len(cells)} cells; a row is SLOT,WHAT, such as germ.4,hole")
            made.append((line.line, correction(lane, *cells)))
        except UsageError as error:
            findings.append(Finding(str(path), line.line, "row", str(error)))
    findings += _contradictions(str(path), made, lane)
    if findings:
        listed = "\n".join(str(found) for found in sorted(findings, key=lambda f: f.line))
        raise UsageError(f"{listed}\nNothing was sent.")
    return [one for _, one in made]


def _contradictions(name: str, made: Sequence[tuple[int, Correction]], lane: Lane) -> list[Finding]:
    """A slot or a gutter that stands twice in the list, or whose other slot is left as it is."""
    found: list[Finding] = []
    slots: dict[str, int] = {}
    gutters: dict[str, int] = {}
    for line, one in made:
        for seen, key in ((slots, one.slot), (gutters, one.what)):
            if key in seen and key not in WRITTEN.values():
                found.append(Finding(name, line, key, f"stands in line {seen[key]} already"))
            seen.setdefault(key, line)
    for place, gutter in lane.slots().items():
        if str(gutter) in gutters and place not in slots:
            message = f"by the record it stands in {place}; say also what is there"
            found.append(Finding(name, gutters[str(gutter)], str(gutter), message))
    return found

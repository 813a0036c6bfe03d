"""A device profile as text: what was measured, in the keys of site.yaml, for a person to correct.

Only what was truly seen becomes a key. What could not be settled stands as a comment.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterable, Iterator

from linectl.commission.find import UnitFound
from linectl.commission.survey import TableSurvey, protocol_most
from linectl.site.notation import Notation, Table, reference

_KEYS = (("max_read_registers", ("holding", "input")), ("max_read_bits", ("coil", "discrete")))


def profile_text(found: UnitFound, where: str, on: dt.date) -> str:
    """The YAML of a profile. where: the bus or port that it was found on."""
    return "\n".join(_lines(found, where, on)) + "\n"


def _lines(found: UnitFound, where: str, on: dt.date) -> Iterator[str]:
    notation: Notation = found.subject.device.notation if found.subject else "protocol"
    yield f"# {found.name}: what it answered on {on.isoformat()}, not what its manual says."
    yield "# Correct it from the manual, then name it in site.yaml:"
    yield "#   devices:"
    yield f"#     NAME: {{profile: THIS FILE, bus: BUS, unit: {found.unit}, silent_after: 500ms}}"
    seen = f"on: {on.isoformat()}, at: {_text(where)}, unit: {found.unit}"
    yield f"found: {{{seen}, requests: {found.requests}}}"
    if found.identification:
        yield "identification:"
        for name, text in found.identification.items():
            yield f"  {name}: {_text(text)}"
    else:
        yield "# identification (function 43/14): not told"
    yield f"tables: [{', '.join(one.table for one in found.tables if one.ranges)}]"
    yield f"notation: {notation}"
    yield from _turnaround(found)
    yield from _limits(found)
    yield from _ranges(found, notation)
    yield from _write(found)


def _text(text: str) -> str:
    """A text as YAML reads it back whatever it holds; JSON's form is YAML's too."""
    return json.dumps(text, ensure_ascii=False)


def _turnaround(found: UnitFound) -> Iterator[str]:
    if found.latency is None:
        return
    one = found.latency
    yield (
        f"turnaround: {one.turnaround_ms}ms"
        f"  # answers took {one.min_ms:.1f} / {one.median_ms:.1f} / {one.max_ms:.1f} ms"
        " (least, median, most)"
    )


def _limits(found: UnitFound) -> Iterator[str]:
    for key, tables in _KEYS:
        mine = [one for one in found.tables if one.table in tables and one.most]
        limits = [one.most for one in mine if one.most_is_limit and one.most]
        if limits and min(limits) < protocol_most(mine[0].table):
            yield f"{key}: {min(limits)}"
        elif limits:
            yield f"# {key}: {min(limits)}, all that the protocol allows"
        elif mine:
            most = max(one.most or 0 for one in mine)
            yield f"# {key}: {most} at once works; no longer range was found to try more"


def _ranges(found: UnitFound, notation: Notation) -> Iterator[str]:
    readable = [one for one in found.tables if one.ranges]
    if not readable:
        return
    asked = "; ".join(
        f"{one.table} {_span(one.asked[0].start, one.asked[-1].stop, one.table, notation)}"
        for one in readable
    )
    yield f"# asked: {asked}. Beyond that nothing is known"
    for one in readable:
        if not one.complete:
            yield f"# {one.table}: not asked to the end (allowance of requests, or silence)"
    yield "readable:"
    for one in readable:
        yield f"  {one.table}: [{', '.join(_quoted(one, notation))}]"
    yield "# gaps: true  # true if the manual lets addresses be read that it does not name"
    for table, by in found.offsets.items():
        where = "lower" if by < 0 else "higher"
        yield f"# {table}: every address of the map answers if it is one {where}: off by one?"


def _quoted(one: TableSurvey, notation: Notation) -> Iterable[str]:
    return (f'"{_span(r.start, r.stop, one.table, notation)}"' for r in one.ranges)


def _span(start: int, stop: int, table: Table, notation: Notation) -> str:
    ends = [start] if stop == start + 1 else [start, stop - 1]
    if notation == "reference":
        return "-".join(reference(table, at) for at in ends)
    return "-".join(str(at) for at in ends)


def _write(found: UnitFound) -> Iterator[str]:
    trial = found.write
    if trial is None:
        yield "# write: not tried (--allow-writes)"
    elif trial.functions is None:
        yield f"# write: neither function was taken at {trial.table} {trial.address}"
    else:
        yield f"write: {trial.functions}  # tried at {trial.table} {trial.address}"

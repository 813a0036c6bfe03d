"""What `find` found, as tables for a person and as an object for a program."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from rich.text import Text

from linectl.cli.look import say_items
from linectl.cli.screen import heading, say, table
from linectl.commission.find import LineFound, UnitFound
from linectl.commission.survey import TableSurvey
from linectl.commission.where import Place, Trial
from linectl.field.advice import advice, meaning
from linectl.site.hardware import RtuBus
from linectl.site.notation import Table, both_ways, reference

RANGES_SHOWN = 6


def print_found(found: LineFound, place: Place, trials: Sequence[Trial]) -> None:
    """What was found in words, on standard output."""
    silent = len(found.asked) - len(found.units)
    say(
        heading(f"{place.where}:"),
        Text(
            f"{_count(len(found.units), 'unit')} of {len(found.asked)} answered, "
            f"{found.requests} requests"
        ),
    )
    if trials:
        _trials(trials)
    if not found.units:
        say(Text(f"nothing answers among {_units(found.asked)}. Check next:"))
        say_items("  -", advice("silent", place.bus))
    else:
        _overview(found)
        for one in found.units:
            _unit(one)
    missing = [s.name for unit, s in place.subjects.items() if unit in _missing(found)]
    if missing and found.units:
        say(Text())
        say(Text(f"silent, though site.yaml has them here: {', '.join(missing)}. Check next:"))
        say_items("  -", advice("silent", place.bus))
    elif silent and found.units:
        say(Text())
        others = "unit number is" if silent == 1 else f"{silent} unit numbers are"
        say(Text(f"the other {others} silent"))
    if found.echo is not None:
        say(Text(f"echo on the line: {'yes' if found.echo else 'no'}"))
    if found.echo:
        say_items("  -", advice("echo", place.bus))
    say_items("note:", found.notes)


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _missing(found: LineFound) -> set[int]:
    return set(found.asked) - {one.unit for one in found.units}


def _units(units: Sequence[int]) -> str:
    return f"units {units[0]}–{units[-1]}" if len(units) > 1 else f"unit {units[0]}"


def _trials(trials: Sequence[Trial]) -> None:
    rows = [[t.baud, t.parity, len(t.present), t.damaged or None] for t in trials]
    say(table(">baud|parity|>units that answer|>damaged answers", rows))


def _overview(found: LineFound) -> None:
    rows = []
    for one in found.units:
        told = one.identification or {}
        names = (told.get("vendor"), told.get("product_code") or told.get("product_name"))
        late = one.latency
        rows.append(
            [
                one.unit,
                one.subject.name if one.subject else None,
                " ".join(part for part in (*names, told.get("revision")) if part) or "not told",
                ", ".join(t.table for t in one.tables if t.ranges) or "none",
                None if late is None else f"{late.median_ms:.1f}",
                one.requests,
            ]
        )  # fmt: skip
    columns = ">unit|in site.yaml|identification|tables with values|>latency ms|>requests"
    say(table(columns, rows))


def _unit(one: UnitFound) -> None:
    say(Text())
    title = one.name if one.subject is None else f"{one.name} (unit {one.unit})"
    say(heading(f"{title}:"), Text(_latency(one)))
    rows = [
        [
            t.table,
            _ranges(t),
            _most(t),
            t.requests,
            "" if t.complete else "not asked to the end",
        ]
        for t in one.tables
    ]
    say(table("table|readable: protocol (reference)|>most per read|>requests|", rows))
    for name, by in one.offsets.items():
        say(
            Text(
                f"{name}: every address of the map answers if it is one "
                f"{'lower' if by < 0 else 'higher'}, and not as written: is the map off by one?"
            )
        )
    if one.write is not None:
        _write(one)


def _latency(one: UnitFound) -> str:
    if one.latency is None:
        return "no answer could be timed"
    late = one.latency
    return (
        f"answers after {late.min_ms:.1f} ms at least, {late.median_ms:.1f} mostly, "
        f"{late.max_ms:.1f} at most: turnaround: {late.turnaround_ms}ms"
    )


def _ranges(survey: TableSurvey) -> str:
    if not survey.exists:
        return f"no: {meaning(survey.why)}"
    if not survey.ranges:
        asked = _span(survey.table, range(survey.asked[0].start, survey.asked[-1].stop))
        return f"nothing at {asked}: {survey.why.replace('refused_', 'exception ')}"
    shown = [_span(survey.table, r) for r in survey.ranges[:RANGES_SHOWN]]
    more = len(survey.ranges) - len(shown)
    return ", ".join(shown) + (f" and {more} more" if more else "")


def _span(table_name: Table, addresses: range) -> str:
    """`0–5 (40001–40006)`: protocol addresses, and the manual's."""
    first, last = addresses.start, addresses.stop - 1
    if first == last:
        return f"{first} ({reference(table_name, first)})"
    return f"{first}–{last} ({reference(table_name, first)}–{reference(table_name, last)})"


def _most(survey: TableSurvey) -> str | None:
    if survey.most is None:
        return None
    return f"{survey.most}" if survey.most_is_limit else f"at least {survey.most}"


def _write(one: UnitFound) -> None:
    trial = one.write
    assert trial is not None
    where = both_ways(trial.table, trial.address)
    if trial.value is None:
        say(Text(f"write: {where} could not be read, so nothing was written"))
        return
    names = ("5", "15") if trial.table == "coil" else ("6", "16")
    answers = ", ".join(
        f"function {name} {'taken' if not kind else 'refused: ' + meaning(kind)}"
        for name, kind in zip(names, (trial.single, trial.multiple), strict=True)
    )
    say(Text(f"write: {trial.value} written back to {where}: {answers}"))
    if trial.changed:
        say(Text("  it did not keep the value: something else writes there, or it is a command"))


def found_json(
    found: LineFound, place: Place, site: str | None, trials: Sequence[Trial], files: Iterable[str]
) -> dict[str, Any]:
    """The same as one object."""
    serial = place.bus if isinstance(place.bus, RtuBus) else None
    return {
        "site": site,
        "bus": place.name,
        "where": place.where,
        "baud": serial.baud if serial else None,
        "parity": serial.parity if serial else None,
        "asked": list(found.asked),
        "requests": found.requests,
        "echo": found.echo,
        "failures": dict(found.failures),
        "units": [_unit_json(one) for one in found.units],
        "tried": [
            {"baud": t.baud, "parity": t.parity, "units": [p.unit for p in t.present],
             "damaged": t.damaged}
            for t in trials
        ],
        "profiles": list(files),
        "notes": list(found.notes),
    }  # fmt: skip


def _unit_json(one: UnitFound) -> dict[str, Any]:
    late, trial = one.latency, one.write
    return {
        "unit": one.unit,
        "device": one.subject.name if one.subject else None,
        "identification": None if one.identification is None else dict(one.identification),
        "latency": None if late is None else late._asdict(),
        "requests": one.requests,
        "tables": [
            {"table": t.table, "exists": t.exists, "why": t.why or None,
             "readable": [[r.start, r.stop - 1] for r in t.ranges],
             "asked": [[r.start, r.stop - 1] for r in t.asked],
             "most_per_read": t.most, "is_limit": t.most_is_limit, "complete": t.complete,
             "requests": t.requests}
            for t in one.tables
        ],
        "offsets": dict(one.offsets),
        "write": None if trial is None else {
            "table": trial.table, "address": trial.address, "value": trial.value,
            "functions": trial.functions, "single": trial.single or None,
            "multiple": trial.multiple or None, "changed": trial.changed,
        },
    }  # fmt: skip

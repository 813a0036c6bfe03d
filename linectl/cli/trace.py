"""`linectl trace LOT`: where a lot went and where it came from; its key data elements as CSV."""

from __future__ import annotations

import csv
import datetime as dt
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.text import Text

from linectl.cli.app import AsJson, app
from linectl.cli.run import LEDGER
from linectl.cli.screen import complain, heading, say, say_json, table
from linectl.errors import Unreachable, UsageError
from linectl.ledger.gutter_path import GutterPath, Stay, came_to
from linectl.ledger.key_data import CAUTION, PROPOSED, columns, key_data
from linectl.ledger.lot_trace import LotTrace, Span
from linectl.ledger.trace import site_of, trace
from linectl.site.crops import in_words
from linectl.site.load import load_site

ROWS_SHOWN = 40
"""Gutters listed one by one on the screen; --json has more."""
EXAMPLE = """
Examples:

  linectl trace GO-2291 --site config/small

  linectl trace P-1201 --ledger backup.sqlite3 --csv P-1201.csv

  linectl trace 4711 --site config/small
"""
HELP = f"""Traces a lot both ways, or the gutter of that number.

A seed, substrate or sowing lot: to the packing lots that its gutters went to. A packing lot: back
to the seed and substrate lots, with lanes, times and weights. A gutter: every place and slot, from
when to when. Works while the controller runs.

**CAUTION.** {CAUTION} Compliance date: {PROPOSED}.
"""


@app.command("trace", epilog=EXAMPLE, help=HELP)
def trace_(
    lot: Annotated[str, typer.Argument(metavar="LOT", help="A lot's name, or a gutter's number.")],
    site: Annotated[
        Path | None, typer.Option(help=f"The site's folder; its ledger is {LEDGER} in it.")
    ] = None,
    ledger: Annotated[Path | None, typer.Option(help="A ledger's file, such as a backup.")] = None,
    out: Annotated[
        Path | None,
        typer.Option("--csv", metavar="FILE", help="Write the key data elements of 21 CFR 1.1325"
                     " and 1.1330, as far as a line knows them; the rest as named blanks."),
    ] = None,
    gutters: Annotated[bool, typer.Option("--gutters", help="List each gutter.")] = False,
    as_json: AsJson = False,
) -> None:  # fmt: skip
    """Trace a lot or a gutter."""
    if site is None and ledger is None:
        raise UsageError("say which ledger: --site SITE, or --ledger FILE")
    name = load_site(site).name if site is not None else None
    file = str(ledger if ledger is not None else Path(site or "") / LEDGER)
    found = trace(file, lot, name)
    if out is not None:
        if not found.lots:
            raise UsageError(f"{lot} is a gutter's number: --csv wants a lot")
        _write(out, columns(), key_data(file, name or site_of(file), found.lots))
    if as_json:
        plain = {"lots": [_plain(one) for one in found.lots], "gutter": _plain(found.gutter)}
        say_json({"site": name or site_of(file), "ledger": file, "asked": lot, **plain})
        return
    for one in found.lots:
        _show_lot(one, gutters)
    if found.gutter is not None:
        _show_gutter(found.gutter)
    if out is not None:
        complain(f"{out}: key data elements written. {CAUTION}")


def _plain(fact: Any) -> Any:
    """Facts as JSON has them, by the names of their fields."""
    if isinstance(fact, LotTrace | GutterPath):
        told = {name: _plain(value) for name, value in vars(fact).items()}
        return {**told, "kg": fact.kg} if isinstance(fact, LotTrace) else told
    if hasattr(fact, "_asdict"):
        return {name: _plain(value) for name, value in fact._asdict().items()}
    if isinstance(fact, dict):
        return {name: _plain(value) for name, value in fact.items()}
    return [_plain(item) for item in fact] if isinstance(fact, list | tuple) else fact


def _write(file: Path, names: list[str], rows: Iterable[dict[str, str]]) -> None:
    try:
        # With a mark, so that a spreadsheet takes it for UTF-8.
        with file.open("w", encoding="utf-8-sig", newline="") as handle:
            writer = csv.DictWriter(handle, names)
            writer.writeheader()
            writer.writerows(rows)
    except OSError as error:
        raise Unreachable(f"{file}: cannot be written ({error.strerror})") from error


def _time(at_ms: int | None, form: str = "%Y-%m-%d %H:%M:%S") -> str | None:
    return None if at_ms is None else dt.datetime.fromtimestamp(at_ms / 1000).strftime(form)


def _minute(at_ms: int | None) -> str | None:
    return _time(at_ms, "%Y-%m-%d %H:%M")


def _between(span: Span) -> list[str | None]:
    return [_minute(span.from_ms), _minute(span.to_ms)]


def _ids(ranges: list[tuple[int, int]]) -> str:
    return ", ".join(str(a) if a == b else f"{a}–{b}" for a, b in ranges)


def _show_lot(one: LotTrace, gutters: bool) -> None:
    lot = one.lot
    by = f" by {lot.by}" if lot.by else ""
    crop = f" ({in_words(lot.crop)})" if lot.crop else ""
    say(heading(f"{lot.kind} lot {lot.name}{crop}:"), Text(f"since {_minute(lot.opened_ms)}{by}"))
    crops = ", ".join(
        f"{count} {in_words(crop) or 'of no crop'}" for crop, count in one.crops.items()
    )
    now = ", ".join(f"{count} {_where(place)}" for place, count in one.now.items())
    say(Text(f"{one.gutters} gutters: {_ids(one.ranges) or 'none'}"))
    if one.gutters:
        say(Text(f"{crops}; now {now}"))
        say(Text())
        names = ("sown", "indexed", "ejected", "handed")
        rows = [[name, *_between(getattr(one, name))] for name in names]
        say(table("|first|last", rows))
        say(Text())
        say(table("went with|lot|>gutters|crop|sown, or handed over|to", _shares(one)))
        say(Text())
        say(table("lane|>gutters|indexed|to|ejected|to|through the slots", _lanes(one)))
    for standing in one.standing:
        slots = f"{standing.run} {standing.from_slot}–{standing.to_slot}"
        say(Text(f"{standing.gutters} stand in {slots}"))
    for weight in one.weights:
        said = f"{weight.kg:g} kg {in_words(weight.crop)}".rstrip()
        say(Text(f"weighed {_minute(weight.at_ms)} by {weight.by}: {said}"))
    if one.kg is not None:
        say(Text(f"weighed in all: {one.kg:g} kg"))
    for remark in one.remarks:
        say(heading("Note"), Text(remark))
    if gutters and one.rows:
        _list(one)
    say(Text())


def _where(place: str) -> str:
    words = {"lanes": "in lanes", "machine": "in the machine", "packing": "handed over",
             "reject": "rejected", "removed": "removed by hand"}  # fmt: skip
    return words.get(place, place)


def _shares(one: LotTrace) -> list[list[object]]:
    return [
        [kind, share.name or "NOT NAMED", share.gutters, in_words(", ".join(share.crops)),
         *_between(share.span)]
        for kind, shares in one.shares.items() for share in shares
    ]  # fmt: skip


def _lanes(one: LotTrace) -> list[list[object]]:
    return [
        [lane.lane, lane.gutters, *_between(lane.indexed), *_between(lane.ejected),
         ", ".join(f"{run} 0–{slots - 1}" for run, slots in lane.runs)]
        for lane in one.lanes
    ]  # fmt: skip


def _list(one: LotTrace) -> None:
    rows = [
        [row.id, in_words(row.crop), row.lane, _minute(row.sown_ms), _minute(row.ejected_ms),
         _minute(row.handed_ms), row.place if row.slot is None else f"{row.place}.{row.slot}",
         _doubt(one, row.id)]
        for row in one.rows[:ROWS_SHOWN]
    ]  # fmt: skip
    say(table(">gutter|crop|lane|sown|ejected|handed over|now at|in doubt", rows))
    if one.gutters > ROWS_SHOWN:
        say(Text(f"and {one.gutters - ROWS_SHOWN} more: --json lists the first {len(one.rows)}"))


def _doubt(one: LotTrace, gutter: int) -> str:
    if gutter in one.corrected:
        return "a person corrected it"
    return "a move not seen done" if gutter in one.uncertain else ""


def _show_gutter(path: GutterPath) -> None:
    say(heading(f"gutter {path.id}:"), Text(in_words(path.crop) or "no crop"))
    due = came_to(path.times)
    named = (
        f"{kind} {name or ('not so far' if due[kind] is None else 'NOT NAMED')}"
        for kind, name in path.lots.items()
    )
    say(Text(f"lots: {', '.join(named)}"))
    for found in path.first:
        seeds = "" if found.seeds is None else f", {found.seeds} seeds counted"
        said = f"{found.verdict} {found.text}".strip() + (f", says {found.by}" if found.by else "")
        say(heading("First of its seed"), Text(f"{_minute(found.at_ms)}: {said}{seeds}"))
    for remark in path.remarks:
        say(heading("Note"), Text(remark))
    say(Text())
    say(table("place|came by|from|to|slots", [row for stay in path.stays for row in _stay(stay)]))
    acts = [
        [act.kind, act.place, _time(act.intended_ms), _time(act.done_ms) or "never seen done"]
        for act in path.acts
    ]
    if acts:
        say(Text())
        say(table("what|at|begun|done", acts))


def _stay(stay: Stay) -> list[list[object]]:
    """A stay, and below it its slots from day to day."""
    first = "?" if stay.from_slot is None else stay.from_slot
    slots = None if stay.to_slot is None else f"{first}–{stay.to_slot}"
    rows: list[list[object]] = [
        [stay.place, stay.came or "stood there", _time(stay.from_ms), _time(stay.to_ms), slots]
    ]
    for day in stay.days:
        rows.append(["", "", _time(day.from_ms), None, f"  {day.from_slot}–{day.to_slot}"])
    return rows

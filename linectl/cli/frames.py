"""`linectl frames FILE SITE`: a recorded trace of the wires, told in point names and values."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from linectl.cli.app import AsJson, SiteFolder, app
from linectl.cli.screen import complain, heading, say, say_json, table
from linectl.commission.frames import Reader, Told, opened
from linectl.errors import UsageError
from linectl.image import Value
from linectl.site.complaints import nearest
from linectl.site.load import load_site
from linectl.site.model import Site

POINTS_SHOWN = 8
"""Points of one exchange that a person is shown; --tag shows the ones asked for."""
EXAMPLE = """
Examples:

  linectl frames trace.jsonl config/fennmark --errors

  linectl frames trace.jsonl config/fennmark --tag fill.exit_eye
"""


@app.command(epilog=EXAMPLE)
def frames(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="What --trace wrote, or a dump after trouble.")
    ],
    site: SiteFolder,
    device: Annotated[str | None, typer.Option(help="Only exchanges with this device.")] = None,
    tag: Annotated[str | None, typer.Option(help="Only exchanges that carry this point.")] = None,
    errors: Annotated[
        bool, typer.Option("--errors", help="Only what went wrong or came late.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Reads a trace: each request with its answer, its latency and the points that changed.

    Told apart are answers that came late, exceptions, silence, damaged frames, and frames that
    answer something else. Values are as the line sees them, before filter delays.
    """
    loaded = load_site(site)
    _known("device", device, loaded.file.devices)
    _known("tag", tag, loaded.tags)
    with opened(file, loaded) as reader:
        told = (
            one
            for one in reader.told()
            if (device is None or one.device == device)
            and (tag is None or tag in reader.tags_of(one))
            and not (errors and one.is_fine)
        )
        if as_json:
            say_json(_as_json(reader, told))
        else:
            _print(reader, told, loaded, tag)


def _known(kind: str, name: str | None, valid: Iterable[str]) -> None:
    if name is not None and name not in valid:
        raise UsageError(f"the site has no {kind} {name!r}; {nearest(name, valid) or 'see check'}")


def _as_json(reader: Reader, told: Iterable[Told]) -> dict[str, object]:
    header = reader.trace.header
    rows = [one.as_json() for one in told]
    return {
        "site": header.site,
        "started": header.started,
        "at_s": header.at_s,
        "trouble": header.trouble,
        "exchanges": rows,
        "outcomes": {bus: dict(counts) for bus, counts in reader.outcomes.items()},
        "dropped": reader.trace.dropped,
        "remarks": reader.remarks,
    }


def _print(reader: Reader, told: Iterable[Told], site: Site, tag: str | None) -> None:
    header = reader.trace.header
    say(heading(f"{header.site}:"), Text(f"traced from {header.started}, linectl {header.version}"))
    if header.trouble:
        say(Text(f"dumped because of {header.trouble}"))
    units = {point.tag: f" {point.unit}" if point.unit else "" for point in site.points}
    for one in told:
        exchange = one.exchange
        at = header.wall(exchange.at_s).strftime("%H:%M:%S.%f")[:-2]
        where = f"{exchange.bus}  {one.device or '–'}"
        took = "" if exchange.latency_ms is None else f"  {exchange.latency_ms:.1f} ms"
        line = Text(f"{at}  {where}  {one.what}{took}")
        if not one.is_fine:
            line.append(f"  {exchange.outcome.upper()}: {exchange.text}", style="bold")
        elif exchange.outcome == "open":
            line.append("  (the trace ends)")
        say(line, soft_wrap=True)
        if points := _points(one, units, tag):
            say(Text(f"{' ' * 15}{points}"), soft_wrap=True)
    _totals(reader)


def _points(one: Told, units: dict[str, str], tag: str | None) -> str:
    if tag is not None:
        return f"{tag} {_value(one.points[tag])}{units[tag]}" if tag in one.points else ""
    if not one.is_fine:  # what was to be written; a read that went wrong has none
        parts = [f"{name} {_value(value)}{units[name]}" for name, value in one.points.items()]
    else:
        parts = _changes(one, units)
    more = len(parts) - POINTS_SHOWN
    return ", ".join(parts[:POINTS_SHOWN]) + (f" and {more} more" if more > 0 else "")


def _changes(one: Told, units: dict[str, str]) -> list[str]:
    return [
        f"{name} {'' if before is None else f'{_value(before)} → '}{_value(now)}{units[name]}"
        for name, (before, now) in one.changed.items()
    ]


def _value(value: Value) -> str:
    return str(int(value)) if isinstance(value, bool) else f"{value:.6g}"


def _totals(reader: Reader) -> None:
    say(Text())
    kinds = sorted({kind for counts in reader.outcomes.values() for kind in counts})
    rows = [[bus, *(counts[kind] for kind in kinds)] for bus, counts in reader.outcomes.items()]
    say(table("|".join(["bus", *(f">{kind}" for kind in kinds)]), rows))
    for remark in reader.remarks:
        complain(remark)

"""`linectl find`: what answers on a line, and what each of it can do."""

from __future__ import annotations

import datetime as dt
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any

import typer

from linectl.cli.app import AsJson, app
from linectl.cli.counting import counting
from linectl.cli.found import found_json, print_found
from linectl.cli.screen import complain, say_json
from linectl.cli.writable import will_be_written
from linectl.commission.find import REQUESTS_MOST, LineFound, Options
from linectl.commission.find import find as find_on
from linectl.commission.profile import profile_text
from linectl.commission.talk import Line, Talk, refuse_if_held, wire_to
from linectl.commission.units import units_in
from linectl.commission.where import (
    Place,
    Trial,
    bus_of_site,
    lines_to_try,
    network_port,
    serial_port,
    tried,
)
from linectl.commission.write_trial import CAUTION, what_could_move
from linectl.errors import Unreachable, UsageError
from linectl.site.hardware import Point
from linectl.site.load import load_site
from linectl.site.notation import LAST_ADDRESS, Table, both_ways

NOTHING = Unreachable.exit_code
OUTPUTS_NAMED = 12
EXAMPLE = """
Examples:

  linectl find config/fennmark drives

  linectl find --port /dev/serial/by-id/line-drives --try 9600,19200,38400 --units 1-10

  linectl find --host 192.0.2.30 --units 1 --out profiles/meter.yaml
"""

SiteName = Annotated[
    Path | None, typer.Argument(metavar="SITE", help="A site's folder; or --port, or --host.")
]
BusName = Annotated[
    str | None, typer.Argument(metavar="BUS", help="A bus of that site.", show_default=False)
]
Port = Annotated[
    str | None, typer.Option(help="Serial port; with --host the TCP port (502 if left out).")
]
Host = Annotated[str | None, typer.Option(help="Name or address of a network device or gateway.")]
Rtu = Annotated[
    bool, typer.Option("--rtu", help="With --host: a converter that passes serial frames on.")
]
Baud = Annotated[int, typer.Option(help="Speed of a serial line.")]
Parity = Annotated[str, typer.Option(help="even, odd or none.")]
StopBits = Annotated[int, typer.Option(help="1 or 2.")]
Timeout = Annotated[str, typer.Option(help="How long one answer may take; a site has its own.")]
Units = Annotated[
    str | None, typer.Option(help="Unit numbers: 1-32, 1,5,7-9; 1-32 and the site's if left out.")
]
Window = Annotated[
    str | None,
    typer.Option(help="Protocol addresses to look at in each table: 0-999; round the map if not."),
]
Most = Annotated[int, typer.Option(help="Most requests to one unit.")]
TryLines = Annotated[
    str | None,
    typer.Option("--try", help="Speeds, and parities, to try: 9600,19200 or 9600:even,none."),
]
AllowWrites = Annotated[
    bool,
    typer.Option(
        "--allow-writes", help="Try the write functions; asks for each device. Can move machinery."
    ),
]
Out = Annotated[
    Path | None, typer.Option(help="Write a device profile; one for each unit if there are more.")
]
At = Annotated[Path | None, typer.Option(help="Go to a running plant: the file that it wrote.")]


@app.command(epilog=EXAMPLE)
def find(
    site: SiteName = None,
    bus: BusName = None,
    port: Port = None,
    host: Host = None,
    rtu: Rtu = False,
    baud: Baud = 19_200,
    parity: Parity = "even",
    stop_bits: StopBits = 1,
    timeout: Timeout = "200ms",
    units: Units = None,
    window: Window = None,
    most: Most = REQUESTS_MOST,
    try_lines: TryLines = None,
    allow_writes: AllowWrites = False,
    out: Out = None,
    at: At = None,
    as_json: AsJson = False,
) -> None:
    """Finds what answers on a line: units, tables, limits, ranges, latency, identification.

    Reads only, unless --allow-writes. It asks addresses that may not exist: most devices refuse
    them, a few answer the next question wrongly; so do it while the line stands. Writing can move
    machinery: lock out first; linectl is no safety function. Exit 3 if nothing answers.
    """
    line = {"baud": baud, "parity": parity, "stop_bits": stop_bits}
    if site is not None:
        place = _of_site(site, bus, at, beside=(port, host))
    elif host is not None:
        place = network_port(host, port or "502", timeout, rtu, **line)
    elif port is not None:
        place = serial_port(port, timeout, **line)
    else:
        raise UsageError("name SITE and BUS, or --port for a serial port, or --host")
    asked = units_in(units) if units else _usual_units(place)
    options = Options(asked, _window(window), most, _allowed if allow_writes else None)
    if allow_writes and (as_json or not sys.stdin.isatty()):
        raise UsageError("--allow-writes asks a person for each device: only at a terminal")
    if out is not None:
        _is_new(out)
    settings = lines_to_try(try_lines) if try_lines else ()
    found, place, trials = _found(place, options, settings)
    files = [] if out is None else _write_profiles(found, place, out)
    if as_json:
        name = load_site(site).name if site is not None else None
        say_json(found_json(found, place, name, trials, files))
    else:
        print_found(found, place, trials)
        for file in files:
            complain(f"profile written: {file}; compare it with the device's manual")
    if not found.units:
        raise typer.Exit(NOTHING)


def _of_site(site: Path, bus: str | None, at: Path | None, beside: Sequence[str | None]) -> Place:
    """A bus of a site, which nobody else may be using now."""
    if any(beside):
        raise UsageError("name SITE and BUS, or --port or --host; not both")
    loaded = load_site(site)
    if bus is None:
        raise UsageError(f"name a bus of {loaded.name}: {', '.join(loaded.file.buses)}")
    refuse_if_held(site)
    return bus_of_site(loaded, bus, at)


def _usual_units(place: Place) -> tuple[int, ...]:
    """1–32, the site's own, and 255 where a device may be reached without a number."""
    direct = place.bus.kind != "rtu" and getattr(place.bus, "framing", "tcp") == "tcp"
    return tuple(sorted({*range(1, 33), *place.subjects, *((255,) if direct else ())}))


def _window(text: str | None) -> range | None:
    if text is None:
        return None
    first, dash, last = text.partition("-")
    if first.isdecimal() and (last.isdecimal() or not dash):
        found = range(int(first), int(last or first) + 1)
        if found and found[-1] <= LAST_ADDRESS:
            return found
    raise UsageError(f"--window {text!r}: protocol addresses such as 0-999, none past 65535")


def _found(
    place: Place, options: Options, settings: Sequence[tuple[int, str]]
) -> tuple[LineFound, Place, list[Trial]]:
    """Tries the speeds, if asked, then looks at what answers."""
    trials = []
    with counting() as tell:
        if settings:
            for trial, here in tried(place, settings, options.units, _wire, tell):
                trials.append(trial)
                if trial.present:
                    place = here
        if (allow := options.allow_write) is not None:

            def allow_paused(*about: Any) -> bool:
                with tell.paused():
                    return allow(*about)

            options = replace(options, allow_write=allow_paused)
        with _open(place) as talk:
            return find_on(talk, place.bus, place.subjects, options, tell), place, trials


def _wire(place: Place) -> Line:
    return wire_to(place.name, place.bus, place.reach, place.folder)


@contextmanager
def _open(place: Place) -> Iterator[Talk]:
    wire = _wire(place)
    wire.open()
    try:
        yield Talk(wire)
    finally:
        wire.close()


def _allowed(name: str, unit: int, points: Sequence[Point], table: Table, address: int) -> bool:
    """Asks a person to type the device's name before it is written to."""
    complain(f"\n{CAUTION}")
    complain(f"{name} (unit {unit}): {both_ways(table, address)} would be written back, twice.")
    moves = what_could_move(points)
    if moves:
        more = f" and {len(moves) - OUTPUTS_NAMED} more" if len(moves) > OUTPUTS_NAMED else ""
        complain("What could move: " + "; ".join(moves[:OUTPUTS_NAMED]) + more)
    else:
        complain("What could move: unknown; no site names this device's outputs.")
    typed = typer.prompt(
        f"Type {name!r} to write, anything else to leave it", default="", err=True,
        show_default=False,
    )  # fmt: skip
    return str(typed).strip() == name


def _is_new(out: Path) -> None:
    """A profile that a person has corrected is never overwritten."""
    if out.exists():
        raise UsageError(f"{out} is there already, perhaps corrected by hand; name another file")
    will_be_written(out)


def _write_profiles(found: LineFound, place: Place, out: Path) -> list[str]:
    files = []
    for one in found.units:
        file = out if len(found.units) == 1 else out.with_stem(f"{out.stem}-{one.unit}")
        if file != out:
            _is_new(file)
        text = profile_text(one, place.where, dt.date.today())
        file.write_text(text, encoding="utf-8")
        files.append(str(file))
    return files

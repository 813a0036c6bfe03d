"""`linectl peek SITE DEVICE ADDRESS`: raw registers of a device and every reading of them."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from linectl.cli.app import AsJson, SiteFolder, app
from linectl.cli.ending import until_signalled
from linectl.cli.look import print_look
from linectl.cli.look_json import as_json as look_as_json
from linectl.cli.screen import say, say_json
from linectl.commission.asked import asked, device_of
from linectl.commission.peek import Look
from linectl.commission.peek import peek as look_at
from linectl.commission.talk import refuse_if_held, wire_to
from linectl.errors import UsageError
from linectl.field.wiring import reach_of, read_endpoints
from linectl.site.load import load_site

WRONG = 1
WATCH_S = 1.0
EXAMPLE = """
Examples:

  linectl peek config/small meter 0

  linectl peek config/small meter water.flow_pulses --display 1250

  linectl peek config/small axis_infeed reference:40001 --at plant.json
"""


DeviceName = Annotated[str, typer.Argument(metavar="DEVICE", help="A device of site.yaml.")]
Address = Annotated[
    str,
    typer.Argument(
        metavar="ADDRESS",
        help="In the device's notation; or protocol:17, 0x11, reference:40018, or a tag.",
    ),
]
TableName = Annotated[
    str | None, typer.Option(help="coil, discrete, input or holding; holding if nothing else says.")
]
Shown = Annotated[
    str | None,
    typer.Option(help="What the device's own display says, such as 23.4: finds how to read it."),
]
At = Annotated[Path | None, typer.Option(help="Go to a running plant: the file that it wrote.")]
Watch = Annotated[bool, typer.Option("--watch", help="Look again every second until interrupted.")]


@app.command(epilog=EXAMPLE)
def peek(
    site: SiteFolder,
    device: DeviceName,
    address: Address,
    table: TableName = None,
    count: Annotated[int, typer.Option(help="How many addresses, from ADDRESS on.")] = 1,
    display: Shown = None,
    at: At = None,
    watch: Watch = False,
    as_json: AsJson = False,
) -> None:
    """Shows raw registers of a device and every reading of them. Reads only.

    The address, its neighbours one lower and one higher, the point that the map has there, and
    what linectl would make of it: so a map that is off by one is seen. The bus must be free: a
    running controller is left alone. Exit 1 if the address cannot be read, 3 if the device does
    not answer.
    """
    if watch and as_json:
        raise UsageError("--watch shows one look after the other, --json prints exactly one object")
    loaded = load_site(site)
    asked(loaded, device, address, table)
    bus = device_of(loaded, device).bus
    reach = (reach_of(loaded) if at is None else read_endpoints(at, loaded))[bus]
    refuse_if_held(site)
    wire = wire_to(bus, loaded.file.buses[bus], reach, loaded.folder)
    wire.open()

    def once() -> Look:
        return look_at(loaded, device, address, wire, table=table, count=count, shown=display)

    try:
        look = once()
        if as_json:
            say_json(look_as_json(look, loaded.name))
        else:
            print_look(look)
        if watch:
            _again(once)
    finally:
        wire.close()
    if not look.ok:
        raise typer.Exit(WRONG)


def _again(once: Callable[[], Look]) -> None:
    """One look a second until interrupted; a device that falls silent meanwhile ends it."""
    with until_signalled() as ending:
        while not ending.wait(WATCH_S):
            say(Text(f"\n{time.strftime('%H:%M:%S')}"))
            print_look(once())

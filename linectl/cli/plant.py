"""`linectl plant SITE`: the plant model alone, as Modbus devices on this machine."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.text import Text

from linectl.cli.app import AsJson, SiteFolder, app
from linectl.cli.ending import until_signalled
from linectl.cli.options import Lanes, Scenario, Seed
from linectl.cli.screen import heading, say, say_json, table
from linectl.cli.writable import will_be_written
from linectl.runtime.plant import open_server
from linectl.runtime.standing import standing
from linectl.site.load import load_site
from linectl.site.scenario import load_scenario

EXAMPLE = """
Example, in two terminals:

  linectl plant config/small --lanes full --file plant.json

  linectl run config/small --lanes full --at plant.json --rehearsal

A site with a TLS bus needs --tls DIR with server.pem, server.key and authority.pem. A set for
trials, valid for 30 days, with OpenSSL 3 in that folder; the last one is for the controller:

  new() { openssl req -x509 -newkey rsa:2048 -nodes -days 30 "$@"; }

  by() { new -CA authority.pem -CAkey authority.key -addext basicConstraints=CA:FALSE "$@"; }

  new -subj /CN=authority -keyout authority.key -out authority.pem

  by -subj /CN=plant -addext subjectAltName=IP:127.0.0.1 -keyout server.key -out server.pem

  by -subj /CN=controller -addext 1.3.6.1.4.1.50316.802.1=ASN1:UTF8String:operator
  -keyout controller.key -out controller.pem
"""


@app.command(epilog=EXAMPLE)
def plant(
    site: SiteFolder,
    seed: Seed = 1,
    lanes: Lanes = "empty",  # type: ignore[assignment]  # typer parses the text
    file: Annotated[
        Path | None, typer.Option(help="Where to write the endpoints, for run --at.")
    ] = None,
    scenario: Scenario = None,
    tls: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Certificates of the devices, for TLS buses."),
    ] = None,
    hidden: Annotated[
        int | None,
        typer.Option(
            metavar="SEED",
            help="Doser, meter, drum, encoders and motors are off by factors of this seed.",
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Runs the plant model as Modbus devices: TCP and TLS ports, serial pseudo-terminals.

    In real time, until interrupted. What a scenario commands the controller is left out here.
    """
    loaded = load_site(site)
    serve = open_server()
    actions = () if scenario is None else load_scenario(scenario, loaded)
    if file is not None:
        will_be_written(file)
    with until_signalled() as ending:
        serve(
            loaded,
            seed,
            ending,
            announce=say_json if as_json else partial(_announce, site),
            endpoints_file=None if file is None else file.absolute(),
            slots=standing(loaded, lanes),
            actions=[
                (a.at_ms, a.verb, a.part, dict(a.options)) for a in actions if a.verb != "command"
            ],
            tls=tls,
            hidden=hidden,
        )


def _announce(site: Path, endpoints: dict[str, Any]) -> None:
    say(heading(f"{endpoints['site']}:"), Text("every device answers; Ctrl-C ends it"))
    rows = [
        [
            row["bus"],
            row["device"],
            row["unit"],
            row["kind"],
            row["path"] or f"{row['host']}:{row['port']}",
        ]
        for row in endpoints["endpoints"]
    ]
    say(table("bus|device|>unit|kind|where", rows))
    say(Text("To control it, from another terminal, with the same --lanes:"), soft_wrap=True)
    say(Text(f"  linectl run {site} --at {endpoints['file']} --rehearsal"), soft_wrap=True)
    say(
        Text("Without --rehearsal it refuses production until it is commissioned, as in the field.")
    )

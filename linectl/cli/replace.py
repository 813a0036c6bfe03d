"""`linectl replace SITE DEVICE`: a device in the place of another, read back before it drives."""

from __future__ import annotations

import dataclasses
import datetime as dt
import sys
from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from linectl.cli import granting
from linectl.cli.app import AsJson, SiteFolder, app
from linectl.cli.changing import By, Why, Yes, show_reopened
from linectl.cli.screen import complain, heading, say, say_json, table
from linectl.commission.asked import device_of
from linectl.commission.device_record import known, pending
from linectl.commission.read_back import ReadBack, read_back
from linectl.commission.replace import Compared, begin, compared, confirm, learn, rests_on_device
from linectl.commission.site_change import Reopened, Words
from linectl.commission.talk import refuse_if_held, wire_to
from linectl.field.wiring import reach_of, read_endpoints
from linectl.site.load import load_site
from linectl.site.model import Site

WRONG = 1
CAUTION = (
    "CAUTION: a new device. Lock out before it is exchanged; local electrical codes say who may."
    " Its outputs may be in any state at power-up, and whether they fall when nobody speaks is a"
    " setting: see that the hard-wired cut holds what it moves. Two devices of one unit number"
    " answer at once. linectl is not a safety function: SAFETY.md."
)
EXAMPLE = """
Examples:

  linectl replace config/small io_sower --learn --why "as delivered" --by anna

  linectl replace config/small io_sower --why "output 5 dead" --by anna

  linectl replace config/small
"""


@app.command(epilog=EXAMPLE)
def replace(
    site: SiteFolder,
    device: Annotated[
        str,
        typer.Argument(metavar="[DEVICE]", help="A device of site.yaml; left out: lists all."),
    ] = "",
    why: Why = "",
    by: By = "",
    learned: Annotated[
        bool, typer.Option("--learn", help="Put the device that stands there on record.")
    ] = False,
    accept: Annotated[
        bool,
        typer.Option(
            "--accept-differences",
            help="For scripts: a person has read what differs and says it is the right device.",
        ),
    ] = False,
    at: Annotated[
        Path | None, typer.Option(help="Go to a running plant: the file that it wrote.")
    ] = None,
    yes: Yes = False,
    as_json: AsJson = False,
) -> None:
    """Reads a new device back against the record before anything may drive it.

    From the moment it is begun until it is confirmed `run` does not start. Vendor, product and
    revision that differ need a person's word; a serial number may differ; every declared parameter
    (`parameters` in site.yaml) must be right: exit 1 until it is, then say it again. Confirmed, all
    points of the device are to be checked out anew. No controller may run: it talks on the bus. It
    only reads.
    """
    loaded = load_site(site)
    if not device:
        _list(loaded, as_json)
        return
    device_of(loaded, device)
    words = Words("replace", device, _said(loaded, device), "", why, by)
    refuse_if_held(site)
    if not learned:
        granting.cautioned(CAUTION, yes)
        begin(loaded, device, words)
    found = compared(loaded, _read(loaded, device, at))
    if not as_json:
        _show(loaded, found, learned)
    if found.read.wrong:
        _end(loaded, found, as_json, "parameters are not as declared", None)
    if learned:
        learn(loaded, found.read, words)
        _end(loaded, found, as_json, "", None)
        return
    if found.to_accept and not _accepted(device, accept, as_json):
        _end(loaded, found, as_json, "a person has to accept what differs", None)
    _confirm(site, loaded, found, words, as_json)


def _read(site: Site, device: str, at: Path | None) -> ReadBack:
    """What the device says, over a wire that is open for as long."""
    bus = site.file.devices[device].bus
    reach = (reach_of(site) if at is None else read_endpoints(at, site))[bus]
    wire = wire_to(bus, site.file.buses[bus], reach, site.folder)
    wire.open()
    try:
        return read_back(site, device, wire)
    finally:
        wire.close()


def _confirm(folder: Path, site: Site, found: Compared, words: Words, as_json: bool) -> None:
    device = found.read.device
    open_again = rests_on_device(site, device, dt.date.today())
    confirm(site, found, dataclasses.replace(words, new=_identity(found.read)))
    if not as_json:
        show_reopened(open_again, folder)
        text = (
            f"{device} is confirmed. Each of its points is to be checked out before the line is"
            f" released: linectl checkout {folder} --only {device}."
        )
        if site.file.devices[device].watchdog_ms is not None:
            text += f" Its watchdog is to be proven by silence again: linectl commission {folder}."
        say(Text(text))
    _end(site, found, as_json, "", open_again)


def _said(site: Site, device: str) -> str:
    act = known(site, device)
    return act.identity if act is not None else "nothing on record"


def _identity(read: ReadBack) -> str:
    return read.identity_text or "no identification"


def _show(site: Site, found: Compared, learned: bool) -> None:
    read = found.read
    say(heading(f"{read.device}: {site.file.devices[read.device].bus}"))
    for name, text in (read.identity or {}).items():
        say(Text(f"  {name}: {text}"), soft_wrap=True)
    if read.identity is None:
        say(Text("  it does not tell who it is (no function 2Bh)"))
    if not learned:
        for difference in found.to_accept:
            say(Text(f"  DIFFERS: {difference}"), soft_wrap=True)
    for setting in read.settings:
        word = "  " if setting.right else "  WRONG: "
        say(Text(f"{word}{setting.text}"), soft_wrap=True)
    if not read.settings:
        say(Text("  no parameters are declared: what it is set to is not known here"))


def _accepted(device: str, accept: bool, as_json: bool) -> bool:
    if accept:
        return True
    if as_json or not sys.stdin.isatty():
        return False
    complain("Look at its name plate. If it is the right device all the same, type its name.")
    return bool(typer.prompt(device, default="", show_default=False, err=True) == device)


def _end(
    site: Site, found: Compared, as_json: bool, waits: str, open_again: Reopened | None
) -> None:
    """The result, and exit 1 while something is missing."""
    if as_json:
        say_json(_as_json(site, found, waits, open_again))
    elif waits:
        complain(f"Not confirmed: {waits}.")
    elif open_again is None:
        say(Text(f"{found.read.device} is on record."))
    if waits:
        raise typer.Exit(WRONG)


def _as_json(
    site: Site, found: Compared, waits: str, open_again: Reopened | None
) -> dict[str, object]:
    """identity (null: it has none), on_record (null: nothing), differences (to be accepted),
    parameters by name, waits (what is missing; empty: done), reopened (null: nothing was)."""
    read = found.read
    return {
        "site": site.name,
        "device": read.device,
        "identity": None if read.identity is None else dict(read.identity),
        "on_record": None if found.before is None else found.before.said,
        "differences": list(found.to_accept),
        "parameters": {
            one.name: {
                "value": one.value, "must_be": one.parameter.value, "right": one.right,
                "text": one.text,
            }
            for one in read.settings
        },
        "waits": waits,
        "reopened": None if open_again is None else open_again.as_json(),
    }  # fmt: skip


def _list(site: Site, as_json: bool) -> None:
    rows = [_row(site, name) for name in site.file.devices]
    if as_json:
        say_json({"site": site.name, "devices": rows})
        return
    columns = ("device", "state", "by", "at", "is", "parameters")
    say(
        table(
            "device|state|by|at|who it is|>parameters", [[r[key] for key in columns] for r in rows]
        )
    )


def _row(site: Site, name: str) -> dict[str, object]:
    """device, state (not on record, learned, confirmed; begun: must not be driven), by, at, is (its
    identification in words), parameters (how many are declared)."""
    act, begun = known(site, name), pending(site, name)
    last = begun or act
    said = (act.said if act is not None else None) or {}
    return {
        "device": name,
        "state": "not on record" if last is None else last.act,
        "by": last.by if last is not None else None,
        "at": last.at if last is not None else None,
        "is": ", ".join(said.values()) or None,
        "parameters": len(site.file.devices[name].parameters),
    }

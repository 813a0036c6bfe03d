"""Of a hand-over: checkout, calibrations, changes and signatures, from the site's folder."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from pathlib import Path

from linectl.commission import changes_record
from linectl.commission.checkout.sheet import COLUMNS, CheckoutSheet
from linectl.commission.hand_over.parts import Lack, Part, Table, recorded, table_of
from linectl.site.calibration import Measured
from linectl.site.model import Site

CALIBRATIONS = "calibrations.csv"
SIGNED = "signed.csv"
DEVICES = "devices.csv"
PUNCH = ("number", "open", "tag", "what", "remark", "opened_at", "opened_by", "closed_at",
         "closed_by", "closed_as", "closed_remark", "gone")  # fmt: skip
IN_FORCE = ("what", "values", "by", "on", "valid_until", "with", "state")
MEASURED = ("doser", "water", "drum")
"""What commissioning measures on every line; until then it counts as right."""


def checkout_part(sheet: CheckoutSheet) -> Part:
    """Its page is the sheet itself."""
    folder, whole = sheet.standing.site.folder, sheet.whole
    text = (
        f"{whole.passed} of {whole.points} points passed, {whole.retested} of them on retest;"
        f" {whole.failed} failed, {whole.reopened} reopened, {whole.open} never tried."
    )
    punch = sheet.punch_list
    tables = (
        table_of("checkout", "IO checkout", COLUMNS, sheet.csv_rows()),
        table_of("punch_list", "Punch list", PUNCH, (one.as_json() for one in punch),
                 "no deficiency is on record"),
    )  # fmt: skip
    lacks = []
    if not whole.done:
        left = f"IO checkout: {whole.points - whole.passed} of {whole.points} points to go"
        lacks.append(Lack(left, f"linectl checkout {folder}"))
    for one in punch:
        if one.closed is None and not one.gone:
            do = f"put it right, then linectl checkout {folder} --only {one.tag}"
            lacks.append(Lack(f"deficiency {one.number}, {one.tag}: {one.what}", do))
    lacks += [
        Lack(str(one), "put the row back from a copy, or try again")
        for one in sheet.standing.unreadable
    ]
    return Part("checkout", "IO checkout", text, tables, tuple(lacks))


def calibrations_part(site: Site, today: dt.date) -> Part:
    """What calibration.yaml says, and every calibration on record."""
    entries = _entries(site)
    expired = {key for key, _ in site.calibration.expired(today)}
    rows = (
        {
            "what": key, "values": _values(one), "by": one.by, "on": one.on.isoformat(),
            "valid_until": one.valid_until, "with": one.lot,
            "state": "EXPIRED" if key in expired else "in date",
        }
        for key, one in entries.items()
    )  # fmt: skip
    tables = [table_of("calibration", "In force, from calibration.yaml", IN_FORCE, rows)]
    log = recorded(Path(site.folder), CALIBRATIONS, "Every calibration on record")
    if log is not None:
        tables.append(log)
    text = "What nobody has measured counts as right: a factor of 1."
    lacks = tuple(_uncalibrated(site, entries, expired))
    return Part("calibrations", "Calibrations", text, tuple(tables), lacks)


def _entries(site: Site) -> dict[str, Measured]:
    made = site.calibration
    found: dict[str, Measured | None] = {name: getattr(made, name) for name in MEASURED}
    found |= {f"drives.{tag}": drive for tag, drive in made.drives.items()}
    return {key: one for key, one in found.items() if one is not None}


def _values(one: Measured) -> str:
    """Its own figures: `factor 0.992; holes_per_row 12`."""
    facts = one.model_dump(mode="json", exclude=set(Measured.model_fields), exclude_none=True)
    return "; ".join(f"{key} {value}" for key, value in facts.items() if value not in ({}, ""))


def _uncalibrated(site: Site, entries: dict[str, Measured], expired: set[str]) -> Iterator[Lack]:
    for name in MEASURED:
        if name not in entries:
            yield Lack(f"{name}: never calibrated", f"linectl calibrate {site.folder} {name}")
    for key in sorted(expired):
        good = f"{key}: calibration good until {entries[key].valid_until}"
        yield Lack(good, f"linectl calibrate {site.folder} {key.split('.')[0]}")


def changes_part(site: Site) -> Part:
    """Changes since commissioning began, and the identities of devices where they are kept."""
    folder = Path(site.folder)
    found = recorded(folder, changes_record.FILE, "Changes, the oldest first")
    tables = [found or _none(changes_record.FILE, "Changes", changes_record.COLUMNS)]
    if (devices := recorded(folder, DEVICES, "Identities of devices")) is not None:
        tables.append(devices)
    _, unreadable = changes_record.read_changes(folder)
    lacks = tuple(Lack(str(one), "put the row back from a copy") for one in unreadable)
    text = "Channels moved, devices replaced, timers and doses tuned, calibrations taken over."
    return Part("changes", "Changes", text, tuple(tables), lacks)


def signed_part(site: Site) -> Part:
    """What people have signed, and what they have overridden."""
    found = recorded(Path(site.folder), SIGNED, "Signed items and overrides, the oldest first")
    lacks = []
    if found is None or not found.rows:
        lacks.append(Lack("nothing has been signed", f"linectl commission {site.folder}"))
    text = "What the tool cannot check itself, signed by a named person."
    tables = (found or _none(SIGNED, "Signed items", ("at", "item", "by")),)
    return Part("signed", "Signed", text, tables, tuple(lacks))


def _none(file: str, title: str, columns: tuple[str, ...]) -> Table:
    return Table(Path(file).stem, title, columns, (), f"there is no {file}")

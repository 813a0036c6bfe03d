"""Of a hand-over: checkout, calibrations, changes and signatures, from the site's folder."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator
from pathlib import Path

from linectl.commission import changes_record
from linectl.commission.calibrate import record as calibrations
from linectl.commission.calibrate import timers_record
from linectl.commission.checkout.sheet import COLUMNS, CheckoutSheet
from linectl.commission.hand_over.parts import Lack, Part, Table, recorded, table_of
from linectl.commission.readiness import record as signatures
from linectl.commission.readiness.listing import CommissionList
from linectl.errors import Finding
from linectl.site.calibration import Measured
from linectl.site.model import Site

DEVICES = "devices.csv"
PUNCH = ("number", "open", "tag", "what", "remark", "opened_at", "opened_by", "closed_at",
         "closed_by", "closed_as", "closed_remark", "gone")  # fmt: skip
ITEMS = (
    "item", "stage", "kind", "ok", "text", "why", "do", "signed_by", "signed_at", "witness",
    "remark", "measured_ms", "overridden_by", "overridden_until", "overridden_why",
)  # fmt: skip
MADE_WITH = ("site_digest", "version")
RUNS = ("uncertainty", "spread", "runs", "left_out", "residuals", *MADE_WITH)
"""Columns that no page has room for."""
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
    lacks += _unreadable(sheet.standing.unreadable)
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
    folder = Path(site.folder)
    logs = (
        recorded(folder, calibrations.FILE, "Every calibration on record", RUNS),
        recorded(folder, timers_record.FILE, "Steps and their time-outs", MADE_WITH),
    )
    tables += [log for log in logs if log is not None]
    findings = (
        *calibrations.read_calibrations(folder)[1], *timers_record.read_kept(folder)[1]
    )  # fmt: skip
    text = "What nobody has measured counts as right: a factor of 1."
    lacks = (*_uncalibrated(site, entries, expired), *_unreadable(findings))
    return Part("calibrations", "Calibrations", text, tuple(tables), lacks)


def _unreadable(findings: Iterable[Finding]) -> Iterator[Lack]:
    for finding in findings:
        yield Lack(str(finding), "put the row back from a copy, or do it again")


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
    found = recorded(folder, changes_record.FILE, "Changes, the oldest first", MADE_WITH)
    tables = [found or _none(changes_record.FILE, "Changes", changes_record.COLUMNS)]
    if (devices := recorded(folder, DEVICES, "Identities of devices")) is not None:
        tables.append(devices)
    _, unreadable = changes_record.read_changes(folder)
    lacks = tuple(_unreadable(unreadable))
    text = "Channels moved, devices replaced, timers and doses tuned, calibrations taken over."
    return Part("changes", "Changes", text, tuple(tables), lacks)


def commission_part(listed: CommissionList) -> Part:
    """The list from power-on to the first hour; its page is that of `commission --html`."""
    folder = Path(listed.site.folder)
    signed = recorded(folder, signatures.FILE, "Signatures and overrides, the oldest first")
    tables = (
        table_of("commission", "Items", ITEMS, (item.as_json() for item in listed.items)),
        signed or _none(signatures.FILE, "Signatures and overrides", signatures.COLUMNS),
    )
    done = sum(item.done for item in listed.items)
    state = "may start" if listed.ready else "may not start yet"
    text = f"{done} of {len(listed.items)} items done; production {state}."
    lacks = (*_left(listed), *_unreadable(listed.unreadable))
    return Part("commission", "Commissioning list and signatures", text, tables, lacks)


def _left(listed: CommissionList) -> Iterator[Lack]:
    """Facts that are open are named by the parts that they are about; here they are counted."""
    do = f"linectl commission {listed.folder}"
    facts = [item for item in listed.left if item.kind == "fact"]
    if facts:
        yield Lack(f"facts of the list that are open: {len(facts)}, first {facts[0].name}", do)
    if unsigned := [item.name for item in listed.left if item.kind == "signed"]:
        yield Lack(f"not signed, or no longer: {', '.join(unsigned)}", f"{do} --sign ITEM")
    for text in listed.overrides():
        yield Lack(text, do)


def _none(file: str, title: str, columns: tuple[str, ...]) -> Table:
    return Table(Path(file).stem, title, columns, (), f"there is no {file}")

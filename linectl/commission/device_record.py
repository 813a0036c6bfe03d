"""The record of devices beside a site's files: who each one said it was, and what it was set to.

`devices.csv`: one row an act, only ever added to. A replacement that was begun and is not confirmed
bars the line: nobody knows yet what it would drive.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from pathlib import Path

from linectl.commission.kept_rows import Cells, append_row, no_instant, read_rows
from linectl.errors import Finding
from linectl.site.model import Site

FILE = "devices.csv"
ACTS = ("learned", "begun", "confirmed")


@dataclass(frozen=True)
class DeviceAct:
    """One act. `at` is ISO 8601 with the zone."""

    at: str
    device: str
    act: str
    """learned: the device that stands is on record; begun: another is being put in its place;
    confirmed: that one has been read back and may be driven."""
    identity: str
    """JSON object of the identification by name; empty: it cannot tell, or was not asked."""
    parameters: str
    """JSON object of what its declared parameters read."""
    differs: str
    """What differed from the record, and a person has accepted."""
    why: str
    by: str
    site_digest: str
    version: str

    @property
    def said(self) -> Mapping[str, str] | None:
        """The identification; None if the device has none."""
        return json.loads(self.identity) if self.identity else None


COLUMNS = tuple(field.name for field in fields(DeviceAct))


def read_acts(folder: Path) -> tuple[tuple[DeviceAct, ...], tuple[Finding, ...]]:
    """The acts in order of the file, and a finding for each row that cannot be read."""
    rows, findings = read_rows(folder, FILE, COLUMNS, _wrong)
    return tuple(DeviceAct(**row) for row in rows), findings


def append_act(folder: Path, act: DeviceAct) -> None:
    """Add one row, as `append_row` does and with what it raises."""
    append_row(folder, FILE, asdict(act))


def known(site: Site, device: str) -> DeviceAct | None:
    """The last act by which a device's identity was taken for right; None: there is none."""
    acts, _ = read_acts(Path(site.folder))
    good = [act for act in acts if act.device == device and act.act != "begun"]
    return good[-1] if good else None


def pending(site: Site, device: str) -> DeviceAct | None:
    """The act that began a replacement which is not confirmed; None: there is none."""
    acts, _ = read_acts(Path(site.folder))
    mine = [act for act in acts if act.device == device]
    return mine[-1] if mine and mine[-1].act == "begun" else None


def unconfirmed(site: Site) -> tuple[str, ...]:
    """One sentence for each device that must not be driven yet; a record that cannot be read too.

    While there is one, `run` does not start, and no mode is released.
    """
    acts, unreadable = read_acts(Path(site.folder))
    last = {act.device: act for act in acts}
    said = [
        f"{name}: its replacement was begun by {act.by} ({act.at[:16].replace('T', ' ')}) and is"
        f" not confirmed: linectl replace {site.folder} {name}"
        for name in site.file.devices
        if (act := last.get(name)) is not None and act.act == "begun"
    ]
    return (*said, *(str(finding) for finding in unreadable))


def _wrong(cells: Cells) -> tuple[str, str] | None:
    if cells["act"] not in ACTS:
        return "act", f"{cells['act']!r} is none of {', '.join(ACTS)}"
    for column in ("identity", "parameters"):
        try:
            fine = not cells[column] or isinstance(json.loads(cells[column]), dict)
        except ValueError:
            fine = False
        if not fine:
            return column, "is no list of names and values as the tool writes it"
    return no_instant(cells, "at")

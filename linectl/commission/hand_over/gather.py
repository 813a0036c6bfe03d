"""The whole hand-over of a site as it stands: its parts, and everything that is missing."""

from __future__ import annotations

import datetime as dt
import platform
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from linectl.commission.calibrate.record import FILE as CALIBRATIONS
from linectl.commission.calibrate.timers_record import FILE as TIMERS
from linectl.commission.changes_record import FILE as CHANGES
from linectl.commission.checkout.record import FILE as CHECKOUT
from linectl.commission.checkout.record import checkout_standing
from linectl.commission.checkout.sheet import CheckoutSheet, checkout_sheet
from linectl.commission.controller import Commanded
from linectl.commission.field_record import FILE as FIELD_TESTS
from linectl.commission.hand_over import in_force, interlocks, records
from linectl.commission.hand_over.parts import Lack, Part
from linectl.commission.origins import resolved
from linectl.commission.prove.kept import FILE as PROOF
from linectl.commission.readiness.listing import CommissionList, commission_list
from linectl.commission.readiness.record import FILE as SIGNED
from linectl.errors import NoController
from linectl.site.approval import FILE as APPROVAL
from linectl.site.load import YAML_FILES
from linectl.site.model import Site

SITE_FILES = (*YAML_FILES, "io.csv", APPROVAL)
RECORDS = (CHECKOUT, FIELD_TESTS, CHANGES, CALIBRATIONS, TIMERS, SIGNED, records.DEVICES, PROOF)


@dataclass(frozen=True)
class HandOver:
    """What is handed over, before it is written."""

    site: Site
    sheet: CheckoutSheet
    listed: CommissionList
    parts: tuple[Part, ...]
    made_at: str
    """ISO 8601 with the zone."""
    made_by: str
    """As they said; may be empty."""
    version: str

    @property
    def lacks(self) -> tuple[tuple[Part, Lack], ...]:
        """Everything that is missing or open, with its part."""
        return tuple((part, lack) for part in self.parts for lack in part.lacks)

    @property
    def complete(self) -> bool:
        return not self.lacks

    @property
    def facts(self) -> tuple[tuple[str, str], ...]:
        """What it was made from and with."""
        return (
            ("site files", f"SHA-256 {self.site.digest}"),
            ("linectl", self.version),
            ("Python", f"{platform.python_version()} on {platform.system()} {platform.machine()}"),
            ("made", self.made_at),
            ("by", self.made_by or "nobody gave a name"),
        )

    def as_json(self) -> dict[str, object]:
        """The object of hand_over.json:

        site, site_digest, version, python, made_at, made_by, complete; missing [{part, what, do}];
        parts {name: {title, text, tables {name: [{column: text}]}, lacks [{what, do}]}}.
        """
        return {
            "site": self.site.name,
            "site_digest": self.site.digest,
            "version": self.version,
            "python": platform.python_version(),
            "made_at": self.made_at,
            "made_by": self.made_by,
            "complete": self.complete,
            "missing": self.missing(),
            "parts": {part.name: part.as_json() for part in self.parts},
        }

    def missing(self) -> list[dict[str, str]]:
        """[{part, what, do}]."""
        return [{"part": part.name, "what": one.what, "do": one.do} for part, one in self.lacks]


def hand_over_of(
    site: Site,
    controller: Commanded,
    proof: Path | None,
    by: str,
    now: dt.datetime,
    version: str,
) -> HandOver:
    """Gathers it all. now: with its zone; proof: None if there is none.

    Raises UsageError for a proof that cannot be read, SiteError.
    """
    status, why = _status(controller)
    made_at = now.isoformat(timespec="seconds")
    sheet = checkout_sheet(checkout_standing(site), made_at, version)
    listed = commission_list(Path(site.folder), status, now)
    proven = None if proof is None else interlocks.kept_proof(site, proof)
    parts = (
        records.checkout_part(sheet),
        interlocks.interlocks_part(site, proven, now.date()),
        records.calibrations_part(site, now.date()),
        records.changes_part(site),
        records.commission_part(listed),
        in_force.in_force_part(site, status, why),
    )
    return HandOver(site, sheet, listed, parts, made_at, by, version)


def _status(controller: Commanded) -> tuple[Mapping[str, Any] | None, str]:
    """The controller's status, or None and why there is none."""
    try:
        return controller.status(), ""
    except NoController as error:
        return None, str(error)


def copies(site: Site, proof: Path | None) -> Mapping[str, bytes]:
    """Files as they lie in the site's folder, and the site resolved over what it extends.

    By name, never all that lies there: the private keys of secured buses lie there too.
    """
    folder = Path(site.folder)
    found = {f"site/{name}": folder / name for name in SITE_FILES}
    found |= {f"records/{name}": folder / name for name in RECORDS}
    if proof is not None:
        found[f"records/{PROOF}"] = proof
    made = {name: path.read_bytes() for name, path in found.items() if path.exists()}
    whole = resolved(folder).files()
    return made | {f"site/resolved/{name}": text.encode() for name, text in whole.items()}

"""Of a hand-over: what people have set in the running controller, which ought to be nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from linectl.commission.controller import Commanded
from linectl.commission.hand_over.parts import Lack, Part, table_of
from linectl.errors import NoController
from linectl.site.model import Site

KINDS = {
    "force_list": ("forced", "name", "linectl force {folder} --release-all --by NAME"),
    "override_list": ("overridden", "name", "end it, or let its time run out"),
    "bypass_list": ("bypassed", "cause", "linectl bypass {folder} {name} --end --by NAME"),
}
"""List of `status` → what it is called, the key of its name, what ends it."""
COLUMNS = ("what", "name", "value", "stage", "by", "reason", "since_s", "left_s")
UNITS = ("unit", "mode", "state", "reason")


def in_force_part(site: Site, controller: Commanded) -> Part:
    """Forces, overrides, bypasses and the units' states now; that it is not known if none runs."""
    try:
        status, digest = controller.status(), controller.look(-1).site_digest
    except NoController:
        lack = Lack(
            "no controller runs for this site here: what is forced or bypassed is not known",
            f"linectl run {site.folder}, then make the hand-over again on the same machine",
        )
        return Part("in_force", "Forces and bypasses", "No controller runs here.", (), (lack,))
    rows = [
        {**row, "what": what, "name": row[key], "value": _value(row.get("value"))}
        for listing, (what, key, _) in KINDS.items()
        for row in status[listing]
    ]
    tables = (
        table_of("in_force", "Forced, overridden, bypassed", COLUMNS, rows),
        table_of("units", "Units", UNITS, (
            {"unit": name, **unit} for name, unit in status["units"].items()
        )),
    )  # fmt: skip
    text = (
        f"From the controller with process {status['pid']}: forced {len(status['force_list'])},"
        f" overridden {len(status['override_list'])}, bypassed {len(status['bypass_list'])},"
        f" alarms {status['alarms']}. Forces are dropped when a controller ends."
    )
    lacks = (*_standing(site, status), *_other_files(site, digest))
    return Part("in_force", "Forces and bypasses", text, tables, lacks)


def _value(value: float | bool | None) -> str:
    """As `force` takes it; a bypass has none."""
    return "" if value is None else f"{value:g}"


def _standing(site: Site, status: Mapping[str, Any]) -> Sequence[Lack]:
    return [
        Lack(
            f"{what}: {row[key]}, by {row['by']}: {row['reason']}",
            do.format(folder=site.folder, name=row[key]),
        )
        for listing, (what, key, do) in KINDS.items()
        for row in status[listing]
    ]


def _other_files(site: Site, digest: str) -> Sequence[Lack]:
    if digest == site.digest:
        return ()
    text = (
        f"the running controller was started with other site files ({digest[:12]}) than those"
        f" handed over ({site.digest[:12]})"
    )
    return (Lack(text, "start it anew with these files, in Stopped"),)

"""Of a hand-over: what people have set in the running controller, which ought to be nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from linectl.commission.hand_over.parts import Lack, Part, table_of
from linectl.site.model import Site

KINDS = {
    "force_list": ("forced", "name", "linectl force {folder} --release-all --by NAME"),
    "override_list": ("overridden", "name", "end it, or let its time run out"),
    "bypass_list": ("bypassed", "cause", "linectl bypass {folder} {name} --end --by NAME"),
}
"""List of `status` → what it is called, the key of its name, what ends it."""
COLUMNS = ("what", "name", "value", "stage", "by", "reason", "since_s", "left_s")
UNITS = ("unit", "mode", "state", "reason")


def in_force_part(site: Site, status: Mapping[str, Any] | None, why: str) -> Part:
    """Forces, overrides, bypasses and the units' states now.

    status: of the controller, None if none answers; why: the sentence that says so.
    """
    if status is None:
        lack = Lack(
            f"what is forced or bypassed is not known: {why}",
            "make the hand-over on the machine and for the user that the controller runs for",
        )
        return Part("in_force", "Forces and bypasses", "No controller answers.", (), (lack,))
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
    lacks = (*_standing(site, status), *_other_files(site, status["site_digest"]))
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

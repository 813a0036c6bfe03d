"""Items of the running controller: what only it can tell, from its status."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from linectl import __version__
from linectl.commission.readiness.items import Item, Stage
from linectl.commission.readiness.seen import Seen, fact, named

Status = Mapping[str, Any]


def running_items(seen: Seen, status: Status | None) -> list[Item]:
    """Facts of the controller; none of them is known while none runs (`status` None)."""
    return [
        _live(seen, status, "controller", "power_on", "a controller runs, of these files and this"
              " version", _differs, f"linectl run {seen.folder}"),
        _live(seen, status, "devices", "power_on", "every device answers", _silent,
              f"linectl status {seen.folder}"),
        _live(seen, status, "ledger", "power_on", "the ledger is written", _ledger,
              f"linectl alarms {seen.folder}"),
        _live(seen, status, "clock", "power_on", "the wall clock and the ledger's time agree",
              _clock, f"linectl status {seen.folder}"),
        _live(seen, status, "no_force", "first_motion", "nothing is forced or overridden", _forced,
              f"linectl force {seen.folder} --list"),
        _live(seen, status, "no_bypass", "first_motion", "no interlock is bypassed", _bypassed,
              f"linectl bypass {seen.folder} --list"),
    ]  # fmt: skip


def _live(
    seen: Seen, status: Status | None, name: str, stage: Stage, text: str, look: Any, do: str
) -> Item:
    if status is None:
        item = fact(name, stage, text, ["controller"], "no controller runs here", _start(seen))
    else:
        lacks, why = look(seen, status)
        item = fact(name, stage, text, lacks, why, do)
    return replace(item, live=True)


def _start(seen: Seen) -> str:
    return f"linectl run {seen.folder}"


def _differs(seen: Seen, status: Status) -> tuple[Sequence[str], str]:
    """It must be started anew after a change of its files or of the program."""
    if status.get("version") != __version__:
        return ["version"], f"it is version {status.get('version')}, this is {__version__}"
    if status.get("site_digest") != seen.site.digest:
        return ["files"], "the site's files have changed since it was started: start it again"
    return [], f"process {status['pid']}, version {__version__}"


def _silent(seen: Seen, status: Status) -> tuple[Sequence[str], str]:
    devices = [device for bus in status["buses"] for device in bus["devices"]]
    bad = [device["name"] for device in devices if not device["good"]]
    if bad:
        return bad, f"{len(devices) - len(bad)} of {len(devices)} answer; not {named(bad)}"
    return [], f"{len(devices)} of {len(devices)} answer"


def _ledger(seen: Seen, status: Status) -> tuple[Sequence[str], str]:
    alarms = [alarm for alarm in status["alarm_list"] if alarm["tag"].startswith("ledger.")]
    if alarms:
        return [alarm["tag"] for alarm in alarms], "; ".join(alarm["text"] for alarm in alarms)
    return [], "no alarm of its disk stands"


def _clock(seen: Seen, status: Status) -> tuple[Sequence[str], str]:
    clock = status.get("clock")
    if not clock:
        return ["clock"], "the controller does not look at it"
    if clock["text"] or clock["finding"]:
        return ["clock"], clock["text"] or f"it began as: {clock['finding']}"
    return [], f"{abs(clock['ahead_s'])} s apart"


def _forced(seen: Seen, status: Status) -> tuple[Sequence[str], str]:
    rows = [*status.get("force_list", ()), *status.get("override_list", ())]
    told = [f"{row['name']} by {row['by']}" for row in rows]
    return [row["name"] for row in rows], f"stands: {named(told)}" if told else "none stands"


def _bypassed(seen: Seen, status: Status) -> tuple[Sequence[str], str]:
    rows = status.get("bypass_list", ())
    told = [
        f"{row['cause']} by {row['by']}"
        if row["left_s"] is not None
        else f"{row['cause']} (untried)"
        for row in rows
    ]
    return [row["cause"] for row in rows], f"listed: {named(told)}" if told else "none is listed"

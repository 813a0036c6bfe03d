"""`linectl status SITE`: what the running controller of a site says of itself."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rich.text import Text

from linectl.cli.app import AsJson, RunningSite, app
from linectl.cli.blend_went import print_went
from linectl.cli.changeover import print_changeover
from linectl.cli.granting import print_bypasses, print_forces
from linectl.cli.released import release_lines
from linectl.cli.screen import heading, say, say_json, span, table
from linectl.errors import UsageError
from linectl.runtime.control import ask

EXAMPLE = """
Example:

  linectl status config/small
"""


@app.command(epilog=EXAMPLE)
def status(site: RunningSite, as_json: AsJson = False) -> None:
    """Asks a running controller: units, their states and reasons, buses, devices, alarms.

    What `check` computes for each bus stands beside what was measured since the start: half of all
    polls, values and writes, and 99 of 100, took at most what the columns say.
    """
    answer = ask(site, {"ask": "status"})
    if "error" in answer:
        raise UsageError(answer["error"])
    if as_json:
        say_json(answer)
    else:
        print_status(answer)
        _print_tuned(answer)


def print_status(answer: Mapping[str, Any]) -> None:
    """The status in words; also what `run` prints when a state changes."""
    say(
        heading(f"{answer['site']}:"),
        Text(f"controlled by process {answer['pid']}, states of {answer['edition']}"),
    )
    rows = [
        [name, u["mode"], u["state"], span(u["since_s"]), u["reason"]]
        for name, u in answer["units"].items()
    ]
    say(table("unit|mode|state|>since|why", rows))
    for line in release_lines(answer):
        say(Text(line), soft_wrap=True)
    say(Text())
    say(table("bus|link|>for|errors", _buses(answer)))
    say(Text())
    measured = [row for bus in answer["buses"] for row in _measured(bus)]
    say(table("bus|measured|>computed|>half|>99 of 100|>worst", measured))
    if troubled := [row for bus in answer["buses"] for row in _troubled(bus)]:
        say(Text())
        say(table("device|is|>for|errors|what was last wrong", troubled))
    for advice, names in _checks(answer).items():
        say(Text(f"{', '.join(names)}: {advice}"))
    for bus in answer["buses"]:
        for remark in bus["remarks"]:
            say(Text(f"bus {bus['name']}: {remark}"))
    for trip in answer.get("trips", ()):
        say(Text())
        say(heading("First-out"), Text(trip["text"]))
    say(Text())
    say(
        Text(
            f"alarms {answer['alarms']}, forced {answer['forced']}, bypassed {answer['bypassed']},"
            f" overridden {answer.get('overridden', 0)}"
        )
    )
    if answer["bypassed"]:
        say(Text())
        print_bypasses(answer)
    if answer["forced"] or answer.get("overridden") or answer.get("ended_at_start"):
        say(Text())
        print_forces(answer)
    _print_pulse(answer.get("pulse"))
    if answer.get("changeover"):
        print_changeover(answer["changeover"])
    if answer.get("lots"):
        say(Text(f"lots: {'; '.join(_lot(row) for row in answer['lots'])}"))
    if answer.get("blend"):
        print_went(answer["blend"])
        ahead = ", ".join(answer["blend"]["next"]).replace("_", " ")
        say(Text(f"next: {ahead}"))
    if scale := answer.get("scale"):
        waiting, missed, unused = (scale[key] for key in ("waiting", "missed", "unused"))
        text = f"scale: {waiting} gutters wait for their weight, {missed} were not weighed in time"
        say(Text(f"{text}, {unused} weights were not used"))
    say(Text(f"matrix: {answer['approval']}"))
    counts = answer.get("alarm_counts", {})
    if any(counts.values()):
        told = (f"{count} {state.replace('_', ' ')}" for state, count in counts.items() if count)
        say(Text(f"of the alarms: {', '.join(told)}; linectl alarms says what to do"))


def _print_pulse(pulse: Mapping[str, Any] | None) -> None:
    """The pulse that stands, if one does."""
    if pulse:
        left = f"{pulse['left_s']:.0f} s left"
        say(heading("Pulse"), Text(f"{pulse['tag']} by {pulse['by']}: {pulse['stage']}, {left}"))


def _print_tuned(answer: Mapping[str, Any]) -> None:
    """What differs from what the controller started with, and who changed it."""
    told = [f"{t['path']} {t['was']} → {t['value']} ({t['by']})" for t in answer.get("tuned", ())]
    if told:
        say(heading("Tuned since the start"), Text("; ".join(told)))


def _lot(row: Mapping[str, Any]) -> str:
    of = f" of {row['crop']}" if row["crop"] else ""
    if row["lot"] is None:
        return f"{row['kind']}{of} not named"
    return f"{row['kind']}{of} {row['lot']} ({row['by']}, {span(row['since_s'])} ago)"


def _buses(answer: Mapping[str, Any]) -> list[list[str]]:
    return [
        [bus["name"], "up" if bus["up"] else "DOWN", span(bus["since_s"]), _errors(bus["errors"])]
        for bus in answer["buses"]
    ]


def _measured(bus: Mapping[str, Any]) -> list[list[str]]:
    """A bus's own figures, and of its devices the one whose values grow oldest."""
    computed, measured = bus["computed"], bus["measured"]
    rows = [
        ("from poll to poll", computed["cycle_ms"], measured["cycle_ms"]),
        ("its reads and writes", computed["wire_ms"], measured["wire_ms"]),
    ]
    aged = [device for device in bus["devices"] if device["measured"]["age_ms"]["values"]]
    if aged:
        oldest = max(aged, key=lambda device: device["measured"]["age_ms"]["worst"])
        said = f"age of a value, {oldest['name']}"
        rows.append((said, oldest["computed"]["age_ms"], oldest["measured"]["age_ms"]))
    rows.append(("from scan to output", None, measured["write_ms"]))
    return [
        [
            bus["name"] if place == 0 else "",
            said,
            "–" if limit_ms is None else f"{limit_ms:.0f} ms",
            *(f"{found[key]:.0f} ms" for key in ("half", "most", "worst")),
        ]
        for place, (said, limit_ms, found) in enumerate(rows)
    ]


def _troubled(bus: Mapping[str, Any]) -> list[list[str]]:
    """A row for each device that is bad, or good with a word to say."""
    rows = []
    for device in bus["devices"]:
        words = [f"{tag}: {why}" for tag, why in device["bad_points"].items()]
        words += [
            f"site.yaml, devices: {device['name']}: holes: {{{table}: {ranges}}}"
            for table, ranges in device["holes"].items()
        ]
        if device["good"] and not device["errors"] and not words:
            continue
        if device["last"]:
            words.insert(0, device["last"])
        quality = device["quality"].replace("_", " ")
        rows.append(
            [
                device["name"],
                quality if device["good"] else quality.upper(),
                span(device["since_s"]),
                _errors(device["errors"]),
                "; ".join(words),
            ]
        )
    return rows


def _checks(answer: Mapping[str, Any]) -> dict[str, list[str]]:
    """What to look at, once for all devices that want the same."""
    found: dict[str, list[str]] = {}
    for bus in answer["buses"]:
        for device in bus["devices"]:
            if device["check"]:
                found.setdefault(device["check"], []).append(device["name"])
    return found


def _errors(counts: Mapping[str, int]) -> str:
    named = [f"{count} {kind.replace('_', ' ')}" for kind, count in counts.items() if count]
    return ", ".join(named) or "none"

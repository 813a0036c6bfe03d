"""A rehearsed shift as a technician reads it: what ran, who waited and why, what came of it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rich.text import Text

from linectl.cli.alarm_rates import rates_text
from linectl.cli.blend_went import print_went
from linectl.cli.screen import clock, heading, say, span, table
from linectl.line.trip_marks import sentence
from linectl.runtime.rehearsal import Options, Result
from linectl.site.durations import format_duration
from linectl.site.scenario import Action

ROWS_SHOWN = 40
"""Rows printed; `--json` and the report have them all."""


def print_shift(result: Result, options: Options) -> None:
    """The account of one rehearsal on standard output."""
    _title(result, options)
    _gutters(result)
    for blend in result["blends"]:
        print_went(blend)
    _takt(result)
    _waits(result)
    _trips(result)
    _alarms(result)
    _interventions(result)
    _violations(result)


def happening(action: Action) -> str:
    """One line of the scenario in words: `20:00 harvest stops`."""
    words = [clock(action.at_ms / 1000), action.verb, action.part]
    for key, value in action.options.items():
        if key == "for_ms":
            words.append(f"for {format_duration(int(value))}")
        elif key == "on":
            words.append("on" if value else "off")
        else:
            words.append(str(value))
    return " ".join(word for word in words if word)


def _title(result: Result, options: Options) -> None:
    simulated, times = span(result["simulated_s"]), result["times_real"]
    say(
        heading(f"{result['site']}: {simulated} rehearsed"),
        Text(f"in {result['wall_s']:.1f} s ({times:,.0f} × real time), seed {result['seed']}"),
    )
    played = [a for a in options.scenario if a.at_ms <= options.for_ms]
    for action in played:
        say(Text("  " + happening(action)))
    late = len(options.scenario) - len(played)
    if late:
        say(Text(f"  ({late} more of the scenario would have come after the end)"))


def _gutters(result: Result) -> None:
    count = result["gutters"]
    say(Text())
    say(heading("Gutters"))
    say(
        table(
            ">at start|>indexed|>ejected|>in lanes at the end|>in the sower|>rejected|>removed",
            [
                [
                    count["in_lanes_at_start"], count["indexed"], count["ejected"],
                    count["in_lanes"], count["in_sower"], count["rejected"], count["removed"],
                ]
            ],
        )
    )  # fmt: skip
    if count["partial"]:
        say(Text(f"{count['partial']} stand partly processed: finish, redo or reject them"))
    rows = (
        (r["lane"], r["slots"], r["filled"], r["indexed"], r["ejected"]) for r in result["lanes"]
    )
    say(Text())
    say(table(">lane|>slots|>filled|>indexed|>ejected", rows))


def _takt(result: Result) -> None:
    takt = result["takt"]
    achieved = takt["achieved_s"]
    text = f"possible {takt['possible_s']:.1f} s (slowest: {takt['slowest']})"
    if achieved is None:
        text += ", achieved: too few gutters to say"
    else:
        share = takt["possible_s"] / achieved
        text += f", achieved {achieved:.1f} s outside the waits: {share:.0%} of the possible"
    say(Text())
    say(heading("Takt"), Text(text))
    throughput = result.get("throughput")
    if throughput is not None:
        text = f"{throughput:.1%} of (time − sowing's waits) ÷ slowest station"
        say(heading("Throughput"), Text(text))


def stoppages(result: Result) -> list[dict[str, Any]]:
    """The waits in which a whole unit stood; the short ones of single stations left out."""
    return [wait for wait in result["waits"] if wait["state"] != "Execute"]


def short_waits(result: Result) -> list[dict[str, Any]]:
    """The waits of single stations while their unit worked on, summed by unit and reason."""
    sums: dict[tuple[str, str], dict[str, Any]] = {}
    for wait in result["waits"]:
        if wait["state"] == "Execute":
            reason = wait["reason"].split(";")[0]
            seconds = wait_s(wait, result)
            row = sums.setdefault(
                (wait["unit"], reason),
                {
                    "unit": wait["unit"],
                    "reason": reason,
                    "times": 0,
                    "all_s": 0.0,
                    "longest_s": 0.0,
                },
            )
            row["times"] += 1
            row["all_s"] += seconds
            row["longest_s"] = max(row["longest_s"], seconds)
    return sorted(sums.values(), key=lambda row: -row["all_s"])


def wait_s(wait: Mapping[str, Any], result: Result) -> float:
    """How long a wait lasted; one that has not ended lasts to the end."""
    end = result["simulated_s"] if wait["to_s"] is None else wait["to_s"]
    return float(end - wait["from_s"])


def _waits(result: Result) -> None:
    waits = stoppages(result)
    say(Text())
    if not waits:
        say(heading("Waits"), Text("neither unit stood"))
    else:
        rows = [
            [
                w["unit"], w["state"], clock(w["from_s"]), clock(w["to_s"]),
                span(wait_s(w, result)), w["reason"],
            ]
            for w in waits[:ROWS_SHOWN]
        ]  # fmt: skip
        say(heading("Waits"), Text("of a whole unit"))
        say(table("unit|state|>from|>to|>for|why", rows))
    if len(waits) > ROWS_SHOWN:
        say(Text(f"and {len(waits) - ROWS_SHOWN} more: --json has them all"))
    short = short_waits(result)
    if short:
        rows = [
            [r["unit"], r["times"], span(r["all_s"]), span(r["longest_s"]), r["reason"]]
            for r in short[:ROWS_SHOWN]
        ]
        say(Text())
        say(heading("Short waits"), Text("of a station while its unit works on"))
        say(table("unit|>times|>in all|>longest|why", rows))


def trip_line(trip: Mapping[str, Any]) -> str:
    """The one line on a trip, with the time of the run."""
    return sentence(trip, f"{clock(trip['at_s'])}.{trip['began_ms'] % 1000:03d}")


def _trips(result: Result) -> None:
    """Stops by causes, with what came first; left out when there was none."""
    trips: list[dict[str, Any]] = result["trips"]
    if not trips:
        return
    say(Text())
    say(heading("Trips"), Text("what came first, as the scan and the ages of readings can tell"))
    rows = [
        ["stands" if trip["to_s"] is None else clock(trip["to_s"]), trip_line(trip)]
        for trip in trips[:ROWS_SHOWN]
    ]
    say(table(">to|what", rows))
    if len(trips) > ROWS_SHOWN:
        say(Text(f"and {len(trips) - ROWS_SHOWN} more: --json has them all"))


def _alarms(result: Result) -> None:
    alarms: list[dict[str, Any]] = result["alarms"]
    say(Text())
    if not alarms:
        say(heading("Alarms"), Text("none"))
        return
    rows = [
        [
            clock(a["from_s"]), "stands" if a["to_s"] is None else clock(a["to_s"]),
            a["priority"], "first" if a["first_out"] else "", a["tag"], a.get("text", ""),
        ]
        for a in alarms[:ROWS_SHOWN]
    ]  # fmt: skip
    say(heading("Alarms"))
    say(table(">from|>to|priority|out|tag|what", rows))
    if len(alarms) > ROWS_SHOWN:
        say(Text(f"and {len(alarms) - ROWS_SHOWN} more: --json has them all"))
    if "alarm_rates" in result:
        say(Text(rates_text(result["alarm_rates"])))


def _interventions(result: Result) -> None:
    """What people kept from acting, forced or overrode; nothing at all if they did not."""
    if not result["interventions"]:
        return
    rows = [
        [
            clock(row["from_s"]), "stands" if row["to_s"] is None else clock(row["to_s"]),
            row["ended_by"], trial(row), row["text"],
        ]
        for row in result["interventions"][:ROWS_SHOWN]
    ]  # fmt: skip
    say(Text())
    say(heading("Bypassed, forced, overridden"))
    say(table(">from|>to|ended by|trial|what", rows))


def trial(row: Mapping[str, Any]) -> str:
    """Whether a bypassed cause has been tried since, and how often it came meanwhile."""
    if row["kind"] != "bypass":
        return ""
    tried = "tried" if row["tried"] else "NOT TRIED"
    return f"{tried}; came {row['came']} × meanwhile"


def _violations(result: Result) -> None:
    violations: list[dict[str, Any]] = result["violations"]
    say(Text())
    if not violations:
        say(heading("Auditor"), Text("no rule of the line was violated"))
        return
    say(heading(f"Auditor: {len(violations)} violations"))
    rows = [[clock(v["at_s"]), v["rule"], v["detail"]] for v in violations[:ROWS_SHOWN]]
    say(table(">at|rule|what", rows))

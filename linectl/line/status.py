"""What a running line says of itself: units, reasons, alarms, lanes; read-only."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from linectl.line import alarm_view
from linectl.line.recovery import telling
from linectl.line.trip_marks import sentence

if TYPE_CHECKING:
    from linectl.line.line import Line


def status(line: Line) -> dict[str, Any]:
    """Units as `status --json` promises them, with alarms and lanes beside. Times in seconds.

    release: by mode why it is not yet released. enabling: by zone whether its enabling device is
    held, None if it cannot be read or was never seen let go. pulse: the one that stands, or None;
    last_pulse: the last one that is over (line/pulses.py).
    """
    return {
        "edition": line.site.file.edition,
        "units": {
            unit.name: {
                "mode": unit.mode,
                "state": unit.state,
                "since_s": (line.now - unit.since) / 1000,
                "reason": unit.reason or _waiting(unit) or None,
            }
            for unit in line.units
        },
        "alarms": len(line.alarms.shown()),
        "alarm_counts": alarm_view.counts(line),
        "alarm_list": [
            {
                "tag": alarm.tag,
                "state": alarm.state,
                "priority": alarm.priority,
                "text": alarm.text,
                "do": alarm.do,
                "since_s": (line.now - alarm.since) / 1000,
                "first_out": alarm.first_out,
            }
            for alarm in line.alarms.listed()
        ],
        "trips": [
            {**told, "text": sentence(told), "since_s": (line.now - told["began_ms"]) / 1000}
            for told in line.first_out.records()
        ],
        "lanes": [
            {
                "lane": lane.id,
                "state": lane.state,
                "programme": lane.programme,
                "filled": lane.filled(),
                "slots": lane.facts.slots,
                "reserved": lane.reserved or None,
            }
            for lane in line.lanes.lanes
        ],
        "recovery": telling.status(line.recovery),
        "lots": line.lots.status(),
        "today": line.day.status(),
        "blend": line.order.status(),
        "scale": line.scale.status(),
        "changeover": line.changeover.status(),
        "release": dict(line.release),
        "enabling": line.by_hand.enabling.status(),
        **line.by_hand.pulses.status(),
        "tuned": line.tuning.status(),
        **line.interventions.status(),
    }


def _waiting(unit: Any) -> str:
    for part in unit.parts:
        waiting = part.wait()
        if waiting is not None:
            return str(waiting[1])
    return ""

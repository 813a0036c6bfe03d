"""The shift's figures by ISO 22400-2, one set for each unit, with what each term means here."""

from __future__ import annotations

from typing import Any

from linectl.crop.kpi import Terms, figures
from linectl.runtime.shift_counts import Produced

SOURCE = "ISO 22400-2:2014 as quoted in OPC 40501-1 Annex C.2.4"
UNCLAMPED = (
    "Nothing is cut off at 100 %: an effectiveness above it says that the unit ran faster than the"
    " possible takt, as harvest does when it makes up for a stand."
)

PBT = (
    "the shift less what was planned: modes other than production, and Complete (ran out as it was"
    " told to). site.yaml has no calendar of breaks, so Stopped and Idle count as busy; so do power"
    " cuts"
)
APT = (
    "the unit in Execute, or Completing (works off what is inside). Suspended is out, though its"
    " cause lies outside the unit (the standard calls it delay). Short waits of one station are"
    " in: they cost effectiveness"
)
PRI = (
    "the possible takt: one gutter of the slowest station or of all lanes together. The same for"
    " both units, one in for one out"
)
PQ = {
    "sowing": "gutters indexed, and those rejected or removed from the sower",
    "harvest": "gutters handed over, and those rejected or removed between lanes and packing",
}
GQ = {
    "sowing": "gutters indexed whose process was never partial; finished or redone ones are rework",
    "harvest": "gutters handed over; what packing thinks of the crop the line does not know",
}


def unit_kpi(
    unit: str, seconds: dict[str, float], takt_s: float, made: Produced
) -> dict[str, Any]:  # fmt: skip
    """The terms and the figures of a unit. `seconds`: its time by what it counts as."""
    busy_s = seconds["production"] + seconds["stand"]
    terms = Terms(
        busy_s * 1000, seconds["production"] * 1000, takt_s * 1000, made.produced, made.good
    )
    found = figures(terms)
    return {
        "unit": unit,
        "availability": found.availability,
        "effectiveness": found.effectiveness,
        "quality_ratio": found.quality_ratio,
        "oee_index": found.oee_index,
        "terms": [
            _term("PBT", "planned busy time", busy_s, "s", PBT),
            _term("APT", "actual production time", seconds["production"], "s", APT),
            _term("PRI", "planned run time per item", takt_s, "s", PRI),
            _term("PQ", "produced quantity", made.produced, "gutters", PQ[unit]),
            _term("GQ", "good quantity", made.good, "gutters", GQ[unit]),
        ],
        "formulas": {
            "availability": "APT / PBT",
            "effectiveness": "PRI · PQ / APT",
            "quality_ratio": "GQ / PQ",
            "oee_index": "availability · effectiveness · quality ratio = GQ · PRI / PBT",
        },
    }


def _term(short: str, name: str, value: float, unit: str, here: str) -> dict[str, Any]:
    return {"term": short, "name": name, "value": round(value, 3), "unit": unit, "here": here}

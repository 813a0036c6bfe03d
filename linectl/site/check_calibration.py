"""Checks calibration.yaml against the IO list and crops: a drive told in hertz must be known."""

from __future__ import annotations

from linectl.site.calibration import is_hertz
from linectl.site.complaints import nearest
from linectl.site.draft import Draft, Findings

SET_POINTS = ("speed", "doser_rate", "flow_rate", "drum_rate")
"""Roles of the outputs that a drive or valve may be told in hertz."""
FILE = "calibration.yaml"


def check(draft: Draft, say: Findings) -> None:
    """Set-points in hertz have a drive's calibration, and no calibration stands for nothing."""
    told = {
        point.tag: (row, is_hertz(point.unit))
        for row, point in draft.points
        if point.direction == "out" and point.tag.rpartition(".")[2] in SET_POINTS
    }
    drives = draft.names(FILE, "drives")
    for tag, (row, hertz) in told.items():
        if hertz and tag not in drives:
            text = "is told in Hz, and nobody has measured what its drive does at a frequency"
            hint = f"write drives: {{{tag}: {{per_hz: …, most_hz: …, by: …, on: …}}}} in {FILE}"
            say.errors.append(row.finding("unit", text, hint))
    for tag in drives:
        if tag not in told:
            text = f"{tag} is no set-point of the IO list"
            say.errors.append(draft.at(FILE, ("drives", tag), text, nearest(tag, told)))
        elif not told[tag][1]:
            text = f"is not used: {tag} is not written in Hz"
            hint = f"unit Hz in io.csv, if its register takes a frequency ({told[tag][0].file})"
            say.warnings.append(draft.at(FILE, ("drives", tag), text, hint))
    crops = draft.names("crops.yaml", "crops")
    for crop in draft.names(FILE, "drum", "crops"):
        if crop not in crops:
            text = f"crop {crop!r} is not in crops.yaml"
            say.errors.append(draft.at(FILE, ("drum", "crops", crop), text, nearest(crop, crops)))

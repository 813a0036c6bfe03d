"""Checks `tuning` of site.yaml: bounds of values that there are, around where they are."""

from __future__ import annotations

from linectl.site.calibration import CalibrationFile
from linectl.site.complaints import nearest, part
from linectl.site.draft import Draft, Findings
from linectl.site.durations import format_duration
from linectl.site.tunable import Tunable, values_of
from linectl.site.tuning import Bounds


def check(draft: Draft, say: Findings) -> None:
    """Each bound is of a value that may be tuned, in its unit, and the value lies within."""
    section = draft.trees["site.yaml"].child("tuning")
    bounds = section.child("bounds") if section is not None else None
    if bounds is None or not isinstance(bounds.value, dict):
        return
    measured = part(CalibrationFile, draft.trees["calibration.yaml"]) or CalibrationFile()
    lanes = tuple(draft.lanes.values())
    known = dict(values_of(draft.stations, lanes, draft.crops, measured))
    for path, node in bounds.value.items():
        if path not in known or known[path].kind == "entry":
            if not draft.is_broken(_owner(path)):
                _unknown(draft, say, path, [p for p in known if known[p].kind != "entry"])
            continue
        written = node.plain()
        if isinstance(written, dict):
            _bounds(draft, say, path, known[path], written, part(Bounds, node))


def _owner(path: str) -> str:
    """The station or lane whose value it is, as broken parts are named."""
    kind, _, rest = path.partition(".")
    name = rest.partition(".")[0]
    return f"lane{name}" if kind == "lanes" else name


def _unknown(draft: Draft, say: Findings, path: str, known: list[str]) -> None:
    text = f"{path!r} is no timer or dose that can be tuned"
    hint = nearest(path, known) or "such as stations.tamp.press_timeout or crops.NAME.water_ml"
    say.errors.append(draft.site(("tuning", "bounds", path), text, hint))


def _bounds(
    draft: Draft, say: Findings, path: str, found: Tunable, written: dict[str, object],
    bounds: Bounds | None,
) -> None:  # fmt: skip
    here = ("tuning", "bounds", path)
    timer = found.kind == "timer"
    for key, value in written.items():
        if isinstance(value, str) is not timer and key in ("least", "most"):
            right = "a duration such as 6s" if timer else f"a number ({found.unit or 'no unit'})"
            say.errors.append(draft.site((*here, key), f"{value!r} does not fit: write {right}"))
            return
    if bounds is not None and not bounds.least <= found.value <= bounds.most:
        least, most = (
            format_duration(round(limit)) if timer else f"{limit:g}"
            for limit in (bounds.least, bounds.most)
        )
        text = f"{path} is {found.text}, outside its own bounds {least} to {most}"
        say.errors.append(draft.site(here, text, "bounds lie around the value"))

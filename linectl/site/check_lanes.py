"""Checks the lanes: runs and transfers that fit together, crops, places of mouth and tail."""

from __future__ import annotations

from linectl.site.draft import Draft, Findings
from linectl.site.machine import Carriage, Lane


def check(draft: Draft, say: Findings) -> None:
    """Each lane by itself, then the crop in the drum, then the lane ends along the carriages."""
    for place, lane in draft.lanes.items():
        _joints(draft, place, lane, say)
        if not lane.crops:
            text = f"lane {lane.id} accepts no crop: nothing could ever be sown for it"
            say.errors.append(draft.site(("lanes", place, "crops"), text, "list at least one"))
    if not draft.is_broken("lane") and not any(name.startswith("lane") for name in draft.broken):
        _accepted(draft, say)
    _ends(draft, say)


def _joints(draft: Draft, place: int, lane: Lane, say: Findings) -> None:
    wanted = len(lane.runs) - 1
    if len(lane.transfers) != wanted:
        text = (
            f"lane {lane.id} has {len(lane.runs)} runs and {len(lane.transfers)} transfers; "
            f"one stands between every two runs, so {wanted}"
        )
        say.errors.append(draft.site(("lanes", place, "transfers"), text))
    for number, run in enumerate(lane.runs):
        if isinstance(run.pitch_mm, tuple) and len(run.pitch_mm) != run.slots - 1:
            text = (
                f"{len(run.pitch_mm)} pitches for {run.slots} slots; "
                f"a pitch lies between every two slots, so {run.slots - 1}"
            )
            path = ("lanes", place, "runs", number, "pitch_mm")
            say.errors.append(draft.site(path, text))


def _accepted(draft: Draft, say: Findings) -> None:
    """The crop in the drum needs a lane; a crop that no lane takes is worth a word."""
    taken = {crop for lane in draft.lanes.values() for crop in lane.crops}
    drum = draft.sowing.crop if draft.sowing else None
    if drum in draft.crops and drum not in taken:
        text = f"no lane accepts {drum}, which is in the drum at start"
        say.errors.append(draft.site(("sowing", "crop"), text))
    for crop in draft.crops:
        if crop not in taken and crop != drum:
            text = "no lane accepts this crop"
            say.warnings.append(draft.at("crops.yaml", ("crops", crop), text))


def _ends(draft: Draft, say: Findings) -> None:
    """Two lane ends nearer than a carriage can tell apart cannot be served."""
    for kind in ("infeed", "outfeed"):
        key = f"{kind}_mm"
        carriage = next((s for s in draft.stations.values() if s.kind == kind), None)
        reach_mm = 2 * carriage.tolerance_mm if isinstance(carriage, Carriage) else 0
        seen: list[tuple[int, Lane]] = []
        for place, lane in draft.lanes.items():
            here = getattr(lane, key)
            for there, other in seen:
                if abs(here - there) <= reach_mm and lane.id != other.id:
                    text = (
                        f"lane {lane.id} at {here} mm is too near lane {other.id} at {there} mm "
                        f"for a carriage that stops within ±{reach_mm // 2} mm"
                    )
                    say.errors.append(draft.site(("lanes", place, key), text))
            seen.append((here, lane))

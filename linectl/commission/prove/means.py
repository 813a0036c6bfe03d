"""How each cause is tripped in the plant, and put right: the guard opens, the drive trips.

Where the plant has no act for it, its sensor is held: still the plant's sensor, before the wires
and the bus, never a bit in the image.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from linectl.commission.prove.promised import Promise, Wanted
from linectl.runtime.plant import Plant
from linectl.site.model import Site
from linectl.site.parts import needs_of


@dataclass(frozen=True)
class Act:
    """One verb of the plant."""

    verb: str
    part: str
    options: Mapping[str, Any] = field(default_factory=dict)

    def on(self, plant: Plant) -> None:
        """Do it now."""
        plant.do(self.verb, self.part, **self.options)


@dataclass(frozen=True)
class Means:
    """What a person or a fault does to make one comparison hold, and what undoes it.

    `half`: an undoing that must not be enough (a released stop that waits for its safety reset).
    """

    text: str
    trip: Act
    clear: Act
    half: Act | None = None


_SWITCHES = {
    "isolator_on": ("isolate", "de-isolate", "isolator of {part} opened"),
    "remote": ("local", "remote", "{part} switched to local"),
    "closed": ("open", "close", "{part} opened"),
}
_FAULTS = {
    "drive_ok": ("trips", "drive of {part} tripped"),
    "air_ok": ("air_lost", "air of zone {part} lost"),
    "not_empty": ("empty", "{part} emptied"),
    "not_low": ("empty", "{part} emptied"),
    "hopper_level": ("hopper_empty", "hopper of {part} emptied"),
    "seed_level": ("seed_empty", "seed of {part} used up"),
    "supply_ok": ("supply_lost", "supply of {part} lost"),
}


def means(site: Site, promise: Promise) -> tuple[Means, ...]:
    """For each comparison of the cause, how it is made to hold in the plant."""
    if promise.origin == "silence":
        return (silencing(promise.device),)
    if promise.origin == "supply":
        lost = {"kind": "supply_lost"}
        return (
            Means(f"supply {promise.group} lost", Act("fault", promise.group, lost),
                  Act("repair", promise.group, lost)),
        )  # fmt: skip
    if promise.origin == "structure":
        return tuple(held(wanted) for wanted in promise.wanted)
    return tuple(_natural(site, wanted) or held(wanted) for wanted in promise.wanted)


def silencing(device: str) -> Means:
    """The device answers nothing any more, then answers again."""
    silent = {"kind": "silent"}
    return Means(f"{device} silenced", Act("fault", device, silent), Act("repair", device, silent))


def held(wanted: Wanted, beyond: float | None = None) -> Means:
    """The point's sensor held at a value for which the comparison holds, or at `beyond`."""
    value = _value(wanted) if beyond is None else beyond
    said = int(value) if isinstance(value, bool) else f"{value:g}"
    return Means(
        f"sensor {wanted.tag} held at {said}",
        Act("hold sensor", wanted.tag, {"value": value}),
        Act("let go", wanted.tag),
    )


def _value(wanted: Wanted) -> bool | float:
    if wanted.level is not None:
        return wanted.level
    if wanted.below is not None and wanted.above is not None:
        return (wanted.below + wanted.above) / 2
    if wanted.below is not None:
        return max(0.0, wanted.below - max(1.0, abs(wanted.below) * 0.1))
    assert wanted.above is not None
    return wanted.above + max(1.0, abs(wanted.above) * 0.1)


def _natural(site: Site, wanted: Wanted) -> Means | None:
    """An act of the plant that makes this comparison hold; None if it has none."""
    need = needs_of(site.file).get(wanted.tag)
    if need is None or wanted.level is True or wanted.above is not None:
        return None
    role, part = need.role.name, need.part
    if role == "estop_ok":
        return Means(
            f"emergency stop of zone {part} pressed",
            Act("press estop", part),
            Act("safety reset", part),
            half=Act("release estop", part),
        )
    if role in _SWITCHES:
        trip, clear, text = _SWITCHES[role]
        who = part.replace("_", " ", 1) if role == "closed" else part
        return Means(text.format(part=who), Act(trip, part), Act(clear, part))
    if role in _FAULTS:
        kind, text = _FAULTS[role]
        options = {"kind": kind}
        return Means(text.format(part=part), Act("fault", part, options),
                     Act("repair", part, options))  # fmt: skip
    return None

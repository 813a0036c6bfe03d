"""Ten defects of logic, each a small and likely mistake, planted into the line's own classes.

Each names the rule that must find it. A defect replaces one method while its context lasts;
nothing else of the line is touched.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from linectl.line import Line, build
from linectl.line.causes import Cause, Causes
from linectl.line.inputs import NEVER
from linectl.line.lane import Lane
from linectl.line.lanebook import LaneBook
from linectl.line.part import Part
from linectl.line.trips import Outfeed
from linectl.line.units import Harvest
from linectl.line.waiting import Waiting


@dataclass(frozen=True)
class Planted:
    """A defect: what is replaced by what, the rule meant to find it, and the faults it takes."""

    name: str
    rule: str
    owner: Any
    method: str
    mistake: Callable[..., Any]
    kinds: tuple[str, ...] = ()
    """Kinds of fault that are tried, one on a path; empty: none."""
    near: tuple[str, ...] = ()
    """Beginnings of the faults' targets; empty: all."""
    start: str = ""
    """`mutual`: sowing and harvest wait for each other; `not_ready`: packing is not ready."""

    @contextmanager
    def planted(self) -> Iterator[None]:
        """While it lasts the defect is there."""
        before = getattr(self.owner, self.method)
        setattr(self.owner, self.method, self.mistake)
        try:
            yield
        finally:
            setattr(self.owner, self.method, before)


def _keeps_the_lane(self: Outfeed) -> None:
    """The lane that was taken for a pick is not given back."""


def _keeps_the_reservation(self: LaneBook, gutter: Any) -> None:
    gutter.lane = 0


def _sees_no_mutual_wait(self: Waiting, now: int) -> None:
    self.mutual_due = NEVER


def _cannot_work(self: Harvest, now: int) -> bool:
    return False


def _lets_no_latch_go(self: Causes, inputs: Any, zone: str = "") -> list[tuple[int, bool]]:
    return []


def _resumes_without_dues(self: Part, now: int) -> None:
    if self.state == "faulted":
        self.line.alarms.clear(f"{self.name}.{self.fault}")
        self.fault = ""
        self.go(f"back_to_{self.back}")
        self.back = ""


def _stays_faulted(self: Lane, now: int) -> None:
    """A lane that is resumed stays as it is."""


_announce = Line._announce


def _forgets_what_happened(self: Line, number: int, came: bool) -> None:
    _announce(self, number, came)
    for unit in self.units:
        unit.touched = False


_structural_rows = build.structural_rows


def _lets_the_arm_ride_out(site: Any, io: dict[str, int]) -> tuple[Cause, ...]:
    rows = _structural_rows(site, io)
    return tuple(row for row in rows if not row.name.endswith("_travel_gripper"))


def _counts_a_hole_twice(self: Lane, crop: str) -> bool:
    if self.programme not in ("filling", "steady") or not self.in_service():
        return False
    return crop in self.facts.crops and self.open_since != NEVER


PLANTED = (
    Planted("lock not released", "lock_not_released", Outfeed, "give_up_pick", _keeps_the_lane,
            ("dead",), ("outfeed",)),
    Planted("reservation leaked", "reservation_leaked", LaneBook, "release",
            _keeps_the_reservation, ("taken",), ("seed", "turn")),
    Planted("both units wait, no alarm", "dead_end", Waiting, "_mutual_wait", _sees_no_mutual_wait,
            start="mutual"),
    Planted("reason that never clears", "reason_never_clears", Harvest, "can_work", _cannot_work,
            start="not_ready"),
    Planted("latch never resets", "dead_end", Causes, "reset_latches", _lets_no_latch_go,
            ("guard",)),
    Planted("dues not set anew after a pause", "wait_without_end", Part, "resume",
            _resumes_without_dues, ("abort",)),
    Planted("fault without a way out", "fault_without_end", Lane, "retry", _stays_faulted,
            ("dead",), ("lane",)),
    Planted("starts by itself after a guard", "restart_without_person", Line, "_announce",
            _forgets_what_happened, ("guard",), ("guard_fill",), start="not_ready"),
    Planted("travel permissive dropped", "carriage_moves_with_gripper_out", build,
            "structural_rows", _lets_the_arm_ride_out, ("slips",)),
    Planted("hole counted twice", "two_reservations", Lane, "reservable", _counts_a_hole_twice),
)  # fmt: skip

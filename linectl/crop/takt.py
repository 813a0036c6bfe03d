"""Takt from geometry and times: how long each station holds a gutter, and who is slowest.

Plain numbers in, frozen results out. A station's cycle is the time from the moment it begins to
draw a gutter in until it may begin with the next: in, work, out. The way out counts fully,
because a zone takes a gutter only when it is empty. Every step costs an allowance besides its
motion: the controller sees its end a poll later and needs a scan to go on.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from linectl.site.motions import belt_ms, run_on_mm, travel_ms

HOUR_MS = 3_600_000


class Step(NamedTuple):
    """One step of a station's cycle: what it is, and its motion in ms."""

    text: str
    ms: float


@dataclass(frozen=True)
class Cycle:
    """What one gutter costs one station (or lane), in ms."""

    name: str
    steps: tuple[Step, ...]
    allowance_ms: float
    """Reaction added to each step: from the end of a motion to the start of the next."""

    @property
    def cycle_ms(self) -> float:
        """All steps, each with its allowance."""
        return sum(step.ms for step in self.steps) + self.allowance_ms * len(self.steps)

    @property
    def gutters_per_hour(self) -> float:
        return HOUR_MS / self.cycle_ms


@dataclass(frozen=True)
class Belt:
    """A belt zone in mm from its upstream end, mm/s and ms."""

    length_mm: float
    entry_eye_mm: float
    exit_eye_mm: float
    speed_mm_s: float
    ramp_ms: float

    def left_mm(self, reaction_ms: float) -> float:
        """From the head of a gutter at rest to the zone's downstream end; never below 0."""
        over_mm = run_on_mm(self.speed_mm_s, reaction_ms, self.ramp_ms)
        return max(0.0, self.length_mm - self.exit_eye_mm - over_mm)


@dataclass(frozen=True)
class Arm:
    """A carriage: travel in mm/s and ms, gripper arm and grip in ms, lane ends in mm."""

    home_mm: float
    speed_mm_s: float
    ramp_ms: float
    gripper_ms: float
    grip_ms: float
    ends_mm: tuple[float, ...]

    @property
    def handling_ms(self) -> float:
        """Arm out, grip or release, arm home."""
        return 2 * self.gripper_ms + self.grip_ms

    def farthest_ms(self) -> float:
        """Travel between home and the lane that lies farthest; ValueError without lanes."""
        if not self.ends_mm:
            raise ValueError("a carriage without lanes has no travel")
        far_mm = max(abs(end - self.home_mm) for end in self.ends_mm)
        return travel_ms(far_mm, self.speed_mm_s, self.ramp_ms)


def draw_in(belt: Belt, before: Belt, reaction_ms: float) -> Step:
    """From standstill in the zone before to the exit eye of this one.

    Both belts run; the slower one's ramp and this one's speed are taken.
    """
    way_mm = before.left_mm(reaction_ms) + belt.exit_eye_mm
    ramp_ms = max(belt.ramp_ms, before.ramp_ms)
    return Step("in", belt_ms(way_mm, belt.speed_mm_s, ramp_ms))


def give_on(belt: Belt, beyond: Belt, gutter_mm: float, reaction_ms: float) -> Step:
    """From standstill here until the tail has passed the entry eye of the zone beyond."""
    way_mm = belt.left_mm(reaction_ms) + beyond.entry_eye_mm + gutter_mm
    return Step("out", belt_ms(way_mm, beyond.speed_mm_s, max(belt.ramp_ms, beyond.ramp_ms)))


def hand_over(belt: Belt, gutter_mm: float) -> Step:
    """From the middle of the turntable until the tail has left it."""
    way_mm = (belt.length_mm + gutter_mm) / 2
    return Step("hand-over", belt_ms(way_mm, belt.speed_mm_s, belt.ramp_ms))


def tamping(clamp_ms: float, press_ms: float, still_ms: float) -> tuple[Step, ...]:
    """Stand still, clamp, press (down, dwell, up), open the clamp.

    The clamp's switch lets go as soon as the clamp does, so opening costs its reaction only.
    """
    return (
        Step("stand still", still_ms),
        Step("clamp", clamp_ms),
        Step("press down", 0.4 * press_ms),
        Step("dwell", 0.2 * press_ms),
        Step("press up", 0.4 * press_ms),
        Step("open", 0.0),
    )


def handling(arm: Arm, first: str, grip: str, last: str) -> tuple[Step, ...]:
    """Three steps of a gripper at one place: arm out, grip or release, arm home."""
    return (Step(first, arm.gripper_ms), Step(grip, arm.grip_ms), Step(last, arm.gripper_ms))


def carriage(name: str, arm: Arm, allowance_ms: float, ask_ms: float = 0.0) -> Cycle:
    """One gutter carried between the turntable and the farthest lane, and the way back.

    ask_ms: time of the ledger's word, once before each hand-over.
    """
    travel = arm.farthest_ms()
    steps = (
        Step("ledger", ask_ms),
        *handling(arm, "reach", "grip", "lift"),
        Step("travel", travel),
        Step("ledger", ask_ms),
        *handling(arm, "reach out", "release", "withdraw"),
        Step("travel back", travel),
    )
    return Cycle(name, steps, allowance_ms)


class RunTimes(NamedTuple):
    """A run's stroke forward and back, in ms."""

    stroke_ms: float
    back_ms: float


class TransferTimes(NamedTuple):
    """A transfer in ms: one joint's belt time; travel of a lift (one way), 0 if level."""

    belt_ms: float
    travel_ms: float


def lane(
    name: str,
    runs: Iterable[RunTimes],
    transfers: Iterable[TransferTimes],
    hands_ms: float,
    allowance_ms: float,
) -> Cycle:
    """What one gutter in and one out costs a lane that moves one thing at a time.

    Every run strokes once and goes back; a lift loads, travels, unloads and comes back; a level
    transfer crosses once. hands_ms: insert and eject together, while which the lane stands.
    """
    steps: list[Step] = []
    for run in runs:
        steps += [Step("stroke", run.stroke_ms), Step("back", run.back_ms)]
    for transfer in transfers:
        if transfer.travel_ms:
            steps += [Step("load", transfer.belt_ms), Step("lift", transfer.travel_ms)]
            steps += [Step("unload", transfer.belt_ms), Step("come back", transfer.travel_ms)]
        else:
            steps.append(Step("cross", transfer.belt_ms))
    steps.append(Step("insert and eject", hands_ms))
    return Cycle(name, tuple(steps), allowance_ms)


def slowest(cycles: Sequence[Cycle]) -> Cycle:
    """The cycle that sets the takt; the first of equals. ValueError if there are none."""
    return max(cycles, key=lambda cycle: cycle.cycle_ms)


def makespan_ms(times_ms: Sequence[float], jobs: int) -> float:
    """Time in which `jobs` identical jobs pass stations in series: Σt + (n−1)·max t, in ms.

    Holds for any buffers between the stations, none included; 0 for no jobs. Computed exactly
    for identical deterministic jobs (permutation flow shop). ValueError for a negative count.
    """
    if jobs < 0:
        raise ValueError(f"jobs {jobs} is negative")
    return sum(times_ms) + (jobs - 1) * max(times_ms) if jobs else 0.0

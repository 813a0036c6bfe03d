"""The machine: stations with their geometry and timers, lanes with their runs and transfers."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from linectl.site.fields import Facts, Millimetres, Name, Timer

UnitName = Literal["sowing", "harvest"]
Positive = Annotated[int, Field(gt=0)]


class Range(Facts):
    """What a device can do at least and at most, in the unit of the key that it stands under."""

    least: Annotated[float, Field(ge=0)] = 0.0
    most: Annotated[float, Field(gt=0)]

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.least >= self.most:
            raise ValueError(f"most {self.most:g} must be above least {self.least:g}")
        return self


class Timed(Facts):
    """A station whose motions end within times of its own."""

    jam_limits: dict[Name, Timer] = Field(default_factory=dict)
    """By time-out (`press_timeout`): the longest it may ever be set to, ms. By then a jam must be
    found, whatever the motions of good cycles take."""


class Conveyor(Timed):
    """A belt zone long enough for one gutter; positions run from its upstream end."""

    zone: Name
    length_mm: Positive
    entry_eye_mm: Millimetres
    exit_eye_mm: Millimetres
    speed_mm_s: Positive
    ramp_ms: Timer = Field(alias="ramp")
    """Time from standstill to speed, and from speed to standstill."""
    travel_timeout_ms: Timer = Field(alias="travel_timeout")
    speed_range_mm_s: Range | None = None
    """What the belt's drive can do; None: not declared."""


class Magazine(Conveyor):
    """Washed empties behind a singulating gate that drops one gutter on the zone's belt."""

    kind: Literal["magazine"]
    gate_ms: Timer = Field(alias="gate")
    """Time of one gate cycle: leaves home, drops one, home again."""
    gate_timeout_ms: Timer = Field(alias="gate_timeout")
    holds: Positive
    """Gutters in a full magazine."""


class Fill(Conveyor):
    """Doses substrate while the gutter passes under the doser."""

    kind: Literal["fill"]
    tool_mm: Millimetres
    hopper_l: Positive
    """Volume of a full hopper in litres."""
    doser_range_ml_s: Range | None = None
    """What the doser can do; None: not declared."""


class Tamp(Conveyor):
    """Clamps the standing gutter, presses the bed even, brushes the rim as it leaves."""

    kind: Literal["tamp"]
    clamp_ms: Timer = Field(alias="clamp")
    press_ms: Timer = Field(alias="press")
    """One whole press: down, dwell, up."""
    press_timeout_ms: Timer = Field(alias="press_timeout")


class Water(Conveyor):
    """Waters while the gutter passes under the nozzle bar."""

    kind: Literal["water"]
    tool_mm: Millimetres
    pulses_per_l: float = Field(gt=0)
    dose_tolerance: float = Field(default=0.15, gt=0, lt=1)
    """Share of the dose by which the metered water may differ."""
    flow_range_ml_s: Range | None = None
    """What the control valve can do; None: not declared."""


class Seed(Conveyor):
    """Seeds while the gutter passes under the vacuum drum."""

    kind: Literal["seed"]
    tool_mm: Millimetres
    vacuum_min_kpa: float = Field(gt=0)
    vacuum_timeout_ms: Timer = Field(alias="vacuum_timeout")
    seed_tolerance: float = Field(default=0.2, gt=0, lt=1)
    drum_range_seeds_s: Range | None = None
    """What the drum can do at belt speed; None: not declared."""


class Turn(Conveyor):
    """The sowing turntable: takes a gutter at 0°, offers it to the carriage at 90°."""

    kind: Literal["turn"]
    turn_ms: Timer = Field(alias="turn")
    turn_timeout_ms: Timer = Field(alias="turn_timeout")


class TurnOut(Conveyor):
    """The harvest turntable: takes a gutter from the carriage at 90°, hands over at 0°."""

    kind: Literal["turnout"]
    turn_ms: Timer = Field(alias="turn")
    turn_timeout_ms: Timer = Field(alias="turn_timeout")


class Carriage(Timed):
    """Carries one gutter along the lane ends; its gripper reaches into lane or turntable."""

    kind: Literal["infeed", "outfeed"]
    zone: Name
    home_mm: Millimetres
    """Position in front of the turntable."""
    speed_mm_s: Positive
    ramp_ms: Timer = Field(alias="ramp")
    tolerance_mm: Positive = 15
    teach_mm: Positive = 100
    """How far from what is written here a taught position may lie."""
    travel_timeout_ms: Timer = Field(alias="travel_timeout")
    gripper_ms: Timer = Field(alias="gripper")
    """One way of the gripper arm, home to out."""
    gripper_timeout_ms: Timer = Field(alias="gripper_timeout")
    grip_ms: Timer = Field(alias="grip")


class Weighing(Facts):
    """A scale at packing that says what each gutter gave."""

    within_ms: Timer = Field(alias="within")
    """The longest time from the hand-over to the weight; a gutter not weighed by then is not
    waited for. Shorter than the time between two hand-overs."""


class Packing(Timed):
    """The hand-over to the packing hall."""

    kind: Literal["packing"]
    zone: Name
    handover_timeout_ms: Timer = Field(alias="handover_timeout")
    weighing: Weighing | None = None


Station = Annotated[
    Magazine | Fill | Tamp | Water | Seed | Turn | Carriage | TurnOut | Packing,
    Field(discriminator="kind"),
]

SOWING_KINDS = ("magazine", "fill", "tamp", "water", "seed", "turn", "infeed")
HARVEST_KINDS = ("outfeed", "turnout", "packing")


class Run(Facts):
    """A stretch of a lane with one drive; its first slot lies toward the mouth."""

    name: Name
    slots: Annotated[int, Field(ge=2)]
    direction: Literal["away", "back"] = "away"
    pitch_mm: Positive | tuple[Positive, ...]
    drive: Literal["positive", "pushed"] = "positive"
    """positive: a finger per slot, holes may stand inside; pushed: gutters touch, they cannot."""
    stroke_ms: Timer = Field(alias="stroke")
    back_ms: Timer = Field(alias="back")
    timeout_ms: Timer = Field(alias="timeout")
    jam_limit_ms: Timer | None = Field(default=None, alias="jam_limit")
    """The longest that the time-out may ever be set to; None: not declared."""


class Transfer(Facts):
    """What joins a run's last slot to the next run's first."""

    kind: Literal["level", "lift_up", "lift_down"]
    name: Name
    belt_ms: Timer = Field(alias="belt")
    """Time for a gutter to cross one joint."""
    travel_ms: Timer = Field(default=8000, alias="travel")
    """Time of the lift from level to level (not used by a level transfer)."""
    timeout_ms: Timer = Field(alias="timeout")
    jam_limit_ms: Timer | None = Field(default=None, alias="jam_limit")
    """The longest that the time-out may ever be set to; None: not declared."""


class Lane(Facts):
    """One first-in first-out row of gutters, from its mouth to its tail."""

    id: Annotated[int, Field(ge=1)]
    zone: Name
    crops: tuple[Name, ...]
    programme: Literal["filling", "steady", "running_out", "resting", "out_of_service"] = "steady"
    advance: Literal["ahead", "with_insert"] = "ahead"
    infeed_mm: Millimetres
    outfeed_mm: Millimetres
    runs: Annotated[tuple[Run, ...], Field(min_length=1)]
    transfers: tuple[Transfer, ...] = ()

    @property
    def slots(self) -> int:
        """All slots of all runs."""
        return sum(run.slots for run in self.runs)

    @property
    def prefix(self) -> str:
        """First part of the lane's tags: `lane3`."""
        return f"lane{self.id}"

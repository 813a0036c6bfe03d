"""A set of runs: asked for one after the other, judged, repeated where one of them is odd.

Every run is told in its device's own units and measured by the person. A set stands when it has no
outlier and its spread is within the limit; what was repeated stays on record.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from linectl.commission.calibrate.device_run import Ran, Wanted, run_device
from linectl.commission.calibrate.work import Work
from linectl.commission.person import Ended, FieldAct
from linectl.crop.calibrating import (
    SPREAD_MOST,
    Line,
    Stated,
    drifts_with,
    hidden_outlier,
    line_through,
    odd_one,
    residuals,
    stated,
)
from linectl.image import Value


@dataclass(frozen=True)
class Device:
    """A device that gives something when its output is on."""

    part: str
    """The station."""
    tag: str
    rate_tag: str
    unit: str
    """Of what comes: ml, seeds."""
    others: Mapping[str, Value]
    """Outputs that must go with it, at every rate."""
    asked: Callable[[float, int], float]
    """What it is asked for in all, from the set-point as its register holds it and ms."""
    read: Callable[[str], float]
    """What came, from what the person types. ValueError with the right form."""
    question: str
    counter: str = ""
    """The tag of a counter that runs with it."""
    lead_ms: int = 0
    """By so much the others must be at work before it."""
    hopper: str = ""
    """The tag of the level that it draws from."""
    takes: float = 1.0
    """Of the level's unit for each of `unit`: litres for a millilitre."""
    spread_most: float = SPREAD_MOST
    """Spread of a set above which it does not stand."""


RESERVE = 1.5
"""So many times a run's amount the hopper must hold before it (common practice, no source)."""


class Step(NamedTuple):
    """One run of a plan: the set-point in the unit of its point, and how long."""

    set_point: float
    for_ms: int


@dataclass(frozen=True)
class Run:
    """One run that was measured."""

    step: Step
    ran_ms: int
    asked: float
    got: float
    typed: str
    pulses: int | None = None

    @property
    def ratio(self) -> float:
        """What came for each one asked."""
        return self.got / self.asked

    @property
    def per_s(self) -> float:
        """What came each second."""
        return self.got * 1000 / self.ran_ms

    def as_told(self, why: str = "") -> dict[str, Any]:
        """An entry of `runs` or `left_out`."""
        told: dict[str, Any] = {
            "rate": round(self.step.set_point, 6),
            "seconds": self.ran_ms / 1000,
            "asked": round(self.asked, 3),
            "got": round(self.got, 3),
            "typed": self.typed,
        }
        if self.pulses is not None:
            told["pulses"] = self.pulses
        return told | ({"why": why} if why else {})


@dataclass
class RunSet:
    """The runs that count, those left out with why, and why the set does not stand."""

    straight: bool = False
    """The device is told a frequency: runs are held against the line through all of them, because
    what a hertz makes is what is looked for."""
    runs: list[Run] = field(default_factory=list)
    left_out: list[dict[str, Any]] = field(default_factory=list)
    why_not: str = ""

    @property
    def ratios(self) -> list[float]:
        """What came for each one asked, run by run."""
        return [run.ratio for run in self.runs]

    @property
    def judged(self) -> list[float]:
        """What the runs are compared by: the ratios, or what came by the line through all."""
        if not self.straight:
            return self.ratios
        line = self.line
        return [run.per_s / line.at(run.step.set_point) for run in self.runs]

    @property
    def line(self) -> Line:
        """What comes each second against the set-point. ValueError as `line_through`."""
        return line_through([(run.step.set_point, run.per_s) for run in self.runs])

    @property
    def stated(self) -> Stated:
        return stated(self.judged)

    @property
    def drifts(self) -> bool:
        """The ratio changes with the rate, more than by chance."""
        points = [(run.step.set_point, run.ratio) for run in self.runs]
        return not self.straight and drifts_with(points)

    def as_told(self) -> dict[str, Any]:
        """Its part of the object of `calibrate --json`."""
        return {
            "uncertainty": self.stated.uncertainty,
            "spread": self.stated.spread,
            "runs": [run.as_told() for run in self.runs],
            "left_out": self.left_out,
            "residuals": [round(one, 6) for one in residuals(self.judged)],
            "trend": self.drifts,
        }


def take_set(work: Work, device: Device, plan: Sequence[Step], straight: bool = False) -> RunSet:
    """The runs of a plan, repeated until the set stands or the person gives up.

    The set that is given back has `why_not` if it does not stand. Raises Ended if the person goes
    away before there is a set.
    """
    work.say("\nPrime: one run that does not count, so that the device is full and even.")
    _ran(work, device, plan[0], "prime")
    done = RunSet(straight)
    for place, step in enumerate(plan, 1):
        done.runs.append(measure(work, device, step, f"run {place} of {len(plan)}"))
    try:
        while not _stands(work, device, done):
            pass
    except Ended:
        done.why_not = done.why_not or "the person ended it before the set stood"
    return done


def measure(work: Work, device: Device, step: Step, name: str) -> Run:
    """One run, measured; asked for again until it has run its whole time. Raises Ended."""
    ran = _ran(work, device, step, name)
    got, typed = _typed(work, device, name)
    pulses = ran.counted(device.counter) if device.counter else None
    run = Run(step, ran.ran_ms, device.asked(step.set_point, ran.ran_ms), got, typed, pulses)
    work.say(
        f"  asked {run.asked:,.0f} {device.unit}, came {run.got:,.0f} {device.unit}:"
        f" {run.ratio - 1:+.1%}"
    )
    return run


def taken_away(work: Work, device: Device) -> None:
    """The last vessel goes: what falls from now on is for gutters."""
    work.person.act(FieldAct("take", device.part, None, "take the vessel away"))


def wanted_of(device: Device, step: Step) -> Wanted:
    """The pulse that makes one step of a plan."""
    others = {device.rate_tag: step.set_point, **device.others}
    return Wanted(device.tag, step.for_ms, others, device.lead_ms)


def _ran(work: Work, device: Device, step: Step, name: str) -> Ran:
    wanted = wanted_of(device, step)
    unit = work.site.points[work.site.index(device.rate_tag)].unit
    while True:
        put = f"{name}: an empty vessel under {device.part}, hands and sleeves away"
        work.person.act(FieldAct("put", device.part, None, put))
        work.ask(f"  {name} at {step.set_point:g} {unit}: Enter when it stands there, q ends: ")
        filled(work, device, step)
        ran = run_device(work, wanted)
        if not isinstance(ran, str):
            return ran
        work.say(f"  {ran}. It is done again, from an empty vessel")


def filled(work: Work, device: Device, step: Step) -> None:
    """See that the hopper holds enough for a run: one that runs dry measures nothing."""
    need = device.asked(step.set_point, step.for_ms) * device.takes * RESERVE
    while device.hopper:
        level = work.controller.look(-1).points.get(device.hopper)
        if level is None or level >= need:
            return
        unit = work.site.points[work.site.index(device.hopper)].unit
        work.person.act(
            FieldAct("refill", device.part, None, f"fill the hopper of {device.part}, locked out")
        )
        work.ask(f"  {device.hopper} reads {level:g} {unit}: Enter when it is filled, q ends: ")
        work.terms.pause()


def _typed(work: Work, device: Device, name: str) -> tuple[float, str]:
    while True:
        typed = work.ask(f"  {name}: {device.question}: ")
        try:
            got = device.read(typed)
        except ValueError as error:
            work.say(f"  {error}")
            continue
        if got > 0:
            return got, typed
        work.say("  nothing came: that is no measurement; look at device and hopper, or q")


# judged ------------------------------------------------------------------------------------------


def _stands(work: Work, device: Device, done: RunSet) -> bool:
    """True if the set stands; else something of it has been taken again."""
    figures = done.stated
    if done.straight:
        work.say(f"\n{figures.runs} runs scatter by {figures.spread:.1%} about their line")
    else:
        work.say(
            f"\n{figures.runs} runs: {figures.value:.4f} came for each one asked,"
            f" ±{figures.uncertainty:.4f} (95 %, Student's t); spread {figures.spread:.1%}"
        )
    odd = odd_one(done.judged)
    if odd is not None:
        run = done.runs[odd.place]
        why = (
            f"run {odd.place + 1} ({run.typed}) is {odd.g:.2f} standard deviations out, more than"
            f" {odd.critical:.2f} (Grubbs, {'1 %' if odd.how == 'outlier' else '5 %'})"
        )
        work.say(f"  {odd.how}: {why}")
        if odd.how == "outlier":
            done.why_not = f"an outlier that was not repeated: {why}"
            _repeat(work, device, done, odd.place, why)
            return False
        work.say("  it counts: so far out lies one run in one of twenty healthy sets")
    else:
        far = hidden_outlier(figures.runs)
        work.say(
            f"  none is odd by Grubbs' test; with {figures.runs} runs it sees no run that is off"
            f" by less than {far:.0f} times the scatter of the others"
        )
    if figures.spread > device.spread_most:
        done.why_not = (
            f"a spread of {figures.spread:.1%} is more than {device.spread_most:.0%}: bridging,"
            " air, worn parts or the weighing; mend that first"
        )
        _all_again(work, device, done)
        return False
    if done.drifts:
        work.say(
            "  the ratio changes with the rate: one factor is right between these rates only;"
            " measure at the rates that the crops ask for"
        )
    done.why_not = ""
    return True


def _repeat(work: Work, device: Device, done: RunSet, place: int, why: str) -> None:
    work.ask(f"  it must be repeated: Enter runs {place + 1} again, q refuses the set: ")
    run = done.runs[place]
    done.left_out.append(run.as_told(why))
    done.runs[place] = measure(work, device, run.step, f"run {place + 1} again")


def _all_again(work: Work, device: Device, done: RunSet) -> None:
    work.say(f"  refused: {done.why_not}")
    work.ask("  when it is mended: Enter takes the whole set again, q ends: ")
    done.left_out += [run.as_told(done.why_not) for run in done.runs]
    for place, run in enumerate(tuple(done.runs)):
        done.runs[place] = measure(work, device, run.step, f"run {place + 1} again")

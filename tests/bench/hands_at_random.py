"""Random forces, pulses, expiries, restarts, lost enabling devices and interlock trips, by hand.

After every scan a second opinion looks at the outputs: none is on that an interlock forbids, and
what is on without a unit at work is what a person has asked for: within its time, with its units in
maintenance, the enabling device held and the start warning given. Nothing outlives a restart. Two
lines are fed the same: one is scanned every tick, one only when it says that a scan would matter.
"""

from __future__ import annotations

import json
import os
from collections import Counter
from pathlib import Path
from typing import Any, NamedTuple

from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, rule, run_state_machine_as_test

from linectl.image import Command, Frame, Start
from linectl.line import Line
from linectl.line.permissives import structural_rows
from linectl.line.pulse_limits import companions, pulse_most_ms
from linectl.site.load import load_site

SITE = load_site(Path(__file__).parents[2] / "config" / "tiny")
FULL = os.environ.get("LINECTL_CAMPAIGN") == "full"
EXAMPLES, STEPS = (400, 20) if FULL else (40, 8)
MUTANT_EXAMPLES = 40
"""At most: the first example that fails ends the search."""
TICK_MS = 50
"""A slow scan: five times the site's own, so that there is time for more examples."""
WARN_MS = SITE.file.limits.start_warning_ms
WAIT_MS, LEAST_MS = 60_000, 500
UNITS, ZONES = ("sowing", "harvest"), tuple(SITE.file.zones)
POINTS = {point.tag: point for point in SITE.points}
OUTPUTS = tuple(p.tag for p in SITE.points if p.direction == "out" and p.is_bool)
MOVING = tuple(tag for tag in OUTPUTS if POINTS[tag].cut_by and not POINTS[tag].safe)
NUMBERS = tuple(p.tag for p in SITE.points if p.direction == "out" and not p.is_bool)
INPUTS = tuple(p.tag for p in SITE.points if p.direction == "in" and p.is_bool)
FORCED = tuple(tag for tag in INPUTS if tag.endswith(("_eye", ".centred", ".running", ".ready")))
CAUSES = {
    name: cause.when[0].point for name, cause in SITE.interlocks.causes.items()
    if cause.moment == "at_once" and cause.when[0].is_ is False
}  # fmt: skip
"""Causes that come when their point reads 0."""
LIT = (
    "_ok", "_clear", "_on", ".closed", ".remote", ".remote_selected", ".gate_home", ".not_low",
    ".not_empty", ".single", ".press_up", ".gripper_home", ".home", "turn.at_0", "turnout.at_90",
)  # fmt: skip
LEVELS = {"fill.hopper_level": 150, "seed.seed_level": 40, "infeed.position": 9_000,
          "outfeed.position": 9_000}  # fmt: skip
ENDS = (
    "trip",
    "let go",
    "trip",
    "silence",
    "mode",
    "trip",
    "person",
    "stay",
    "restart",
    "snapshot",
)
"""What happens in the middle of it when something is driven by hand."""
waits_ms = st.sampled_from((50, 400, 1_500, 3_300, 9_000))


class Asked(NamedTuple):
    """What a person has asked for and the line has taken."""

    tag: str
    values: dict[str, Any]
    until: int
    """ms; of a pulse that has not begun: the latest time at which it may be on."""


class Seen(Counter[str]):
    """What was covered, over all examples."""


def zone_units(zone: str) -> tuple[str, ...]:
    unit = SITE.file.zones[zone].unit
    return (unit,) if unit else UNITS


class ByHand(RuleBasedStateMachine):
    """Everything at rest in maintenance, and all that may befall it."""

    make: Any = None
    """() → (a judge's class, what was seen, a planted defect or None): set by the test."""

    def __init__(self) -> None:
        super().__init__()
        self.judge_class, self.seen, mutate = self.make()
        self.mutate = mutate() if isinstance(mutate, type) else mutate
        self.now = 0
        self.good = dict.fromkeys(SITE.file.devices, True)
        self.level: dict[str, Any] = {}
        for point in SITE.points:
            if point.direction == "in":
                rest = LEVELS.get(point.tag, 0)
                lit = point.tag.endswith(LIT) and not point.tag.endswith(("horn_on", "beacon_on"))
                self.level[point.tag] = lit if point.is_bool else rest
        self.deaf = False
        """Horns and beacons give no feedback."""
        self.asked: dict[str, Asked] = {}
        self.forced: dict[str, int] = {}
        """Forced inputs, and until when."""
        self.held_since: dict[str, int | None] = dict.fromkeys(ZONES)
        self.sounds_since: dict[str, int | None] = dict.fromkeys(ZONES)
        self.warned: dict[str, bool] = dict.fromkeys(ZONES, False)

    # the two lines -----------------------------------------------------------------------------

    @initialize(tag=st.sampled_from(MOVING), end=st.sampled_from(ENDS), by_force=st.booleans(),
                data=st.data(), ms=waits_ms)  # fmt: skip
    def power_up(self, tag: str, end: str, by_force: bool, data: Any, ms: int) -> None:
        """And one drive at least in every example."""
        self._new_lines(Line(SITE), Line(SITE))
        self._everything()
        self._drive(tag, end, by_force, data, ms)

    def _new_lines(self, ticking: Line, leaping: Line) -> None:
        self.line, self.leaper = ticking, leaping
        if self.mutate is not None:
            self.mutate(ticking)
            self.mutate(leaping)
        self.events: list[Any] = []
        self.must_scan = True

    def _everything(self) -> None:
        """The whole image, as a controller is told it at its start."""
        self.judge = self.judge_class(self.line, SITE, self.judge_seen())
        self.judge._rights = self._rights
        frame = Frame()
        for point in SITE.points:
            if point.direction == "in":
                frame.quality.append((point.index, self.good[point.device]))
                frame.values.append((point.index, self._raw(point)))
        self._scan(frame)

    def judge_seen(self) -> Any:
        return type("Any", (), {"scans": 0, "tripped_while_on": {}, "restarts": {}})()

    def _raw(self, point: Any) -> Any:
        level = self.level[point.tag]
        return bool(level) is not point.invert if point.is_bool else level

    def _scan(self, frame: Frame | None = None) -> None:
        """One tick. Horns and beacons are heard one tick later; every word is on disk by then."""
        self.now += TICK_MS
        frame = frame or Frame()
        for zone in ZONES:
            for role in ("horn", "beacon"):
                sounds = bool(self.line.outputs[POINTS[f"{zone}.{role}"].index]) and not self.deaf
                self._put(frame, f"{zone}.{role}_on", sounds)
        if self.line.durable != self.line.words:
            frame.durable = self.line.words
        self._look_at_zones()
        self.line.scan(frame, self.now)
        due = self.leaper.next_due()
        if self.must_scan or frame or (due is not None and due <= self.now):
            self.must_scan = self.leaper.scan(frame, self.now)
        self._nothing_outlives()

    def _put(self, frame: Frame, tag: str, level: Any) -> None:
        if self.level[tag] != level:
            self.level[tag] = level
            frame.values.append((POINTS[tag].index, self._raw(POINTS[tag])))

    def _wait(self, ms: int) -> None:
        for _ in range(ms // TICK_MS):
            self._scan()
        self.line.take_moves(), self.leaper.take_moves()
        assert self.line.take_events() == self.leaper.take_events()
        self.leaper.now = self.line.now
        assert self.line.digest() == self.leaper.digest(), "leaping and ticking differ"

    def _set(self, tag: str, level: Any) -> None:
        frame = Frame()
        self._put(frame, tag, level)
        self._scan(frame)

    def _command(self, unit: str, name: str, argument: str = "") -> bool:
        """In a scan of its own. True if it was taken."""
        self._scan(Frame(commands=[Command(unit, name, argument, "anna")]))
        text = f"{unit or 'line'} {name} {argument}".rstrip()
        mine = [e for e in self.line._events if e.kind == "command" and e.text == text]
        return bool(mine[-1].data["accepted"])

    # the second opinion ------------------------------------------------------------------------

    def _reads(self, tag: str) -> bool:
        return self.good[POINTS[tag].device] and bool(self.level[tag])

    def _look_at_zones(self) -> None:
        """Since when the device is held and horn and beacon sound, by what the line is told now."""
        for zone in ZONES:
            if not self._reads(f"{zone}.enabling"):
                self.held_since[zone], self.warned[zone] = None, False
            elif self.held_since[zone] is None:
                self.held_since[zone] = self.now
            sounds = all(self._reads(f"{zone}.{role}_on") for role in ("horn", "beacon"))
            since = self.sounds_since[zone]
            self.sounds_since[zone] = (self.now if since is None else since) if sounds else None
            start = max(self.sounds_since[zone] or self.now, self.held_since[zone] or self.now)
            if self.held_since[zone] is not None and self.now - start >= WARN_MS:
                self.warned[zone] = True

    def _rights(self, bits: int, frame: Frame, now: int) -> None:
        """Every moving output that is on without a unit at work is a person's, held and warned."""
        for row, tests in STRUCTURE:
            if row.acts & bits and all(self._holds(test) for test in tests):
                raise AssertionError(
                    f"{self.judge._tags(row.acts & bits)} on in spite of {row.name}"
                )
        for tag in MOVING:
            if not bits >> POINTS[tag].index & 1:
                continue
            zone = POINTS[tag].zone or ""
            units = [unit for unit in self.line.units if unit.name in zone_units(zone)]
            assert all(unit.mode == "maintenance" for unit in units), f"{tag} on: {zone}"
            assert self.held_since[zone] is not None, f"{tag} on, nobody holds {zone}.enabling"
            assert self.warned[zone], f"{tag} on without its warning"
            mine = [one for one in self.asked.values() if one.values.get(tag)]
            assert mine, f"{tag} on, and nobody asked for it"
            assert any(self.now < one.until for one in mine), f"{tag} on beyond its time"
            self.seen["on by hand"] += 1

    def _holds(self, test: Any) -> bool:
        point = SITE.points[test.index]
        if not self.good[point.device]:
            return True
        value = self.level[point.tag]
        if test.level is not None:
            return bool(value) is test.level
        return (test.low is None or value < test.low) and (test.high is None or value > test.high)

    def _nothing_outlives(self) -> None:
        """Forces are over with their time; a pulse's set-points with it; outputs are true."""
        standing = self.line.interventions.forces.standing
        for tag in standing:
            asked = self.asked.get(f"force {tag}")
            until = asked.until if asked is not None else self.forced.get(tag, 0)
            assert self.now < until, f"{tag} is forced beyond its time, or by nobody"
        pulse = self.line.by_hand.pulses.present
        if pulse is None:
            self.asked.pop("pulse", None)
        elif pulse.stage == "begun" and self.asked["pulse"].until > self.now + pulse.length_ms:
            last = self.now + pulse.length_ms
            self.asked["pulse"] = self.asked["pulse"]._replace(until=last)
            self.seen["pulses begun"] += 1
        for tag in [tag for tag in self.asked if tag != "pulse" and tag[6:] not in standing]:
            del self.asked[tag]
        laid = {tag for one in self.asked.values() for tag in one.values}
        for tag in NUMBERS:
            index = POINTS[tag].index
            own = self.line.numbers.get(index, POINTS[tag].safe)
            assert tag in laid or self.line.outputs[index] == own, f"{tag} is not the line's own"

    # people ------------------------------------------------------------------------------------

    @rule(tag=st.sampled_from(OUTPUTS), length_ms=st.integers(LEAST_MS, 8_000), ms=waits_ms,
          set_point=st.booleans(), value=st.sampled_from(("", " 1", " 0")))  # fmt: skip
    def pulse(self, tag: str, length_ms: int, ms: int, set_point: bool, value: str) -> None:
        self._pulse(tag, length_ms, set_point, value)
        self._wait(ms)

    def _pulse(self, tag: str, length_ms: int, set_point: bool, value: str = " 1") -> bool:
        part = tag.rpartition(".")[0]
        words = dict.fromkeys(companions(SITE, tag)[:1], "1")
        words |= {n: "50" for n in NUMBERS if set_point and n.startswith(f"{part}.")}
        length_ms = min(length_ms, pulse_most_ms(SITE, tag))
        said = " ".join(f"{other}={word}" for other, word in words.items())
        before = self.line.own_demand() >> POINTS[tag].index & 1
        self.asked.setdefault("pulse", Asked("", {}, 0))
        mine = {tag: value == " 1" or (not value and not before), **dict.fromkeys(words, True)}
        old = self.asked["pulse"]
        latest = self.now + WAIT_MS + 3_000 + WARN_MS + length_ms + 10 * TICK_MS
        self.asked["pulse"] = Asked(tag, {**old.values, **mine}, max(old.until, latest))
        taken = self._command("", "pulse", f"{tag} {length_ms}ms{value} {said}".rstrip())
        self.seen["pulses taken"] += taken
        if taken and "pulse" in self.asked:
            until = min(latest, self.now + length_ms) if not self._waits() else latest
            self.asked["pulse"] = Asked(tag, mine, until)
        elif "pulse" in self.asked:
            self.asked["pulse"] = old
        return taken

    def _waits(self) -> bool:
        pulse = self.line.by_hand.pulses.present
        return pulse is not None and pulse.stage != "begun"

    @rule(tag=st.sampled_from((*OUTPUTS, *NUMBERS)), value=st.sampled_from("01"), ms=waits_ms,
          for_ms=st.integers(LEAST_MS, 20_000))  # fmt: skip
    def force_an_output(self, tag: str, value: str, ms: int, for_ms: int) -> None:
        self._force(tag, value, for_ms)
        self._wait(ms)

    def _force(self, tag: str, value: str, for_ms: int) -> bool:
        name, old = f"force {tag}", self.asked.get(f"force {tag}")
        self.asked[name] = Asked(tag, {tag: value == "1"}, self.now + TICK_MS + for_ms)
        taken = self._command("", "force", f"{tag} {value} {for_ms}ms by way of trial")
        self.seen["outputs forced"] += taken
        if not taken:
            self.asked.pop(name, None)
            if old is not None:
                self.asked[name] = old
        return taken

    @rule(tag=st.sampled_from(FORCED), value=st.sampled_from("01"), ms=waits_ms,
          for_ms=st.integers(LEAST_MS, 20_000))  # fmt: skip
    def force_an_input(self, tag: str, value: str, ms: int, for_ms: int) -> None:
        self._force_input(tag, value, for_ms)
        self._wait(ms)

    def _force_input(self, tag: str, value: str, for_ms: int) -> None:
        if tag in self.forced and tag not in self.line.interventions.forces.standing:
            del self.forced[tag]
        for _ in range(2):  # what interlocks read must be asked for twice
            before, until = self.forced.get(tag), self.now + TICK_MS + for_ms
            self.forced[tag] = max(before or 0, until)  # the old one may end in this very scan
            if self._command("", "force", f"{tag} {value} {for_ms}ms by way of trial"):
                self.seen["inputs forced"] += 1
                self.forced[tag] = until
                break
            if before is None:
                del self.forced[tag]
            else:
                self.forced[tag] = before

    @rule(unit=st.sampled_from(UNITS), ms=waits_ms, word=st.sampled_from((
        ("force-end", "all"), ("pulse-end", ""), ("interlock-reset", ""), ("mode", "maintenance"),
        ("mode", "production"), ("mode", "dry-cycle"), ("clear", ""),
    )))  # fmt: skip
    def command(self, unit: str, word: tuple[str, str], ms: int) -> None:
        self._command(unit if word[0] in ("mode", "clear") else "", *word)
        self._wait(ms)

    # what befalls ------------------------------------------------------------------------------

    @rule(tag=st.sampled_from(MOVING), end=st.sampled_from(ENDS), by_force=st.booleans(),
          data=st.data(), ms=waits_ms)  # fmt: skip
    def drive(self, tag: str, end: str, by_force: bool, data: Any, ms: int) -> None:
        self._drive(tag, end, by_force, data, ms)

    @rule(tag=st.sampled_from(MOVING), end=st.sampled_from(ENDS), data=st.data(), ms=waits_ms)
    def drive_once_more(self, tag: str, end: str, data: Any, ms: int) -> None:
        """The same with a pulse, so that it comes more often."""
        self._drive(tag, end, False, data, ms)

    def _drive(self, tag: str, end: str, by_force: bool, data: Any, ms: int) -> None:
        """Everything well, an output driven by hand, and in the middle of it something happens."""
        zone = POINTS[tag].zone or ""
        self._all_well(zone)
        self._set(f"{zone}.enabling", True)
        if by_force:
            self._force(tag, "1", 15_000)
            self._force_input(data.draw(st.sampled_from(FORCED)), "1", 15_000)
        else:
            self._pulse(tag, data.draw(st.sampled_from((1_500, 6_000))), set_point=True)
        self._wait(WARN_MS + 400)
        if self.line.outputs[POINTS[tag].index]:
            self.seen[f"on, then {end}"] += 1
        if end == "let go":
            self._set(f"{zone}.enabling", False)
        elif end == "trip":
            against = [name for name in CAUSES if self._forbids(name, tag)]
            self._set(CAUSES[data.draw(st.sampled_from(against))], False)
        elif end == "silence":
            self._quality(POINTS[tag].device, False)
        elif end == "mode":
            self._command(zone_units(zone)[0], "mode", "production")
        elif end == "person":
            self._command("", "force-end" if by_force else "pulse-end", "all" if by_force else "")
        elif end == "restart":
            self.restart()
        elif end == "snapshot":
            self.restore_a_snapshot()
        self._wait(ms)

    def _forbids(self, cause: str, tag: str) -> bool:
        row = next(row for row in self.judge.rows if row.name == cause)
        return POINTS[tag].index in row.outputs

    def _all_well(self, zone: str) -> None:
        self.deaf = False
        for device in SITE.file.devices:
            self._quality(device, True)
        frame = Frame()
        for point in CAUSES.values():
            self._put(frame, point, True)
        self._put(frame, f"{zone}.enabling", False)
        self._scan(frame)
        for name in ZONES:  # at_machine rows want the button of their zone
            self._set(f"{name}.interlock_reset", True)
            self._set(f"{name}.interlock_reset", False)
        self._command("", "interlock-reset")
        self._command("", "force-end", "all")
        self._command("", "pulse-end")
        for unit in UNITS:
            self._command(unit, "mode", "maintenance")
        self._wait(100)

    def _quality(self, device: str, good: bool) -> None:
        if self.good[device] is not good:
            self.good[device] = good
            own = [p.index for p in SITE.points if p.device == device and p.direction == "in"]
            self._scan(Frame(quality=[(index, good) for index in own]))

    @rule(what=st.sampled_from((*CAUSES, *SITE.file.devices, *ZONES, "horns")),
          there=st.booleans(), ms=waits_ms)  # fmt: skip
    def something_comes_or_goes(self, what: str, there: bool, ms: int) -> None:
        """A cause, a device's silence, a hand on an enabling device, deaf horns."""
        if what in CAUSES:
            self._set(CAUSES[what], not there)
        elif what in SITE.file.devices:
            self._quality(what, not there)
        elif what in ZONES:
            self._set(f"{what}.enabling", there)
        else:
            self.deaf = there
        self._wait(ms)

    def restore_a_snapshot(self) -> None:
        """Into new lines, through JSON: they go on as the old ones would have."""
        saved = json.loads(json.dumps(self.line.snapshot()))
        lines = Line(SITE), Line(SITE)
        for line in lines:
            line.restore(saved)
        before, self.line.scan = self.line, self.judge._scan
        self._new_lines(*lines)
        self.judge.line, self.judge._scan = self.line, self.line.scan
        self.line.scan = self.judge.scan
        assert before.digest() == self.line.digest()

    def restart(self) -> None:
        """A new controller, with nothing in its record: it takes up nothing."""
        self.asked, self.forced = {}, {}
        self._new_lines(Line(SITE, Start()), Line(SITE, Start()))
        self._everything()
        status = self.line.status(self.now)
        assert status["forced"] == 0 and status["pulse"] is None
        on = {t for t in MOVING if self.line.outputs[POINTS[t].index]}
        assert not on, f"{on} on after a restart"


STRUCTURE = tuple((row, row.tests) for row in structural_rows(SITE, SITE.tags))


def campaign(judge: Any, seen: Seen, examples: int, mutate: Any = None) -> None:
    """Run the machine; raises what an example raised."""
    machine = type("People", (ByHand,), {"make": staticmethod(lambda: (judge, seen, mutate))})
    run_state_machine_as_test(
        machine,
        settings=settings(
            max_examples=examples, stateful_step_count=STEPS, deadline=None,
            phases=(Phase.generate,), suppress_health_check=list(HealthCheck),
        ),
    )  # fmt: skip

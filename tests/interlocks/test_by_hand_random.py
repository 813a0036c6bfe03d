"""Random forces, pulses, expiries, restarts, lost enabling devices and interlock trips, by hand.

The machine that plays them, and its second opinion: hands_at_random.py.
"""

from __future__ import annotations

from typing import Any

import pytest
from hands_at_random import ENDS, EXAMPLES, MUTANT_EXAMPLES, TICK_MS, Seen, campaign

from linectl.image import Frame
from linectl.line import Line


def test_no_output_is_on_that_an_interlock_forbids_and_nothing_by_hand_outlives_its_right(
    judge, record_property
):
    # S36, S37, S38
    seen = Seen()
    campaign(judge, seen, EXAMPLES)
    print(dict(seen))
    record_property("seen", str(dict(seen)))
    assert seen["pulses begun"] >= EXAMPLES and seen["outputs forced"] >= EXAMPLES // 2
    assert seen["inputs forced"] >= EXAMPLES // 2 and seen["on, then trip"] >= EXAMPLES // 4
    for end in ENDS:
        assert seen[f"on, then {end}"] >= 1, f"an output must be on, then: {end}"


# the machine itself must be able to fail --------------------------------------------------------


def forced_bits_go_round_the_gate(line: Line) -> None:
    """The gate forgets what causes and devices say of what people have asked for."""
    allowed, by_hand = line.allowed, line.by_hand
    line.allowed = lambda: allowed() | by_hand.forces.bits(True) | by_hand.pulses.bits(True)


def the_enabling_device_is_read_once(line: Line) -> None:
    """Held at the beginning, it counts as held."""
    enabling = line.by_hand.enabling
    held = enabling.held
    enabling.held = lambda zone: held(zone) or enabling.stage(zone) == "warned"


def the_warning_is_left_out(line: Line) -> None:
    """What is held is warned."""
    enabling = line.by_hand.enabling
    enabling.stage = lambda zone: "warned" if zone in enabling.stages else ""


def forces_have_no_end(line: Line) -> None:
    """An expiry is not looked at."""
    line.interventions.forces.expire = lambda now: None


def pulses_last_too_long(line: Line) -> None:
    """By one scan."""
    pulses = line.by_hand.pulses
    begin = pulses._begin
    pulses._begin = lambda pulse, now: begin(pulse, now + TICK_MS)


def the_mode_does_not_matter(line: Line) -> None:
    """What is on stays on when the unit leaves maintenance."""
    line.by_hand.pulses.mode_changed = lambda unit: None
    line.interventions.forces.mode_changed = lambda unit: None


def a_due_is_forgotten(line: Line) -> None:
    """Nobody is told when a pulse or a warning is over."""
    line.by_hand.next_due = lambda: 1 << 62


class a_restart_takes_forces_up_again:  # noqa: N801 (named like the others)
    """A new controller finds what the last one had."""

    def __init__(self) -> None:
        self.left: list[Any] = []

    def __call__(self, line: Line) -> None:
        if self.left:
            line.interventions.forces.fill(self.left)
        plain = line.scan

        def scanning(frame: Frame, now: int) -> bool:
            changed = plain(frame, now)
            self.left = line.interventions.forces.plain()
            return changed

        line.scan = scanning


MUTANTS = (
    forced_bits_go_round_the_gate, the_enabling_device_is_read_once, the_warning_is_left_out,
    forces_have_no_end, pulses_last_too_long, the_mode_does_not_matter, a_due_is_forgotten,
    a_restart_takes_forces_up_again,
)  # fmt: skip


@pytest.mark.parametrize("mutate", MUTANTS, ids=lambda mutate: mutate.__name__)
def test_the_same_machine_finds_a_planted_defect(judge, mutate):
    # S36, S37, S38
    with pytest.raises(AssertionError):
        campaign(judge, Seen(), MUTANT_EXAMPLES, mutate)

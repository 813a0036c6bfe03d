"""Every state table: complete, reachable, with a handler or a reason to stay."""

from __future__ import annotations

import pytest
from transitions import Machine

from linectl.line import build, dosers, harvest, lane, sower, trips
from linectl.line.tables import table

PARTS = [
    sower.Magazine, dosers.Fill, sower.Tamp, dosers.Water, dosers.Seed, sower.Turn,
    trips.Infeed, trips.Outfeed, harvest.TurnOut, lane.Lane,
]  # fmt: skip


@pytest.mark.parametrize("part", PARTS, ids=lambda part: part.__name__)
def test_every_active_state_has_a_handler(part):
    passive = part.RESTING | {"giving", "taken_by_sowing", "taken_by_harvest"}
    for state in part.TABLE.states:
        if state not in passive:
            assert hasattr(part, f"_{state}"), state


@pytest.mark.parametrize("part", PARTS, ids=lambda part: part.__name__)
def test_every_active_state_can_fail_and_be_taken_up_again(part):
    moves = part.TABLE.moves
    failing = {state for state, event in moves if event == "fail"}
    active = set(part.TABLE.states) - part.RESTING - {"giving", "tooling"}
    active -= {"taken_by_sowing", "taken_by_harvest", "pressing", "dwelling"}
    assert active <= failing
    for state in failing:
        assert moves["faulted", f"back_to_{state}"] == state


def test_a_table_says_the_same_as_the_transitions_library_running_it():
    compiled = sower.Tamp.TABLE
    for (state, event), dest in compiled.moves.items():
        model = type("Model", (), {})()
        Machine(
            model,
            states=list(compiled.states),
            initial=state,
            transitions=[[event, state, dest]],
            auto_transitions=False,
        )
        model.trigger(event)
        assert model.state == dest


def test_a_pair_given_twice_is_refused():
    with pytest.raises(ValueError, match="given twice"):
        table("t", "a", [("go", "a", "b"), ("go", "a", "c")])


def test_every_belt_kind_of_the_sower_is_built():
    assert list(build._BELTS) == ["magazine", "fill", "tamp", "water", "seed", "turn"]

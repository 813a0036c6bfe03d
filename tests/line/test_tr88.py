"""The unit states against the published matrix."""

from __future__ import annotations

import pytest

from linectl.errors import Illegal
from linectl.line.tr88 import ACTING, EDITIONS, STATE_NUMBERS

BASE = EDITIONS["isa-tr88.00.02-2015"]
EXTENDED = EDITIONS["isa-tr88.00.02-2015+hold"]


def test_the_2015_matrix_has_46_pairs_and_the_hold_extension_adds_5():
    # ANSI/ISA-TR88.00.02-2015, matrix as encoded in a published ontology; OPC 30050 v1.01.
    assert len(BASE.moves) == 46
    assert len(EXTENDED.moves) == 51
    added = set(EXTENDED.moves) - set(BASE.moves)
    assert added == {
        (state, "hold")
        for state in ("Starting", "Suspending", "Suspended", "Unsuspending", "Unholding")
    }


def test_the_seventeen_states_have_the_published_numbers():
    # Numbers as in OPC 30050.
    assert sorted(STATE_NUMBERS.values()) == list(range(1, 18))
    assert STATE_NUMBERS["Execute"] == 6
    assert STATE_NUMBERS["Aborted"] == 9
    assert STATE_NUMBERS["Complete"] == 17
    assert set(BASE.states) == set(STATE_NUMBERS)


def test_each_of_the_eleven_acting_states_completes_and_no_other():
    completing = {state for state, event in BASE.moves if event == "done"}
    assert completing == set(ACTING)
    assert len(ACTING) == 11


def test_abort_and_stop_are_refused_only_where_the_matrix_says():
    no_abort = set(STATE_NUMBERS) - {s for s, event in BASE.moves if event == "abort"}
    no_stop = set(STATE_NUMBERS) - {s for s, event in BASE.moves if event == "stop"}
    assert no_abort == {"Aborting", "Aborted"}
    assert no_stop == {"Stopped", "Stopping", "Clearing", "Aborting", "Aborted"}


def test_from_aborted_to_execute_it_takes_three_commands():
    state = "Aborted"
    commands = 0
    for event in ("clear", "done", "reset", "done", "start", "done"):
        state = BASE.after(state, event)
        commands += event != "done"
    assert state == "Execute"
    assert commands == 3


PUBLISHED = {
    "reset": {"Stopped", "Complete"},
    "start": {"Idle"},
    "hold": {"Execute"},
    "suspend": {"Execute"},
    "unhold": {"Held"},
    "unsuspend": {"Suspended"},
    "clear": {"Aborted"},
}
"""ANSI/ISA-TR88.00.02-2015, matrix as encoded in a published ontology: where each is taken."""


def test_every_other_command_is_taken_where_the_matrix_has_it_and_nowhere_else():
    events = {event for _, event in BASE.moves}
    assert events == {*PUBLISHED, "done", "abort", "stop"}
    for command, states in PUBLISHED.items():
        assert {state for state, event in BASE.moves if event == command} == states
    # 11 done, 15 abort, 12 stop and these 8 are the 46.
    assert 11 + 15 + 12 + sum(len(states) for states in PUBLISHED.values()) == 46


def test_an_unknown_pair_raises_and_says_which():
    with pytest.raises(Illegal, match="'start' in state 'Held'"):
        BASE.after("Held", "start")

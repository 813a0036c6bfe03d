"""The alarm state table against the published ones, pair by pair, written here by hand.

[M] ISA-18.2-2016 / IEC 62682, from memory. [P] OPC 10000-9 v1.05, by clause: 4.8 (latched,
hidden is not disabled), 5.8.5 (reset), 5.8.17 (shelving), B.1.2 table B.1 (a condition's course).
"""

from __future__ import annotations

import pytest

from linectl.errors import Illegal
from linectl.line.alarm_states import HIDDEN, TABLE

PUBLISHED = [
    # [M] ISA-18.2: the alarm comes, is acknowledged, returns
    ("normal", "comes", "unacknowledged"),
    ("unacknowledged", "acknowledge", "acknowledged"),
    ("acknowledged", "returns", "normal"),
    ("unacknowledged", "returns", "returned_unacknowledged"),
    ("returned_unacknowledged", "acknowledge", "normal"),
    ("returned_unacknowledged", "comes", "unacknowledged"),
    # [M] ISA-18.2, [P] 4.8: latched, it outlasts its condition until it is reset
    ("unacknowledged", "returns_latched", "latched_unacknowledged"),
    ("acknowledged", "returns_latched", "latched_acknowledged"),
    ("latched_unacknowledged", "acknowledge", "latched_acknowledged"),
    ("latched_acknowledged", "reset", "normal"),
    ("latched_unacknowledged", "comes", "unacknowledged"),
    ("latched_acknowledged", "comes", "unacknowledged"),
    # ours: the line's interlock reset waits for no acknowledgement, nor stands for one
    ("latched_unacknowledged", "reset", "returned_unacknowledged"),
    # [M] ISA-18.2: any state → shelved, suppressed by design, out of service
    *(
        (state, event, hidden)
        for event, hidden in (
            ("shelve", "shelved"),
            ("suppress", "suppressed_by_design"),
            ("remove_from_service", "out_of_service"),
        )
        for state in (
            "normal", "unacknowledged", "acknowledged", "returned_unacknowledged",
            "latched_unacknowledged", "latched_acknowledged", "shelved",
        )
    ),
    ("suppressed_by_design", "remove_from_service", "out_of_service"),
    # [M] ISA-18.2: and back, to normal or to unacknowledged as the condition is
    ("shelved", "unshelve", "normal"),
    ("shelved", "unshelve_present", "unacknowledged"),
    ("suppressed_by_design", "unsuppress", "normal"),
    ("suppressed_by_design", "unsuppress_present", "unacknowledged"),
    ("out_of_service", "return_to_service", "normal"),
    ("out_of_service", "return_to_service_present", "unacknowledged"),
    # [P] 4.8: a latch holds behind what hides it
    ("shelved", "unshelve_latched", "latched_unacknowledged"),
    ("suppressed_by_design", "unsuppress_latched", "latched_unacknowledged"),
    ("out_of_service", "return_to_service_latched", "latched_unacknowledged"),
    # [P] 4.8: shelving, suppression, out of service are apart: one ends, the others go on
    ("suppressed_by_design", "unsuppress_shelved", "shelved"),
    ("out_of_service", "return_to_service_shelved", "shelved"),
    ("out_of_service", "return_to_service_suppressed", "suppressed_by_design"),
    ("suppressed_by_design", "shelve", "suppressed_by_design"),
    ("suppressed_by_design", "unshelve_beneath", "suppressed_by_design"),
    *(
        ("out_of_service", event, "out_of_service")
        for event in ("shelve", "unshelve_beneath", "suppress", "unsuppress_beneath")
    ),
    # [P] 5.8.17: shelved for its time, whatever its condition does meanwhile
    *(
        (hidden, event, hidden)
        for hidden in ("shelved", "suppressed_by_design", "out_of_service")
        for event in ("comes", "returns", "returns_latched", "reset")
    ),
]  # fmt: skip


def test_the_table_has_the_published_pairs_and_no_other():
    assert len(PUBLISHED) == len({pair[:2] for pair in PUBLISHED})
    assert {(state, event): dest for state, event, dest in PUBLISHED} == TABLE.moves


def test_it_has_the_standards_nine_states():
    assert set(TABLE.states) == {
        "normal", "unacknowledged", "acknowledged", "returned_unacknowledged",
        "latched_unacknowledged", "latched_acknowledged", "shelved", "suppressed_by_design",
        "out_of_service",
    }  # fmt: skip


OPC_B1 = [
    # (event, active, acknowledged) after it; [P] OPC 10000-9 v1.05 table B.1, rows 0, 1–3, 5–7;
    # rows 4 and 8 are confirmations, an option that neither ISA-18.2 nor we have
    ("", False, True),
    ("comes", True, False),
    ("acknowledge", True, True),
    ("returns", False, True),
    ("comes", True, False),
    ("returns", False, False),
    ("acknowledge", False, True),
]


def test_a_condition_runs_as_in_the_published_example():
    state = "normal"
    for event, active, acknowledged in OPC_B1:
        state = TABLE.after(state, event) if event else state
        assert (state in ("unacknowledged", "acknowledged")) is active
        assert (state in ("normal", "acknowledged")) is acknowledged


@pytest.mark.parametrize("state", ["normal", "acknowledged", "latched_acknowledged", *HIDDEN])
def test_nothing_is_acknowledged_that_does_not_wait_for_it(state):
    with pytest.raises(Illegal):
        TABLE.after(state, "acknowledge")


@pytest.mark.parametrize("state", ["unacknowledged", "acknowledged", "normal"])
def test_a_reset_ends_only_a_latch_whose_condition_has_gone(state):
    """[P] 5.8.5: an alarm still active is not reset."""
    with pytest.raises(Illegal):
        TABLE.after(state, "reset")

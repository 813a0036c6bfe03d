"""The traps of Modbus in the field, each with the tests that keep us out of it.

The traps were measured with pymodbus 3.16.1 on pseudo-terminals, or are common practice.
"""

from __future__ import annotations

import ast
from functools import cache
from pathlib import Path

import pytest
from pydantic import ValidationError

from linectl.registers.frames import READ_HOLDING, read_pdu_bytes
from linectl.registers.wire_time import exchange_ms
from linectl.site.hardware import Device, RtuBus

ROOT = Path(__file__).parents[2]

TRAPS: dict[str, dict[str, tuple[str, ...]]] = {
    "a late answer is taken for the next one": {
        "wire/test_never_anothers_data.py": (
            "test_late_answers_within_the_declared_lateness_are_never_taken_for_others",
            "test_answers_later_than_declared_are_found_out_by_the_proving_read",
        ),
        "wire/test_wire_believes_nothing.py": (
            "test_a_late_answer_on_a_serial_line_is_taken_for_the_next_one",
            "test_a_quiet_time_cures_it",
            "test_silence_is_asked_once_and_raised_in_time",
            "test_a_late_answer_on_tcp_is_passed_over",
        ),
        "field/test_exchanges.py": (
            "test_after_silence_a_line_is_quiet_for_longer_than_the_device_may_be_late",
            "test_a_device_in_doubt_is_proven_before_anything_else_is_asked",
            "test_rising_lateness_is_told_while_the_device_is_good",
        ),
        "wire/test_a_doubt_ends_with_a_proof.py": (
            "test_a_read_after_it_never_gets_the_other_registers_value",
            "test_a_write_after_it_is_not_taken_for_done_by_the_earlier_ones_answer",
            "test_what_comes_before_the_question_is_no_answer_to_it",
        ),
        "field/test_framing.py": ("test_an_answer_to_another_question_is_told",),
        "field/test_quiet_time.py": (
            "test_an_earlier_answer_does_not_hide_that_ours_comes_after_it",
        ),
        "field/test_reads.py": ("test_a_proofs_answer_has_another_length_than_every_read",),
    },
    "a library's supervision is made for slow telemetry": {
        "field/test_exchanges.py": (
            "test_a_connection_that_brings_nothing_is_closed_by_our_own_count",
        ),
        "field/test_framing.py": ("test_an_earlier_answers_unfinished_rest_is_silence",),
        "field/test_device.py": (
            "test_a_device_that_keeps_failing_is_asked_less_and_less",
            "test_whatever_the_jitter_a_probe_comes_within_five_seconds",
        ),
        "wire/test_field_on_the_wire.py": (
            "test_a_silent_device_is_bad_in_time_and_does_not_stall_the_others",
            "test_a_plant_that_dies_and_comes_back_is_found_again",
        ),
    },
    "a library's minor version changes data": {
        "field/test_pdu_contract.py": (
            "test_the_installed_version_is_one_that_this_was_written_for",
            "test_every_name_that_the_field_takes_from_the_library_is_held_here",
            "test_requests_and_answers_are_as_printed",
            "test_bits_keep_their_order_and_the_padding_is_cut",
        ),
    },
    "a library's simulator is too kind": {
        "field/test_pitfalls.py": ("test_only_the_librarys_pdus_are_used",),
        "wire/test_served_devices.py": (
            "test_an_unknown_unit_is_silent",
            "test_a_hole_is_an_exception_unless_gaps_may_be_read",
        ),
    },
    "a library's helpers pad, reverse and grow": {
        "field/test_pdu_contract.py": (
            "test_bits_keep_their_order_and_the_padding_is_cut",
            "test_an_answer_is_not_held_by_the_decoder",
        ),
        "registers/test_codec.py": ("test_register_bits_count_from_the_least_significant",),
    },
    "four kinds of failure in four shapes": {
        "field/test_device.py": (
            "test_errors_are_counted_under_their_names",
            "test_a_lost_device_says_why_and_since_when",
        ),
        "field/test_advice.py": ("test_every_trouble_on_every_bus_has_words_and_steps",),
        "field/test_pdu_contract.py": (
            "test_an_exception_is_a_refusal_with_its_code_and_words",
            "test_what_no_frame_can_carry_is_a_value_error",
            "test_junk_ends_in_our_own_words_or_fits_the_question",
        ),
    },
    "a unit number that nobody gave": {
        "field/test_pitfalls.py": (
            "test_a_device_has_a_unit_number_of_its_own",
            "test_nobody_is_everybody",
        ),
        "wire/test_specification_on_the_wire.py": ("test_a_broadcast_is_answered_by_nobody",),
    },
    "devices differ in limits, holes and functions": {
        "registers/test_plan.py": (
            "test_an_address_no_point_names_is_not_read",
            "test_a_long_value_is_not_split_at_the_devices_limit",
            "test_a_device_is_written_with_the_functions_it_has",
        ),
        "field/test_reads.py": (
            "test_a_refused_read_is_parted_down_to_its_hole_and_once_only",
            "test_a_long_value_is_never_parted",
        ),
        "field/test_outputs.py": (
            "test_only_the_functions_a_device_has_are_used",
            "test_everything_written_is_read_back_within_the_devices_limits",
        ),
    },
    "a constant for the gap that is worth reading": {
        "registers/test_wire_time.py": ("test_the_gap_worth_reading_depends_on_the_speed",),
    },
    "a serial line in the scan": {
        "field/test_pitfalls.py": ("test_ten_registers_take_longer_than_a_scan",),
        "wire/test_field_on_the_wire.py": ("test_polls_keep_the_period_that_the_budget_promises",),
    },
    "an adapter's timer, name, owner and direction": {
        "field/test_serial_port.py": (
            "test_a_slow_timer_is_remarked_with_what_to_do",
            "test_a_moving_name_is_answered_with_the_stable_one",
            "test_the_process_that_holds_a_port_is_named",
            "test_a_pulled_adapter_closes_the_port_at_once",
            "test_a_driver_that_does_not_turn_the_line_round_is_told_and_let_go",
        ),
    },
    "a library that talks on its own": {
        "field/test_pdu_contract.py": ("test_the_library_says_nothing_by_itself",),
        "wire/test_wire_believes_nothing.py": (
            "test_nothing_is_said_beside_our_own_ring_of_frames",
        ),
    },
}


@cache
def names_in(file: str) -> frozenset[str]:
    tree = ast.parse((ROOT / "tests" / file).read_text(encoding="utf-8"))
    return frozenset(node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef))


@pytest.mark.parametrize("trap", TRAPS)
def test_every_trap_is_held_by_tests_that_are_there(trap: str) -> None:
    assert TRAPS[trap]
    for file, names in TRAPS[trap].items():
        assert set(names) <= names_in(file), f"{file} has lost a test that holds: {trap}"


def test_only_the_librarys_pdus_are_used() -> None:
    """No client, no server, no simulator, no framer of the library is behind the field."""
    used = {
        (file.relative_to(ROOT).as_posix(), name)
        for folder in ("linectl", "sim")
        for file in (ROOT / folder).rglob("*.py")
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        for name in (
            [node.module or ""]
            if isinstance(node, ast.ImportFrom)
            else [alias.name for alias in node.names]
            if isinstance(node, ast.Import)
            else []
        )
        if name.split(".")[0] == "pymodbus"
    }
    assert {file for file, _ in used} == {"linectl/field/pdu.py"}
    assert all(name.split(".")[1:2] == ["pdu"] for _, name in used)


@pytest.mark.parametrize("unit", [0, 256, None])
def test_nobody_is_everybody(unit: int | None) -> None:
    """Unit 0 is a broadcast, which no device answers: no read of it could ever come back."""
    with pytest.raises(ValidationError):
        Device.model_validate({"bus": "b", "unit": unit, "silent_after": "200ms"})


def test_a_device_has_a_unit_number_of_its_own() -> None:
    with pytest.raises(ValidationError, match="unit"):
        Device.model_validate({"bus": "b", "silent_after": "200ms"})
    for unit in (1, 247, 255):
        device = Device.model_validate({"bus": "b", "unit": unit, "silent_after": "200ms"})
        assert device.unit == unit


def test_ten_registers_take_longer_than_a_scan() -> None:
    """33 characters of 11 bits at 9600 baud, two silences of 3.5 characters (MODBUS over Serial
    Line V1.02, 2.5.1.1) and a turnaround of 5 ms: no scan could wait for them."""
    line = {"kind": "rtu", "port": "/dev/null", "baud": 9600, "poll": "100ms", "timeout": "50ms"}
    bus = RtuBus.model_validate(line)
    took_ms = exchange_ms(bus, 5, read_pdu_bytes(READ_HOLDING, 10))
    assert took_ms == pytest.approx((33 + 7) * 11 / 9.6 + 5)
    assert took_ms > 50

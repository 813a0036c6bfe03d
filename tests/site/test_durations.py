"""Durations: what people write is read exactly, and written back as they would."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linectl.site.durations import DURATION_PATTERN, format_duration, parse_duration


@pytest.mark.parametrize(
    ("text", "ms"),
    [
        ("250ms", 250),
        ("40s", 40_000),
        ("20m", 1_200_000),
        ("22m30s", 1_350_000),
        ("2h", 7_200_000),
        ("25d", 2_160_000_000),
        ("1.5s", 1_500),
        (" 3s ", 3_000),
        ("0s", 0),
    ],
)
def test_the_forms_that_are_promised(text: str, ms: int) -> None:
    assert parse_duration(text) == ms


@pytest.mark.parametrize("text", ["", "5", "s", "5 s", "5sec", "-5s", "1e3s", "5s,", "٣s", "5S"])
def test_anything_else_is_refused_with_the_right_form(text: str) -> None:
    with pytest.raises(ValueError, match=r"is not a duration; write 250ms, 40s"):
        parse_duration(text)


@given(st.integers(0, 10**12))
def test_what_is_written_is_read_back_exactly(ms: int) -> None:
    assert parse_duration(format_duration(ms)) == ms


@given(st.integers(1, 10**12))
def test_a_negative_duration_is_shown_with_one_minus(ms: int) -> None:
    assert format_duration(-ms) == "-" + format_duration(ms)


@given(st.lists(st.tuples(st.integers(0, 999), st.sampled_from(["d", "h", "m", "s", "ms"]))))
def test_parts_add_up(parts: list[tuple[int, str]]) -> None:
    unit_ms = {"d": 86_400_000, "h": 3_600_000, "m": 60_000, "s": 1_000, "ms": 1}
    text = "".join(f"{number}{unit}" for number, unit in parts)
    if parts:
        assert parse_duration(text) == sum(number * unit_ms[unit] for number, unit in parts)


@given(st.text("0123456789.dhms -", max_size=8))
def test_editors_accept_what_the_reader_accepts(text: str) -> None:
    try:
        parse_duration(text)
        readable = True
    except ValueError:
        readable = False
    assert readable == bool(re.match(DURATION_PATTERN, text.strip()))

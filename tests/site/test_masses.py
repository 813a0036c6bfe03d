"""Masses in the units people weigh in: NIST SP 811 (2008), appendix B.8, exact factors."""

from __future__ import annotations

import pytest

from linectl.site.masses import parse_mass_kg


@pytest.mark.parametrize(
    ("text", "kg"),
    [("12.5kg", 12.5), ("12.5", 12.5), ("800 g", 0.8), ("1lb", 0.45359237),
     ("16oz", 0.45359237), ("1oz", 0.028349523125), ("-2kg", -2.0)],
)  # fmt: skip
def test_a_mass_is_read_in_kilograms(text, kg):
    assert parse_mass_kg(text) == kg


@pytest.mark.parametrize("text", ["", "kg", "1,5kg", "1 t", "1.2.3kg", "nan", "1e3kg", "١kg"])
def test_what_is_no_mass_is_refused_with_the_right_form(text):
    with pytest.raises(ValueError, match=r"write 12\.5kg"):
        parse_mass_kg(text)

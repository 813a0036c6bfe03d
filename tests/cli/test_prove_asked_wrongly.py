"""What `prove` says to a wrong question: one sentence, exit 2, and nothing is proven."""

from __future__ import annotations

import pytest


@pytest.mark.parametrize(
    ("arguments", "answer"),
    [
        (("--cause", "nonsense"), "no cause is called 'nonsense'; linectl prove config/small"),
        (("--cause", "guard_sed"), "nearest valid name: guard_seed"),
        (("--effect", "xyz"), "no effect is called 'xyz'; linectl prove config/small --matrix"),
        (("--list",), "add --field"),
        (("--witness", "B. Example"), "add --field"),
    ],
)
def test_a_wrong_question_is_answered_in_a_sentence(linectl, arguments, answer):
    said = linectl("prove", "config/small", *arguments)
    assert (said.code, said.out) == (2, "")
    assert answer in " ".join(said.err.split())
    assert "None" not in said.err

"""The diagrams in DEVELOPERS.md are the tables that run. LINECTL_UPDATE=1 rewrites them."""

from __future__ import annotations

import os
from pathlib import Path

from linectl.line.diagrams import TABLES, diagrams, updated

DEVELOPERS = Path(__file__).parents[2] / "DEVELOPERS.md"


def test_the_diagrams_in_developers_md_are_current():
    text = DEVELOPERS.read_text(encoding="utf-8")
    wanted = updated(text)
    if os.environ.get("LINECTL_UPDATE") == "1":
        DEVELOPERS.write_text(wanted, encoding="utf-8")
        return
    assert text == wanted, "run LINECTL_UPDATE=1 pytest tests/line/test_diagrams.py"


def test_every_state_but_faulted_is_drawn():
    drawn = diagrams()
    for name, table in TABLES.items():
        for state in set(table.states) - {"faulted"}:
            assert state in drawn, (name, state)

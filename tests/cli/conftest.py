"""Sites as a person breaks them, for the command line to complain of."""

from __future__ import annotations

from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture
def broken_site(tmp_path):
    """A copy of the small site with one timer below zero and one misspelt key."""
    folder = tmp_path / "broken"
    folder.mkdir()
    for file in (ROOT / "config/small").iterdir():
        (folder / file.name).write_bytes(file.read_bytes())
    text = (folder / "site.yaml").read_text()
    text = text.replace("    hopper_l: 200", "    hopper_l: 200\n    hoper_l: 3").replace(
        "takt: 30s", "takt: 0s"
    )
    (folder / "site.yaml").write_text(text)
    return folder

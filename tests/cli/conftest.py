"""The command line as a person types it: arguments in; exit code, output and errors out."""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from linectl.cli import main

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Said:
    """What a command answered."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> dict[str, Any]:
        """The one object on standard output; anything beside it fails."""
        (line,) = self.out.splitlines()
        return json.loads(line)


@pytest.fixture
def linectl(monkeypatch, capsys):
    """Runs one command in this process, from the repository's root."""
    monkeypatch.chdir(ROOT)

    def run(*arguments):
        monkeypatch.setattr(sys, "argv", ["linectl", *map(str, arguments)])
        with pytest.raises(SystemExit) as ended:
            main()
        said = capsys.readouterr()
        return Said(int(ended.value.code or 0), said.out, said.err)

    return run


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

"""Who answers a guided tool: a person at the terminal, or a script that acts on a plant model."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from rich.text import Text

from linectl.cli.screen import say
from linectl.cli.terminal import at_terminal
from linectl.commission.answers import AnswersFile, Scripted
from linectl.commission.person import Person
from linectl.errors import UsageError
from linectl.runtime.plant_talk import PlantTalk


@contextmanager
def someone(script: AnswersFile | None, plant: Path | None, quiet: bool) -> Iterator[Person]:
    """A person at the terminal, or the script in their place; quiet: nobody reads along.

    plant: the endpoints file that a running plant model wrote. Raises UsageError, Unreachable.
    """
    if script is None:
        with at_terminal() as person:
            yield person
        return
    talk = PlantTalk(talk_port(plant)) if plant is not None else None
    try:
        yield Scripted(script, talk, (lambda text: None) if quiet else _aloud)
    finally:
        if talk is not None:
            talk.close()


def talk_port(file: Path) -> int:
    """Where the plant that wrote that endpoints file is talked to. Raises UsageError."""
    try:
        return int(json.loads(file.read_text(encoding="utf-8"))["control"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise UsageError(f"{file}: no endpoints file of a running `linectl plant`") from error


def _aloud(text: str) -> None:
    say(Text(text), soft_wrap=True)

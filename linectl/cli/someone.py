"""Who answers a guided tool: a person at the terminal, or a script that acts on a plant model."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from linectl.cli.screen import say
from linectl.cli.terminal import at_terminal
from linectl.commission.answers import AnswersFile, Scripted, read_answers
from linectl.commission.person import Person
from linectl.errors import UsageError
from linectl.runtime.plant_talk import PlantTalk

Answers = Annotated[
    Path | None, typer.Option("--answers", help="A script answers in your place: FILE.yaml.")
]
PlantFile = Annotated[
    Path | None,
    typer.Option("--plant", help="The script acts on the plant that wrote this endpoints file."),
]


def script_of(answers: Path | None, plant: Path | None) -> AnswersFile | None:
    """The script that was given, if any. Raises UsageError, SiteError."""
    if answers is not None:
        return read_answers(answers)
    if plant is not None:
        raise UsageError("--plant is where a script acts: add --answers FILE.yaml")
    return None


def a_name(person: Person, given: str, what: str, options: str = "--by") -> str:
    """The name that was given, or that they type; `what` they do. Raises UsageError without one."""
    name = given.strip()
    while not name:
        name = person.ask(f"{what} (name, q ends): ").strip()
        if name.lower() == "q":
            raise UsageError(f"it must be said {what}: {options}, or at the question")
    return name


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

"""Who stands at the machine, as the guided tools know them: they read, answer, act in the field."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

Reading = bool | int | float | None
"""A point's value; None: no good reading."""


class Ended(Exception):
    """The person wants to stop; what is recorded stays."""


@dataclass(frozen=True)
class FieldAct:
    """What a person is to do in the field now, while the tool looks on."""

    kind: str
    """operate (make the input show `value`), apply (a reference `value` at an analogue), release
    (let the input go), break (open its wire), mend, hold (the enabling device of zone `tag`),
    let_go (of it), look (at what `tag` moves), put (a vessel under station `tag`), take, weigh,
    vacuum (set the relief valve of station `tag` to `value` kPa), refill (its hopper)."""
    tag: str
    value: Reading = None
    text: str = ""
    """The same in words, large on the screen."""


class Person(Protocol):
    """A person at a terminal, or a script in their place."""

    def say(self, text: str) -> None:
        """Told to them."""

    def about(self, name: str) -> None:
        """The point or station that the next questions and acts are about."""

    def ask(self, question: str) -> str:
        """What they type; `q` when they are gone."""

    def act(self, act: FieldAct) -> None:
        """They are told to act in the field, with the bell. Returns at once: the tool looks on."""

    def enough(self) -> bool:
        """True once if they broke off a watch."""


def answer(person: Person, question: str) -> str:
    """What they type, without spaces around it. Raises Ended for `q`."""
    said = person.ask(question).strip()
    if said.lower() == "q":
        raise Ended
    return said


def yes_or_no(person: Person, question: str) -> bool:
    """True for yes; asks again until it is one of both. Raises Ended for `q`."""
    while True:
        said = answer(person, question).lower()
        if said in ("y", "yes", "n", "no"):
            return said.startswith("y")


def agree_each(person: Person, cautions: Sequence[str], before: str) -> None:
    """Each caution wants a yes of its own before anything is done. Raises Ended without it."""
    person.say(f"Before {before}, and again whenever something of it changes:")
    for caution in cautions:
        person.say(f"- {caution}")
        if answer(person, "  yes, or q to end: ").lower() not in ("y", "yes"):
            raise Ended

"""What a blend went, as a table: for `status`, a rehearsed shift and a recorded one."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rich.text import Text

from linectl.cli.screen import heading, say, table
from linectl.cli.shift_tables import Shown, percent

COLUMNS = "crop|>asked|>gone|>skipped|>made up|>owed|>kg asked|>kg gone|>mass asked|>gone"


def went(told: Mapping[str, Any]) -> Shown:
    """A row per crop of a blend: gutters, kilograms, shares of the mass."""
    rows = [
        [
            row["crop"].replace("_", " "),
            *(str(row[key]) for key in ("asked", "gone", "skipped", "made_up", "owed")),
            f"{row['asked_kg']:.1f}", f"{row['gone_kg']:.1f}",
            *(percent(row[f"{key}_share"]) for key in ("asked_kg", "gone_kg")),
        ]
        for row in told["crops"]
    ]  # fmt: skip
    return Shown(COLUMNS, rows)


def title(told: Mapping[str, Any]) -> str:
    """Its name, who asked for it, how many gutters, what is owed, the oldest debt first."""
    text = f"{told['name']}, asked by {told['by']}: {told['ejected']} gutters ejected"
    if told["beside"]:
        text += f", {told['beside']} more of no crop of it"
    if told["owed"]:
        text += f"; owed: {', '.join(told['owed'])}".replace("_", " ")
    for key, said in (("forgiven", "not made up any more"), ("weighed", "weighed by the scale")):
        counts = (f"{row[key]} {row['crop']}" for row in told["crops"] if row[key])
        if named := ", ".join(counts).replace("_", " "):
            text += f"; {said}: {named}"
    return text


def print_went(told: Mapping[str, Any]) -> None:
    """One blend on standard output."""
    say(Text())
    say(heading("Blend"), Text(title(told)))
    say(table(*went(told)))

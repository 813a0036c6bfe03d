"""`linectl recover SITE`: after a power cut, what the sensors cannot settle is asked plainly."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from linectl.cli import recovering
from linectl.cli.app import AsJson, RunningSite, app
from linectl.cli.screen import say, say_json
from linectl.commission.walk_round import Lane, lane_of, read_corrections
from linectl.errors import UsageError

LEFT = 1
EXAMPLE = """
Examples:

  linectl recover config/small

  linectl recover config/small --answer seed.partial=finish --by anna

  linectl recover config/small --lane 2

  linectl recover config/small --lane 2 --from clipboard.csv --by anna
"""


@app.command(epilog=EXAMPLE)
def recover(
    site: RunningSite,
    answer: Annotated[
        str, typer.Option(metavar="ID=CHOICE", help="Answer one question, without a dialogue.")
    ] = "",
    lane: Annotated[
        int | None,
        typer.Option(metavar="NUMBER", help="Walk round this lane, and correct its slots."),
    ] = None,
    listed: Annotated[
        Path | None,
        typer.Option("--from", metavar="FILE", help="With --lane: a list, SLOT,WHAT a row."),
    ] = None,
    by: Annotated[str, typer.Option(help="The name of the person who answers for it.")] = "",
    as_json: AsJson = False,
) -> None:
    """After a power cut: shows what the sensors settled, and asks what they cannot.

    It asks the running controller, which moves nothing while a question stands. Each answer, and
    each slot corrected on a walk-round, is kept with the name. A slot holds a gutter's number, is
    a hole, or is unknown. Without a terminal, or with --json, it prints one object. Exit 1 while
    a question stands or a correction was refused.
    """
    if answer and lane is not None:
        raise UsageError("--answer and --lane are two things: say one of them")
    if listed is not None and lane is None:
        raise UsageError("--from is a list of one lane's slots: say also --lane")
    if answer:
        _answer(site, answer, by, as_json)
    elif lane is not None:
        _walk_round(site, lane, listed, by, as_json)
    else:
        _dialogue(site, by, as_json)


def _answer(site: Path, text: str, by: str, as_json: bool) -> None:
    question, equals, choice = text.partition("=")
    if not (question and equals and choice):
        raise UsageError(f"--answer {text!r}: say ID=CHOICE, as `linectl recover` shows them")
    if not by.strip():
        raise UsageError("say who answers for it: --by NAME")
    reply = recovering.tell(site, "answer", f"{question} {choice}", by)
    if as_json:
        say_json(reply)
    elif reply["accepted"]:
        say(Text(f"{question}: {choice}: taken"))
    else:
        say(Text(f"{question}: {choice}: refused: {reply['why']}"))
    if not reply["accepted"]:
        raise typer.Exit(LEFT)


def _walk_round(site: Path, number: int, listed: Path | None, by: str, as_json: bool) -> None:
    lane = lane_of(recovering.recovery_of(site), number)
    if listed is not None:
        refused = _from_list(site, lane, listed, by, as_json)
    elif as_json or not recovering.at_terminal():
        rows = [{"run": run, "slots": list(slots)} for run, slots in lane.runs.items()]
        say_json({"lane": lane.number, "runs": rows})
        return
    else:
        refused = recovering.walk(site, lane, by)
    if refused:
        raise typer.Exit(LEFT)


def _from_list(site: Path, lane: Lane, listed: Path, by: str, as_json: bool) -> int:
    wanted = read_corrections(listed, lane)
    if not by.strip():
        raise UsageError("say who walked round: --by NAME. Nothing was sent.")
    if not as_json:
        return recovering.summary(site, lane.number, recovering.send(site, wanted, by))
    replies = [(one, recovering.tell(site, "correct", one.argument, by)) for one in wanted]
    rows = [{"slot": one.slot, "what": one.what, **reply} for one, reply in replies]
    say_json({"lane": lane.number, "corrections": rows})
    return sum(not reply["accepted"] for _, reply in replies)


def _dialogue(site: Path, by: str, as_json: bool) -> None:
    told: recovering.Answer = recovering.recovery_of(site)
    if as_json or not recovering.at_terminal():
        say_json(told)
    else:
        recovering.print_settled(told)
        told = recovering.ask_all(site, told, by)
        if told.get("judged", True):
            say(Text(recovering.ending(site, told)), soft_wrap=True)
    if told["questions"]:
        raise typer.Exit(LEFT)

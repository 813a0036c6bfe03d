"""What `recover` tells and asks at a terminal: what sensors settled, then each question."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import typer
from rich.text import Text

from linectl.cli.screen import complain, heading, say, table
from linectl.commission.walk_round import WHAT, Correction, Lane, correction, folded, lane_of
from linectl.errors import NoController, UsageError
from linectl.runtime.control import ask, running_controller

VERDICTS = {
    "done": "done",
    "not_done": "not done",
    "under_way": "goes on after a start",
    "asked": "asked below",
}
OF_LANES = ("stroke", "transfer")
"""Moves of a lane's own machinery, which no unit owns."""
CAUTION = (
    "CAUTION: what nobody has confirmed may still move or fall. Where a question or a walk-round"
    " sends you into the machine: isolate, lock and try before you reach in; a line that stands is"
    " not locked out. linectl is not a safety function: SAFETY.md."
)
Answer = Mapping[str, Any]


def recovery_of(site: Path) -> dict[str, Any]:
    """What the running controller knows of its recovery. Raises NoController, UsageError."""
    return _answered(site, {"ask": "recovery"})


def tell(site: Path, name: str, argument: str, by: str) -> dict[str, Any]:
    """Give the controller a person's word; what it replied (accepted, why)."""
    request = {"ask": "command", "unit": "", "name": name, "argument": argument, "by": by}
    return _answered(site, request)


def _answered(site: Path, request: dict[str, Any]) -> dict[str, Any]:
    try:
        answer = ask(site, request)
    except NoController as error:
        if running_controller(site) is not None:
            raise
        raise NoController(
            f"no controller of {site} runs for this user on this machine. Recovery needs the"
            f" sensors: start it first, with: linectl run {site}. It moves nothing by itself."
        ) from error
    if "error" in answer:
        raise UsageError(answer["error"])
    return answer


def at_terminal() -> bool:
    """True if somebody can be asked."""
    return sys.stdin.isatty()


def name_of(by: str) -> str:
    """Who answers: as given, or asked once; never empty."""
    while not by.strip():
        by = typer.prompt("Your name (it is kept with each answer)", err=True)
    return by.strip()


# ---- what is settled ----------------------------------------------------------------------


def print_settled(told: Answer) -> None:
    """Every move that was under way when the controller ended, and what became of it."""
    if not told.get("judged", True):
        silent = ", ".join(told.get("waits_for", ())) or "its devices"
        say(Text(f"Nothing is judged yet: the controller waits for {silent}. Ask again then."))
        return
    say(heading("Moves under way at the cut"), Text("" if told["moves"] else "none"))
    if told["moves"]:
        rows = [
            [move["kind"], _gutter(move["gutter"]), f"{move['source']} → {move['dest']}",
             _verdict(move), move["why"]]
            for move in told["moves"]
        ]  # fmt: skip
        say(table("move|>gutter|from → to|verdict|why", rows))
    if told["unverified"]:
        say(
            Text(
                f"{told['unverified']} gutters in the lanes no sensor has seen since power-up: they"
                " count as the record has them. In doubt, walk the lane round: --lane NUMBER."
            )
        )


def _verdict(move: Mapping[str, Any]) -> str:
    """In words. A lane caught in the middle may want its own lane-resume beside a start."""
    if move["verdict"] == "under_way" and move["kind"] in OF_LANES:
        return "goes on after a start, or lane-resume"
    verdict: str = move["verdict"]
    return VERDICTS.get(verdict, verdict)


def _gutter(number: int) -> str:
    return str(number) if number > 0 else "–"


# ---- the questions ------------------------------------------------------------------------


def ask_all(site: Path, told: Answer, by: str) -> Answer:
    """Ask each question until it is answered or left; what the controller says then."""
    left: set[str] = set()
    cautioned = False
    while open_ := [one for one in told["questions"] if one["id"] not in left]:
        if not cautioned:
            say(Text(f"\n{CAUTION}"))
            by = name_of(by)
            cautioned = True
        one = open_[0]
        choice = _choose(one, len(open_))
        if choice is None:
            left.add(one["id"])
            continue
        reply = tell(site, "answer", f"{one['id']} {choice}", by)
        _say_reply(reply, f"{choice}: taken", choice)
        if not reply["accepted"]:
            left.add(one["id"])
        told = recovery_of(site)
    return told


def ending(site: Path, told: Answer) -> str:
    """What a person does next."""
    if left := len(told["questions"]):
        return f"\n{left} still to be answered: both units refuse to start until then."
    lanes = {
        move["source"].partition(".")[0].removeprefix("lane")
        for move in told["moves"]
        if move["verdict"] == "under_way" and move["kind"] in OF_LANES
    }
    said = [
        "\nNo question stands. The units wait for a person's reset and start, with the warning."
    ]
    said += [
        f"Lane {lane} was caught in the middle: see that it is clear, mouth to tail, then: linectl"
        f" command {site} line lane-resume {lane}"
        for lane in sorted(lanes, key=int)
    ]
    return "\n".join(said)


def _choose(one: Answer, count: int) -> str | None:
    """The answer that a person picks; None if it is left for later."""
    say(Text(f"\n{count} question{'s' if count != 1 else ''} left."))
    if one["caution"]:
        say(Text(f"CAUTION: {one['caution']}", style="bold"))
    say(heading(one["text"]), Text(f"({one['place']})"))
    for number, answer in enumerate(one["answers"], 1):
        say(Text(f"  {number}  {answer['choice']}: {answer['text']}"))
    numbers = [str(number) for number in range(1, len(one["answers"]) + 1)]
    while True:
        said = typer.prompt("Number (empty: leave it)", default="", show_default=False, err=True)
        if not said.strip():
            return None
        if said.strip() in numbers:
            return str(one["answers"][int(said) - 1]["choice"])
        complain(f"{said!r} is none of {', '.join(numbers)}")


def _say_reply(reply: Answer, taken: str, what: str) -> None:
    say(Text(taken if reply["accepted"] else f"{what}: refused: {reply['why']}"))


# ---- the walk-round -----------------------------------------------------------------------


def walk(site: Path, lane: Lane, by: str) -> int:
    """Take corrections until an empty line; how many were refused."""
    say(Text(CAUTION))
    print_lane(lane)
    by = name_of(by)
    made: list[tuple[Correction, Answer]] = []
    while True:
        text = typer.prompt(
            "SLOT and what is there (germ.4 hole; empty: done)", default="", show_default=False,
            err=True,
        )  # fmt: skip
        words = text.split()
        if not words:
            break
        try:
            if len(words) != 2:
                raise UsageError(f"say SLOT and what is there: {WHAT}")
            made += send(site, [correction(lane, *words)], by)
        except UsageError as error:
            complain(str(error))
    return summary(site, lane.number, made)


def print_lane(lane: Lane) -> None:
    """The lane's slots as the record has them, mouth to tail."""
    say(heading(f"Lane {lane.number}, mouth to tail"))
    for text in folded(lane):
        say(Text(f"  {text}"))


def send(site: Path, wanted: Sequence[Correction], by: str) -> list[tuple[Correction, Answer]]:
    """Send corrections one after another; each with what the controller replied."""
    made: list[tuple[Correction, Answer]] = []
    for one in wanted:
        reply = tell(site, "correct", one.argument, by)
        _say_reply(reply, f"{one.argument}: taken", one.argument)
        made.append((one, reply))
    return made


def summary(site: Path, number: int, made: Sequence[tuple[Correction, Answer]]) -> int:
    """The lane as it is now in the record, and the count; how many were refused."""
    refused = sum(not reply["accepted"] for _, reply in made)
    if made:
        print_lane(lane_of(recovery_of(site), number))
    say(Text(f"{len(made) - refused} corrected, {refused} refused"))
    return refused

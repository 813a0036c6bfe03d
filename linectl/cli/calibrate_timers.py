"""`linectl calibrate SITE timers`: watches good cycles, proposes time-outs, writes, takes back."""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rich.text import Text

from linectl.cli.moments import wall_clock
from linectl.cli.screen import complain, error_console, say, say_json
from linectl.cli.someone import script_of, someone
from linectl.cli.terminal import at_terminal
from linectl.cli.timers_page import check_can_draw, write_page
from linectl.cli.timers_text import say_timers
from linectl.commission.calibrate.step_source import EventsFile, StepSource, Watch, good_cycles
from linectl.commission.calibrate.timed_steps import timed_parts
from linectl.commission.calibrate.timers import TimersFound, found
from linectl.commission.calibrate.timers_guide import TimersDone, choose, named, take_all, take_back
from linectl.commission.calibrate.timers_record import FILE
from linectl.commission.calibrate.timers_write import Signed
from linectl.commission.controller import RunningController
from linectl.commission.file_edit import KEPT, FileEdit
from linectl.commission.person import Person
from linectl.errors import UsageError
from linectl.site.load import load_site
from linectl.site.model import Site

CYCLES = 59
"""With so many, the longest seen is not passed by 95 % of all, with 95 % confidence (Wilks)."""
LOOK_EVERY_S = 1.0


@dataclass(frozen=True)
class TimersAsked:
    """What the command line says. `by` empty: only shown, nothing written, nothing recorded."""

    cycles: int = CYCLES
    begin: dt.datetime | None = None
    end: dt.datetime | None = None
    events: Path | None = None
    html: Path | None = None
    by: str = ""
    answers: Path | None = None
    yes: bool = False
    undo: bool = False
    as_json: bool = False


def calibrate_timers(folder: Path, asked: TimersAsked) -> None:
    """Do it. Raises UsageError, SiteError, NoController, Unreachable, LinectlError."""
    if asked.undo:
        _undo(folder, asked)
        return
    if asked.html is not None:
        check_can_draw(asked.html)
    if asked.yes or asked.answers is not None:
        named(_by(asked))
    site = load_site(folder)
    timers = _found(site, folder, asked)
    for finding in timers.unreadable:
        complain(str(finding))
    if not asked.as_json:
        say_timers(timers.as_json())
    if asked.html is not None:
        write_page(asked.html, timers.as_json())
    done = _decide(timers, asked)
    if asked.as_json:
        say_json({**timers.as_json(), **_ended(done)})
    elif done is None:
        say(Text("nothing is written or recorded: add --by NAME to choose and to keep the record"))
    else:
        _say_done(done, folder)


def _decide(timers: TimersFound, asked: TimersAsked) -> TimersDone | None:
    """None: nobody is named, so it was only shown."""
    if not _by(asked) or (asked.as_json and not asked.yes and asked.answers is None):
        return None
    who = _signed(asked, "good cycles")
    if asked.yes:
        return take_all(timers, who)
    show = _nothing if asked.as_json else _show_diff
    with _person(asked) as person:
        return choose(person, timers, who, show)


def _found(site: Site, folder: Path, asked: TimersAsked) -> TimersFound:
    parts = timed_parts(site)
    if asked.events is not None:
        if asked.begin or asked.end:
            raise UsageError("--from and --to are times of day; a file of events has none")
        source: StepSource = EventsFile(asked.events, site.digest)
        return found(site, good_cycles(site, parts, source, _unwatched(asked.cycles)))
    controller = RunningController(folder)
    now_ms = int(controller.steps(1 << 60)["now_ms"])
    span = (_at(asked.begin, now_ms), _at(asked.end, now_ms))
    with at_terminal() as person, _progress(asked.cycles) as tell:
        watch = Watch(asked.cycles, person.enough, lambda: time.sleep(LOOK_EVERY_S), tell)
        return found(site, good_cycles(site, parts, controller, watch, span))


def _unwatched(cycles: int) -> Watch:
    return Watch(cycles, lambda: True, lambda: None)


def _at(moment: dt.datetime | None, now_ms: int) -> int | None:
    """A time of day on the controller's clock, ms."""
    if moment is None:
        return None
    ago = wall_clock() - moment.astimezone()
    return now_ms - round(ago.total_seconds() * 1000)


def _progress(cycles: int) -> AbstractContextManager[Callable[[str, int], None]]:
    console = error_console()
    if not console.is_terminal:
        return nullcontext(lambda part, good: None)
    status = console.status("good cycles …")

    class _Telling(AbstractContextManager[Callable[[str, int], None]]):
        def __enter__(self) -> Callable[[str, int], None]:
            status.start()
            return lambda part, good: status.update(
                f"good cycles: {good} of {cycles} at {part}, the part with the fewest;"
                " Ctrl-C: with what there is"
            )

        def __exit__(self, *ended: object) -> None:
            status.stop()

    return _Telling()


def _undo(folder: Path, asked: TimersAsked) -> None:
    who = _signed(asked, "taken back")
    show = _nothing if asked.as_json else _show_diff
    if asked.yes:
        done = take_back(None, folder, who, show)
    else:
        with _person(asked) as person:
            done = take_back(person, folder, who, show)
    if asked.as_json:
        say_json({"site": load_site(folder).name, **_ended(done)})
    else:
        say(Text("put back" if done.written else "nothing is changed"))


def _by(asked: TimersAsked) -> str:
    script = script_of(asked.answers, None)
    return asked.by or (script.by if script else "")


def _signed(asked: TimersAsked, why: str) -> Signed:
    now = wall_clock().isoformat(timespec="seconds")
    return Signed(named(_by(asked)), now, why)


def _person(asked: TimersAsked) -> AbstractContextManager[Person]:
    return someone(script_of(asked.answers, None), None, quiet=asked.as_json)


def _show_diff(edit: FileEdit) -> None:
    say(Text(edit.diff), soft_wrap=True)


def _nothing(edit: FileEdit) -> None:
    """With --json the diff is in the object."""


def _ended(done: TimersDone | None) -> dict[str, Any]:
    """written, diff (of what was written or taken back; empty if nothing) and kept (the file as it
    was before, or null)."""
    written = done is not None and done.written
    return {
        "written": written,
        "diff": done.edit.diff if done is not None else "",
        "kept": f"{done.edit.path}{KEPT}" if done is not None and written else None,
    }


def _say_done(done: TimersDone, folder: Path) -> None:
    if done.written:
        say(Text(f"written; as it was before: {done.edit.path}{KEPT}"), soft_wrap=True)
        say(Text("It holds from the controller's next start. Nobody near the machine at the first"
                 " run; back with --undo."), soft_wrap=True)  # fmt: skip
    else:
        say(Text("the file is as it was"))
    say(Text(f"the record is {folder / FILE}"), soft_wrap=True)

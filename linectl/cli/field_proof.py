"""`prove --field`: the guide at a terminal for tests on the machine, and what is due."""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Sequence
from pathlib import Path

from rich.text import Text

from linectl.cli.moments import wall_clock
from linectl.cli.screen import complain, heading, say, say_json, table
from linectl.cli.someone import a_name
from linectl.cli.terminal import at_terminal
from linectl.commission.controller import RunningController
from linectl.commission.field_proof import Terms, counted, guide, rows_to_test
from linectl.commission.field_record import DAY_MS, FILE, FieldStanding, field_standing
from linectl.errors import UsageError
from linectl.site.model import Site

BOTH = "--by and --witness"
LOOK_EVERY_S = 0.1
"""The controller says in which scan things moved, so that it need not be asked in every one."""
EVERY_MS = 365 * DAY_MS
"""Until the next test, if neither the site nor the caller says: common practice, no source. The
risk assessment of the machine says what is right."""


def field_proof(
    folder: Path,
    site: Site,
    *,
    causes: Sequence[str] = (),
    by: str = "",
    witness: str = "",
    every_ms: int = EVERY_MS,
) -> bool:
    """Guide a person through the causes named, or else those outstanding and soon due.

    folder: as given for the running controller. True if no test failed. Raises UsageError for an
    unknown cause or a witness who tests, NoController, LinectlError, Unreachable.
    """
    if every_ms < DAY_MS:
        raise UsageError("the interval must be a day at least, such as 365d")
    standing = field_standing(site, dt.date.today())
    due = (*standing.outstanding, *standing.of("due soon"))
    rows = rows_to_test(site, causes, [one.cause for one in due])
    controller = RunningController(folder)
    controller.look(-1)  # before anybody is asked for anything: is there one?
    _warn_unreadable(standing)
    if not rows:
        say(Text("no cause is outstanding or soon due; name one with --cause to test it anyway"))
        return True
    say(heading(f"{site.name}: field test, causes to go: {len(rows)}"))
    say(Text("It watches and records. It commands nothing, and validates no safety function."))
    with at_terminal() as person:
        tested_by = a_name(person, by, "who trips the devices", BOTH)
        seen_by = a_name(person, witness, "who witnesses it", BOTH)
        if tested_by.casefold() == seen_by.casefold():
            raise UsageError("the witness must be another person than the tester")
        terms = Terms(tested_by, seen_by, every_ms, wall_clock, lambda: time.sleep(LOOK_EVERY_S))
        counts = guide(site, rows, controller, person, terms)
    say(Text(f"{counted(counts)}; the record is {Path(site.folder) / FILE}"), soft_wrap=True)
    return counts["fail"] == 0


def list_field_tests(site: Site, *, as_json: bool = False) -> None:
    """Print every cause with the state of its field test, what is outstanding first."""
    standing = field_standing(site, dt.date.today())
    if as_json:
        say_json(
            {
                "site": site.name,
                "outstanding": len(standing.outstanding),
                "causes": [one.as_json() for one in standing.causes],
                "unreadable": [str(finding) for finding in standing.unreadable],
            }
        )
        return
    _warn_unreadable(standing)
    rest = standing.of("due soon", "valid")
    rows = [
        (
            one.state if one.state == "valid" else one.state.upper(),
            one.cause,
            one.due,
            one.last and one.last.at[:10],
            one.last and f"{one.last.tested_by}, {one.last.witness}",
            one.text,
        )
        for one in (*standing.outstanding, *rest)
    ]
    say(table("state|cause|due|tested|by, witness|what", rows))
    say(Text(f"field test outstanding: {len(standing.outstanding)} of {len(rows)} causes"))


def _warn_unreadable(standing: FieldStanding) -> None:
    for finding in standing.unreadable:
        complain(str(finding))

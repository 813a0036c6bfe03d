"""What the harness asks of a line that comes back: how it begins, what it judged, what it asks."""

from __future__ import annotations

from typing import Any

from linectl.ledger import Ledger
from linectl.line import Line
from linectl.runtime.starting import begin_line
from linectl.site.model import Site


def line_from(site: Site, ledger: Ledger) -> Line:
    """The line as `linectl run` begins it from its ledger."""
    return begin_line(site, ledger)


def drop(ledger: Ledger) -> None:
    """The process is gone: nothing is written any more, not even that it ended."""
    ledger._connection.close()
    if ledger._owner is not None:
        ledger._owner.close()


def judged(line: Line) -> bool:
    """Every move that was under way has been looked at."""
    return line.recovery.judged


def view(line: Line) -> dict[str, Any]:
    """The object of ask "recovery"."""
    return line.recovery_view()

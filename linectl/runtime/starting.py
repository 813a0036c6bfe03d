"""A line that begins where the record left it: for the running controller and for trials alike."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from linectl.ledger import Ledger
from linectl.line import Line
from linectl.site.model import Site


def begin_line(site: Site, book: Ledger, release: Mapping[str, str] | None = None) -> Line:
    """The site's line, with all that its record says of before; before the first `record`.

    release: mode → why it may not be chosen yet; None: both may.
    Nothing of it is judged yet: the line does that once every device has answered, and tells
    what it found as words of this boot (`Line.recovery`). Raises LedgerBroken if the record
    names a place that the site does not have.
    """
    finding = book.clock_finding
    asked = finding.text if finding is not None and finding.asks else ""
    line = Line(site, replace(book.start(), clock=asked, release=release or {}))
    line.interventions.left(book.left_by_people(), book.exposure())
    line.lots.told(book.lots_in_use())
    return line

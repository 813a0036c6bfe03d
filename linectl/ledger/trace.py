"""What a name stands for in a ledger, traced: lots of that name, and the gutter of that number."""

from __future__ import annotations

import sqlite3
from typing import NamedTuple

from linectl.errors import LedgerUnreachable, UsageError
from linectl.ledger import lots
from linectl.ledger.gutter_path import GutterPath, gutter_path
from linectl.ledger.looking import looking
from linectl.ledger.lot_trace import LotTrace, lot_trace
from linectl.site.complaints import nearest


class Traced(NamedTuple):
    """All that a name stands for: lots of that name, and the gutter of that number."""

    lots: list[LotTrace]
    gutter: GutterPath | None


def trace(path: str, name: str, site: str | None = None) -> Traced:
    """Where a lot, or the gutter of that number, went and came from.

    A controller may be writing meanwhile. site: the site that the ledger must belong to. Raises
    LedgerUnreachable, and UsageError where the ledger has nothing of that name.
    """
    with looking(path) as connection:
        _refuse_other_site(path, connection, site)
        found = [lot_trace(connection, lot) for lot in lots.find(connection, name)]
        gutter = gutter_path(connection, int(name)) if _is_number(name) else None
        if not found and gutter is None:
            near = nearest(name, lots.names(connection))
            raise UsageError(
                f"ledger {path}: no lot and no gutter of the name {name!r}"
                + (f"; {near}" if near else "")
            )
    return Traced(found, gutter)


def unused_packing_lot(path: str, name: str) -> str | None:
    """What to ask whoever weighs a packing lot to which no gutter went; None if some did.

    Raises LedgerUnreachable.
    """
    with looking(path) as connection:
        if lots.gutters_in_packing_lot(connection, name):
            return None
        others = [known for known in lots.names(connection, ["packing"]) if known != name]
        near = nearest(name, others)
    return f"no gutter was handed over to packing lot {name} so far" + (f"; {near}" if near else "")


def site_of(path: str) -> str:
    """The site that a ledger belongs to. Raises LedgerUnreachable."""
    with looking(path) as connection:
        known = connection.execute("SELECT value FROM meta WHERE key = 'site'").fetchone()
    return str(known[0]) if known else ""


def _is_number(text: str) -> bool:
    return text.isascii() and text.isdigit() and len(text) < 19


def _refuse_other_site(path: str, connection: sqlite3.Connection, site: str | None) -> None:
    known = connection.execute("SELECT value FROM meta WHERE key = 'site'").fetchone()
    if site is not None and known is not None and known[0] != site:
        raise LedgerUnreachable(f"ledger {path}: it belongs to site {known[0]}, not to {site}")

"""A run's frames on disk: all of them on request, a bus's last ones when there is trouble."""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

from linectl import __version__
from linectl.field.trace_lines import header_of
from linectl.field.tracing import Ring, Tracer
from linectl.site.model import Site


class Recording(NamedTuple):
    """What a field is given; either may be None."""

    tracer: Tracer | None
    ring: Ring | None


@contextmanager
def recording(
    site: Site,
    trace: Path | None,
    troubles: Path | None,
    on_remark: Callable[[str], None] = lambda text: None,
) -> Iterator[Recording]:
    """Files for the frames while a field runs, closed afterwards; what is missing is remarked.

    trace: the file of --trace. troubles: the folder for dumps. Raises Unreachable if the trace
    cannot be written.
    """
    header = header_of(site, __version__, dt.datetime.now().astimezone(), time.monotonic())
    tracer = Tracer(trace, header) if trace is not None else None
    ring = Ring(troubles, header) if troubles is not None else None
    try:
        yield Recording(tracer, ring)
    finally:
        if ring is not None:
            ring.close()
            if ring.fault:
                on_remark(ring.fault)
        if tracer is not None:
            written = tracer.close()
            if written.fault:
                on_remark(written.fault)
            for bus, count in written.dropped.items():
                on_remark(f"{trace}: {count} frames of bus {bus} are missing")


def troubles_beside(ledger: str) -> Path | None:
    """The folder of a ledger's dumps; None for a ledger in memory."""
    if ledger == ":memory:":
        return None
    path = Path(ledger)
    return path.with_name(f"{path.stem}-frames")

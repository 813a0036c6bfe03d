"""Frames kept while a line runs: a whole trace if asked for, and the last ones after trouble."""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.metadata import version
from pathlib import Path
from typing import NamedTuple

from linectl.errors import Unreachable
from linectl.field.trace_lines import header_of
from linectl.field.tracing import Ring, Tracer
from linectl.site.model import Site


class Recording(NamedTuple):
    """What the field hands its frames to; None: it does not."""

    tracer: Tracer | None
    ring: Ring | None


def dumps_beside(ledger: str | Path) -> Path:
    """The folder for frames after trouble that belongs to a ledger's file."""
    path = Path(ledger)
    return path.with_name(f"{path.stem}-frames")


@contextmanager
def recording(site: Site, trace: Path | None, dumps: Path | None) -> Iterator[Recording]:
    """trace: file for every frame. dumps: folder for the last frames of a bus after trouble.

    Raises Unreachable if the trace cannot be begun, or could not be written to its end.
    """
    header = header_of(site, version("linectl"), dt.datetime.now().astimezone(), time.monotonic())
    tracer = None if trace is None else Tracer(trace, header)
    ring = None if dumps is None else Ring(dumps, header)
    try:
        yield Recording(tracer, ring)
    finally:
        if ring is not None:
            ring.close()
        written = None if tracer is None else tracer.close()
    if written is not None and written.fault is not None:
        raise Unreachable(f"the trace is not whole: {written.fault}")

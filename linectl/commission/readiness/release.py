"""Looks at the list for a running controller: which modes are released, who overrides what."""

from __future__ import annotations

import datetime as dt
import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from linectl.commission.readiness.kernel_clock import clock_is_kept
from linectl.commission.readiness.listing import KeptItems
from linectl.errors import LinectlError
from linectl.runtime.release import Released, nothing_released

_FILES = (".yaml", ".csv", ".jsonl")
"""What a site's folder has that the list looks at; the ledger is none of it."""

Now = Callable[[], dt.datetime]


def _now() -> dt.datetime:
    return dt.datetime.now().astimezone()


class ReleaseLook:
    """One site's. Called every few seconds: files are read anew only when one of them, the day or
    an override has changed; a failure to read them releases nothing."""

    def __init__(
        self,
        folder: Path,
        now: Now = _now,
        clock_kept: Callable[[], bool | None] = clock_is_kept,
    ) -> None:
        self._folder = folder
        self._now = now
        self._clock_kept = clock_kept
        self._mark: object = None
        self._kept: KeptItems | None = None
        self._unread = ""

    def __call__(self, status: Mapping[str, Any] | None) -> Released:
        """What is released now. status: the controller's own; None before it runs."""
        now = self._now()
        kept = self._look(now)
        if kept is None:
            return nothing_released(f"the list of commissioning cannot be read: {self._unread}")
        listed = kept.whole(status, now)
        return Released(listed.barred(before_start=status is None), listed.overrides())

    def _look(self, now: dt.datetime) -> KeptItems | None:
        """The items as files and records have them now; None if they cannot be read."""
        clock_kept = self._clock_kept()
        try:
            mark = (self._files(), now.date(), clock_kept)
            until = self._kept.good_until if self._kept is not None else None
            if mark != self._mark or (until is not None and until <= now):
                self._mark, self._kept = mark, None
                self._kept = KeptItems(self._folder, now, clock_kept)
        except (LinectlError, OSError, ValueError) as error:
            self._kept, self._unread = None, str(error).split("\n", 1)[0]
        return self._kept

    def _files(self) -> tuple[tuple[str, int, int], ...]:
        found = []
        for entry in os.scandir(self._folder):
            if entry.name.endswith(_FILES):
                facts = entry.stat()
                found.append((entry.name, facts.st_mtime_ns, facts.st_size))
        return tuple(sorted(found))

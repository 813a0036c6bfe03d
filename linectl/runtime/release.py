"""Which modes the line may be set to: looked at every few seconds, off the scan's thread.

What the look rests on is the caller's matter (`linectl run` gives the list of commissioning). The
scan takes what was published by one assignment and waits for nothing. What nobody knows is not
released.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self

from linectl.errors import LinectlError
from linectl.runtime.control import ask

LOOK_EVERY_S = 2.0
"""So long after somebody signed the last item production may still be refused."""
MODES = ("dry_cycle", "production")
"""Modes that wait for a release."""


@dataclass(frozen=True)
class Released:
    """What one look found."""

    refused: Mapping[str, str] = field(default_factory=dict)
    """Mode → why it may not be chosen yet; empty: both may be."""
    overrides: tuple[str, ...] = ()
    """Who overrides what until when, a sentence each: shown wherever the line is."""
    note: str = ""
    """What else everybody is to see: `rehearsal on the plant model`."""

    def as_json(self) -> dict[str, Any]:
        """`commissioning` of `status --json`: released, overrides, note."""
        return {
            "released": not self.refused, "overrides": list(self.overrides), "note": self.note,
        }  # fmt: skip


Look = Callable[[Mapping[str, Any] | None], Released]
"""Given the controller's status, or None before it runs."""


def nothing_released(why: str) -> Released:
    """Neither mode, for that reason."""
    return Released(dict.fromkeys(MODES, why))


class ReleaseWatch:
    """Looks once at the start; entered, again and again on a thread of its own."""

    def __init__(self, look: Look, site_folder: Path, every_s: float = LOOK_EVERY_S) -> None:
        self._look = look
        self._folder = site_folder
        self._every_s = every_s
        self._ended = threading.Event()
        self._thread: threading.Thread | None = None
        self.found = look(None)
        """What the last look found. One assignment replaces it."""
        self._taken = self.found

    def __enter__(self) -> Self:
        """Begin to look: from here on the controller answers questions."""
        self._thread = threading.Thread(target=self._run, name="release", daemon=True)
        self._thread.start()
        return self

    def __exit__(self, *unused: object) -> None:
        self._ended.set()
        if self._thread is not None:
            self._thread.join(self._every_s)

    def take(self) -> Mapping[str, str] | None:
        """The mapping mode → why not, if it is another one than was last taken. For the scan."""
        found = self.found
        if found.refused == self._taken.refused:
            return None
        self._taken = found
        return found.refused

    def _run(self) -> None:
        try:
            while not self._ended.wait(self._every_s):
                self.found = self._found()
        finally:  # a look that fails in a way nobody foresaw must not leave its last word standing
            if not self._ended.is_set():
                self.found = nothing_released("the look at the release has failed: start again")

    def _found(self) -> Released:
        try:
            return self._look(ask(self._folder, {"ask": "status"}))
        except LinectlError as error:
            return nothing_released(f"the controller does not answer its own question ({error})")

"""The running controller, as tools that watch and commission a line know it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple, Protocol

from linectl.commission.person import Reading
from linectl.errors import LinectlError
from linectl.runtime.control import ask


class Change(NamedTuple):
    """One point moved. `at_ms`: the scan that saw it, on the controller's clock."""

    number: int
    at_ms: int
    tag: str
    value: Reading


@dataclass(frozen=True)
class Look:
    """One answer of the controller: all points now, and what changed since the last look."""

    site_digest: str
    now_ms: int
    scan_ms: int
    number: int
    lost: bool
    points: Mapping[str, Reading]
    changes: tuple[Change, ...]


@dataclass(frozen=True)
class Standing:
    """What the line says of itself: units by name, causes that stand, what people have set."""

    units: Mapping[str, str]
    modes: Mapping[str, str]
    causes: frozenset[str]
    bypassed: frozenset[str] = frozenset()
    """Causes kept from acting now."""
    forced: frozenset[str] = frozenset()
    """Points whose value a person has set."""


class Watched(Protocol):
    """A controller that is only looked at. Both may raise NoController."""

    def look(self, since: int) -> Look:
        """Points now; changes after number `since`, none for -1."""

    def standing(self) -> Standing: ...


class Commanded(Watched, Protocol):
    """A controller that is commanded too. All may raise NoController."""

    def status(self) -> Mapping[str, Any]:
        """The object of `status --json`."""

    def command(self, name: str, argument: str = "", by: str = "", unit: str = "") -> str | None:
        """None when it was taken, else why not."""


class RunningController:
    """The controller that runs on this machine for a site's folder."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def look(self, since: int) -> Look:
        answer = self._ask({"ask": "points", "since": since})
        changes = tuple(Change(*one) for one in answer.pop("changes"))
        return Look(changes=changes, **answer)

    def standing(self) -> Standing:
        answer = self.status()
        return Standing(
            {name: unit["state"] for name, unit in answer["units"].items()},
            {name: unit["mode"] for name, unit in answer["units"].items()},
            frozenset(alarm["tag"] for alarm in answer["alarm_list"]),
            # A bypass that ended and waits for its trial has no time left: a test is the trial.
            frozenset(b["cause"] for b in answer["bypass_list"] if b["left_s"] is not None),
            frozenset(force["name"] for force in answer["force_list"]),
        )

    def status(self) -> Mapping[str, Any]:
        return self._ask({"ask": "status"})

    def steps(self, since: int) -> Mapping[str, Any]:
        """The reply to the ask `steps`: states of parts and units, and alarms between."""
        return self._ask({"ask": "steps", "since": since})

    def command(self, name: str, argument: str = "", by: str = "", unit: str = "") -> str | None:
        request = {"ask": "command", "unit": unit, "name": name, "argument": argument, "by": by}
        answer = self._ask(request)
        return None if answer["accepted"] else str(answer["why"])

    def _ask(self, request: dict[str, Any]) -> dict[str, Any]:
        answer = ask(self._folder, request)
        if "error" in answer:
            raise LinectlError(
                f"the running controller does not know what is asked of it"
                f" ({answer['error']}); it is of another version: start it again with this one"
            )
        return answer

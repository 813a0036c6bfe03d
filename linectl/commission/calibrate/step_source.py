"""Where the changes of state come from that steps are measured by: a controller, or a file."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from linectl.commission.calibrate.step_cycles import StepCycles
from linectl.commission.calibrate.timed_steps import TimedPart
from linectl.errors import UsageError
from linectl.site.model import Site


class StepSource(Protocol):
    """`RunningController` is one, `EventsFile` another."""

    def steps(self, since: int) -> Mapping[str, Any]:
        """The reply to the ask `steps` of a controller. May raise NoController."""


@dataclass(frozen=True)
class Watch:
    """How long to look on. `enough`: true once the person broke it off; `pause`: between two looks;
    `tell`: of how many good cycles the part with the fewest has had so far."""

    cycles: int
    enough: Callable[[], bool]
    pause: Callable[[], None]
    tell: Callable[[str, int], None] = lambda part, good: None


class EventsFile:
    """Events that `rehearse --events` has written, JSON Lines. Raises UsageError."""

    def __init__(self, path: Path, digest: str) -> None:
        self._digest = digest
        self._rows: list[list[Any]] = []
        try:
            lines = path.read_text(encoding="utf-8").splitlines()
        except (OSError, UnicodeDecodeError) as error:
            raise UsageError(f"{path}: cannot be read ({error})") from None
        for number, line in enumerate(lines, 1):
            try:
                told = json.loads(line)
                if "move" not in told:
                    self._rows.append(
                        [told[key] for key in ("at", "kind", "source", "text", "data")]
                    )
            except (ValueError, KeyError, TypeError):
                hint = "write the file with: linectl rehearse SITE --events FILE"
                raise UsageError(f"{path}:{number}: is no event; {hint}") from None

    def steps(self, since: int) -> Mapping[str, Any]:
        """Everything at once; nothing more comes."""
        rows = self._rows if since < 0 else []
        now_ms = int(self._rows[-1][0]) if self._rows else 0
        return {
            "site_digest": self._digest, "now_ms": now_ms, "number": len(self._rows),
            "more": False, "lost": False, "ended": True, "steps": rows,
        }  # fmt: skip


def good_cycles(
    site: Site,
    parts: Mapping[str, TimedPart],
    source: StepSource,
    watch: Watch,
    span: tuple[int | None, int | None] = (None, None),
) -> StepCycles:
    """What the controller has kept, and what comes until every station has had that many cycles.

    span: from and to on the controller's clock, ms; with an end in it nothing is waited for. Lanes
    get what comes meanwhile: a gutter goes through one of them. Raises UsageError if the controller
    runs on other files than these, or has dropped what came between two looks.
    """
    cycles = StepCycles(parts, *span)
    stations = [name for name, part in parts.items() if len(part.units) == 1]
    since = -1
    while True:
        answer = source.steps(since)
        if answer["site_digest"] != site.digest:
            raise UsageError(
                "the controller runs with other site files than these: start it again, or let it"
                " run on; a time-out that it does not have is not calibrated"
            )
        if answer["lost"]:
            raise UsageError("changes of state were dropped between two looks: begin anew")
        cycles.take(answer["steps"])
        since = int(answer["number"])
        if answer["more"]:
            continue
        fewest = min(stations, key=lambda name: cycles.good[name])
        watch.tell(fewest, cycles.good[fewest])
        done = cycles.good[fewest] >= watch.cycles or span[1] is not None
        if done or answer.get("ended") or watch.enough():
            return cycles
        watch.pause()

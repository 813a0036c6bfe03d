"""A line tuned under the live controller: every answer names the site that it runs with now."""

from __future__ import annotations

from pathlib import Path

import pytest

from linectl.image import Command, Frame
from linectl.line import Line
from linectl.runtime.live import Live
from linectl.site.load import load_site
from linectl.site.tunable import tuned

SITE = load_site(Path(__file__).parents[2] / "config" / "small")
PRESS = "stations.tamp.press_timeout"


class Asked:
    """Asks the same in every scan; keeps the last answers."""

    def __init__(self) -> None:
        self.told = {}

    def poll(self):
        asks = ({"ask": ask} for ask in ("status", "points", "steps"))
        return [(ask, lambda answer, a=ask["ask"]: self.told.update({a: answer})) for ask in asks]


class Kept:
    """A ledger's writer that keeps what it is given."""

    def __init__(self) -> None:
        self.events = []

    def put(self, moves, events) -> None:
        self.events += events

    def durable(self) -> int:
        return 0

    def fault(self) -> None:
        return None


class Scans:
    def __init__(self, scans: int) -> None:
        self.left = scans

    def is_set(self) -> bool:
        self.left -= 1
        return self.left < 0


@pytest.fixture
def control():
    return Asked()


def _in_the_room() -> Line:
    """A line whose selectors leave control with the room."""
    line, frame = Line(SITE), Frame()
    for point in SITE.points:
        if point.direction == "in":
            frame.quality.append((point.index, True))
            if point.tag.endswith("remote_selected"):
                frame.values.append((point.index, not point.invert))
    line.scan(frame, 0)
    line.take_events()
    return line


def test_status_points_and_steps_name_the_site_as_it_is_tuned(no_field, control):
    kept = Kept()
    live = Live(SITE, _in_the_room(), no_field, kept, lambda: live.scans * 10, control)
    live.run(Scans(2))
    assert {one["site_digest"] for one in control.told.values()} == {SITE.digest}
    live.command(Command("", "tune", f"{PRESS} 6s", "anna"))
    live.run(Scans(2))
    after = tuned(SITE, SITE, PRESS, "6s").digest
    assert {ask: one["site_digest"] for ask, one in control.told.items()} == dict.fromkeys(
        ("status", "points", "steps"), after
    )
    (event,) = [event for event in kept.events if event.kind == "tune"]
    assert event.data == {"by": "anna", "path": PRESS, "old": "5s", "new": "6s"}

"""The small site, loaded once, and a line fed by hand."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType

import pytest

from linectl.image import Command, Frame, Start
from linectl.line import Line
from linectl.site.interlocks import Bypass
from linectl.site.load import load_site

CONFIG = Path(__file__).parents[2] / "config"


@pytest.fixture(scope="session")
def small():
    return load_site(CONFIG / "small")


def _allowing(site, *causes: str):
    """The site as if its file allowed these causes to be bypassed for 2h."""
    listed = site.interlocks.causes
    bypass = Bypass.model_validate({"limit": "2h"})
    allowed = {name: listed[name].model_copy(update={"bypass": bypass}) for name in causes}
    interlocks = site.interlocks.model_copy(update={"causes": {**listed, **allowed}})
    return site.model_copy(update={"interlocks": interlocks})


@pytest.fixture(scope="session")
def allowing():
    return _allowing


class Hand:
    """Feeds a line by tag: what a technician with a box of switches would do."""

    def __init__(self, site, start: Start = Start()) -> None:  # noqa: B008 (frozen)
        self.site = site
        self.line = Line(site, start)
        self.now = 0
        self.disk = False
        """True: every word is on disk by the next scan."""
        self.levels: dict[int, object] = {}

    def healthy(
        self, otherwise: Mapping[str, object] = MappingProxyType({}), silent: str = ""
    ) -> None:
        """Every device good, every input at its healthy rest, but for those given by tag."""
        frame = Frame()
        for point in self.site.points:
            if point.direction == "in":
                frame.quality.append((point.index, point.device != silent))
                level = _rest(point)
                if point.tag in otherwise:
                    value = otherwise[point.tag]
                    level = (bool(value) is not point.invert) if point.is_bool else value
                self.levels[point.index] = level
                frame.values.append((point.index, level))
        self.scan(frame)

    def scan(self, frame: Frame | None = None, ms: int = 10) -> None:
        self.now += ms
        frame = frame or Frame()
        if self.disk:
            frame.durable = self.line.words
        self.line.scan(frame, self.now)

    def settle(self, ms: int = 200) -> None:
        for _ in range(ms // 10):
            self.scan()

    def set(self, tag: str, value: object) -> None:
        index = self.site.index(tag)
        point = self.site.points[index]
        raw = (bool(value) is not point.invert) if point.is_bool else value
        self.scan(Frame(values=[(index, raw)]))

    def quality(self, device: str, good: bool) -> None:
        indices = [p.index for p in self.site.points if p.device == device and p.direction == "in"]
        self.scan(Frame(quality=[(index, good) for index in indices]))

    def command(self, unit: str, name: str, argument: str = "", by: str = "a test") -> None:
        self.scan(Frame(commands=[Command(unit, name, argument, by)]))

    def obey(self, name: str, argument: str, by: str = "anna") -> str | None:
        """A command of the whole line in a scan of its own: None, or why it was refused."""
        self.line.take_events()
        self.scan(Frame(commands=[Command("", name, argument, by)]))
        (told,) = [event for event in self.line.take_events() if event.kind == "command"]
        return told.data["why"]

    def on(self, tag: str) -> bool:
        return bool(self.line.outputs[self.site.index(tag)])

    def outputs_on(self) -> set[str]:
        return {
            p.tag
            for p in self.site.points
            if p.direction == "out" and p.is_bool and self.line.outputs[p.index]
        }

    def judge(self) -> None:
        """Scan on until what was under way at the last power cut has been judged."""
        for _ in range(400):
            if self.line.recovery.judged:
                return
            self.scan(ms=50)
        raise AssertionError("not judged after 20 s")

    def start(self) -> None:
        """Reset, start, and let the warning prove itself."""
        for unit in ("sowing", "harvest"):
            self.command(unit, "reset")
            self.settle(50)
            self.command(unit, "start")
        self.settle(50)
        for zone in ("sowing", "harvest"):
            self.set(f"{zone}.horn_on", True)
            self.set(f"{zone}.beacon_on", True)
        self.settle(3_100)
        for zone in ("sowing", "harvest"):
            self.set(f"{zone}.horn_on", False)
            self.set(f"{zone}.beacon_on", False)
        self.settle(50)


_LIT = (
    "_ok", "_clear", "_on", ".closed", ".remote", ".remote_selected", ".gate_home", ".not_low",
    ".not_empty", ".single", ".press_up", ".at_0", ".gripper_home", ".home", ".at_down", ".flag",
)  # fmt: skip


def _rest(point) -> object:
    if not point.is_bool:
        return {"fill.hopper_level": 150, "seed.seed_level": 40, "infeed.position": 1500,
                "outfeed.position": 1500}.get(point.tag, 0)  # fmt: skip
    level = point.tag.endswith(_LIT) and not point.tag.endswith(("horn_on", "beacon_on"))
    if point.tag == "turnout.at_0":
        level = False
    if point.tag == "turnout.at_90":
        level = True
    return level is not point.invert


@pytest.fixture
def hand(small):
    hand = Hand(small)
    hand.healthy()
    return hand


@pytest.fixture(scope="session")
def hand_of(small):
    """Makes a hand on the small site whose line begins with this record; nothing has answered."""
    return lambda start: Hand(small, start)


@pytest.fixture
def come_back(small):
    """Makes a hand on the small site that has come back: from this record, to these inputs."""

    def make(start: Start, **inputs: object):
        hand = Hand(small, start)
        hand.disk = True
        hand.healthy({tag.replace("__", "."): value for tag, value in inputs.items()})
        hand.judge()
        return hand

    return make


@pytest.fixture
def hand_at_work():
    """Makes a hand on that site, every input healthy and both units in Execute."""

    def make(site):
        hand = Hand(site)
        hand.healthy()
        hand.start()
        assert {unit.state for unit in hand.line.units} == {"Execute"}
        return hand

    return make

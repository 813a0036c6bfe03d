"""Whoever asks a live controller why is told how old each reading is."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

from linectl.image import Frame
from linectl.line import Line
from linectl.runtime.live import Live
from linectl.site.load import load_site

SMALL = load_site(Path(__file__).parents[2] / "config" / "small")


def test_each_point_of_an_answer_has_the_age_of_its_devices_last_good_answer():
    line = Line(SMALL)
    line.scan(Frame(), 0)
    devices = [
        SimpleNamespace(name=name, last_good_ms=None if name == "io_sower" else 880, good=True)
        for name in SMALL.file.devices
    ]
    field = SimpleNamespace(health=lambda: [SimpleNamespace(devices=devices)])
    live = Live(SMALL, line, field, recorder=None, clock=lambda: 1_000)
    lines = live._why("infeed_travel_gripper")["lines"]
    ages = {place["device"]: place["age_s"] for row in lines for place in row["where"]}
    assert ages
    for device, age_s in ages.items():
        assert age_s == (None if device == "io_sower" else 0.12)
    answer = live._why("infeed_travel_griper")
    assert "nearest valid name" in answer["error"]

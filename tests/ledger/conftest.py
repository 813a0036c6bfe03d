"""A site small enough to read: the sower's stations, one lane of a run, a lift and a run."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from linectl.image import Event, Move
from linectl.site.crops import CropFile
from linectl.site.interlocks import InterlockFile
from linectl.site.model import Site, SiteFile

BELT = {
    "zone": "sowing",
    "length_mm": 6000,
    "entry_eye_mm": 200,
    "exit_eye_mm": 5600,
    "speed_mm_s": 250,
    "ramp": "400ms",
    "travel_timeout": "60s",
}
ARM = {
    "home_mm": 0,
    "speed_mm_s": 800,
    "ramp": "1s",
    "travel_timeout": "30s",
    "gripper": "2s",
    "gripper_timeout": "5s",
    "grip": "500ms",
}
RUN = {"pitch_mm": 100, "stroke": "4s", "back": "3s", "timeout": "10s"}
LANE = {
    "id": 1,
    "zone": "lanes",
    "crops": ["oak"],
    "infeed_mm": 2000,
    "outfeed_mm": 2000,
    "runs": [{"name": "germ", "slots": 4, **RUN}, {"name": "grow", "slots": 8, **RUN}],
    "transfers": [{"kind": "lift_up", "name": "lift", "belt": "6s", "timeout": "20s"}],
}
ZONE = {"text": "", "watchdog_limit": "1s", "reaction_limit": "1s"}


def build_site(name: str = "bench", grow_slots: int = 8) -> Site:
    runs = [LANE["runs"][0], {**LANE["runs"][1], "slots": grow_slots}]
    file = SiteFile.model_validate(
        {
            "name": name,
            "scan": "20ms",
            "takt": "60s",
            "gutter": {"length_mm": 5400},
            "buses": {},
            "devices": {},
            "zones": {"sowing": ZONE, "harvest": ZONE, "lanes": ZONE},
            "stations": {
                "magazine": {
                    "kind": "magazine",
                    "gate": "2s",
                    "gate_timeout": "5s",
                    "holds": 40,
                    **BELT,
                },
                "fill": {"kind": "fill", "tool_mm": 3000, "hopper_l": 400, **BELT},
                "water": {"kind": "water", "tool_mm": 3000, "pulses_per_l": 100, **BELT},
                "seed": {
                    "kind": "seed",
                    "tool_mm": 3000,
                    "vacuum_min_kpa": 4,
                    "vacuum_timeout": "5s",
                    **BELT,
                },
                "infeed": {"kind": "infeed", "zone": "sowing", **ARM},
                "outfeed": {"kind": "outfeed", "zone": "harvest", **ARM},
                "packing": {"kind": "packing", "zone": "harvest", "handover_timeout": "60s"},
            },
            "lanes": [{**LANE, "runs": runs}],
            "shift": {"start": "06:00", "length": "2h"},
            "sowing": {"crop": "oak"},
        }
    )
    crops = CropFile.model_validate(
        {
            "crops": {
                "oak": {
                    "seed_form": "pelleted",
                    "seeds_per_gutter": 54,
                    "substrate_l": 9,
                    "water_ml": 1500,
                    "days": "25d",
                    "ripe_after": "24d",
                    "yield_kg": 2.2,
                }
            }
        }
    )
    interlocks = InterlockFile(causes={}, effects={}, matrix={})
    return Site(
        file=file, points=(), crops=crops, interlocks=interlocks, folder="bench", digest="0" * 64
    )


WAY = (
    ("feed", "stock", "magazine"),
    ("convey", "magazine", "fill"),
    ("process", "fill", "fill"),
    ("reserve", "fill", "lane1.germ.0"),
    ("convey", "fill", "water"),
    ("process", "water", "water"),
    ("convey", "water", "seed"),
    ("process", "seed", "seed"),
    ("convey", "seed", "infeed"),
    ("insert", "infeed", "lane1.germ.0"),
)


class Journey:
    """What the controller would record, as moves numbered one after another."""

    def __init__(self) -> None:
        self.number = 0
        self.words = 0
        self.at = 0

    def step(self, kind: str, gutter: int, source: str, dest: str, crop: str = "oak") -> list[Move]:
        """Intent and done of one move, a second long."""
        self.number += 1
        self.words += 2
        self.at += 1000
        intent = Move(self.number, kind, gutter, source, dest, crop, False, self.at - 600)
        return [intent, intent._replace(done=True, at=self.at)]

    def sow(self, gutter: int) -> list[Move]:
        """From the stock to the mouth of lane 1."""
        return [move for way in WAY for move in self.step(way[0], gutter, way[1], way[2])]

    def stroke(self, run: str) -> list[Move]:
        """One stroke of a run."""
        return self.step("stroke", -1, run, run, "")


def chatter(count: int) -> list[Event]:
    """Events as people read them later."""
    return [
        Event(n, "note", "fill", "fill: dosed again", {"state": "dosing", "gutter": n})
        for n in range(count)
    ]


class Second:
    """A connection of its own on a ledger's file, as another program would see it."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def rows(self, sql: str, *values: object) -> list[tuple[object, ...]]:
        """What stands in the file now."""
        connection = sqlite3.connect(self.path)
        try:
            return connection.execute(sql, values).fetchall()
        finally:
            connection.close()

    def one(self, sql: str, *values: object) -> object:
        """The first column of the only row."""
        ((found,),) = self.rows(sql, *values)
        return found

    def slots(self) -> dict[int, str]:
        """Gutters in runs by id, from the view."""
        rows = self.rows("SELECT gutter, run || '.' || slot FROM slots ORDER BY gutter")
        return dict(rows)  # type: ignore[arg-type]


@pytest.fixture
def path(tmp_path: Path) -> str:
    """Where a test's ledger is."""
    return str(tmp_path / "line.sqlite3")


@pytest.fixture
def second(path: str) -> Second:
    return Second(Path(path))


@pytest.fixture
def site() -> Site:
    return build_site()


@pytest.fixture
def make_site() -> Callable[..., Site]:
    return build_site


@pytest.fixture
def journey() -> Journey:
    return Journey()


@pytest.fixture
def events() -> Callable[[int], list[Event]]:
    return chatter

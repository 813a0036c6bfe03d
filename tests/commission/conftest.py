"""Lines that answer from a table of registers, and the small site with texts replaced."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from pathlib import Path

import pytest

from linectl.errors import DeviceRefused, ForeignAnswer, LinkDown, Silent
from linectl.field.modbus import Ask
from linectl.site.load import load_site

CONFIG = Path(__file__).parents[2] / "config"

TABLE_OF = {1: "coil", 2: "discrete", 3: "holding", 4: "input"}
WRITES = {5: "coil", 15: "coil", 6: "holding", 16: "holding"}


class Thing:
    """A device: its registers by table, and what it will and will not do."""

    def __init__(self, tables, *, most=125, most_bits=2000, functions=range(1, 17)):
        self.tables = {name: dict(cells) for name, cells in tables.items()}
        self.most = most
        self.most_bits = most_bits
        self.functions = set(functions)
        self.mute = set()
        """Addresses at which it keeps silent instead of refusing."""
        self.mute_once = set()
        """Addresses at which it is silent the first time."""
        self.objects = None

    def do(self, ask):
        table = TABLE_OF.get(ask.function) or WRITES[ask.function]
        if ask.function not in self.functions or table not in self.tables:
            raise DeviceRefused(f"{ask}: exception 1", 1)
        if ask.quantity > (self.most if table in ("input", "holding") else self.most_bits):
            raise DeviceRefused(f"{ask}: exception 3", 3)
        where = range(ask.address, ask.address + ask.quantity)
        if self.mute & set(where):
            raise Silent(f"{ask}: no answer")
        if forgotten := self.mute_once & set(where):
            self.mute_once -= forgotten
            raise Silent(f"{ask}: no answer")
        if any(at not in self.tables[table] for at in where):
            raise DeviceRefused(f"{ask}: exception 2", 2)
        if ask.cells:
            self.tables[table].update(zip(where, ask.cells, strict=True))
            return []
        return [self.tables[table][at] for at in where]


class FakeLine:
    """A bus of things by unit number; remembers every question."""

    def __init__(self, things):
        self.things = dict(things)
        self.asked: list[Ask] = []
        self.down = False
        self.is_open = False
        self.latency_ms = 0.0
        self.latencies = [4.0]
        """In turn, over and over."""
        self.echoes = None
        self.quiet: list[float] = []
        """How long it was kept quiet each time, ms."""
        self.late: set[int] = set()
        """Units whose answers come during the quiet."""
        self.rests: list[int] = []
        self.damages = 0
        """Every so many answers one comes damaged; 0: never."""

    def settle(self, ask: Ask, late_ms: float, outstanding: bool) -> bool:
        self.quiet.append(late_ms)
        return outstanding and ask.unit in self.late

    def rest(self, pause_ms: int) -> None:
        self.rests.append(pause_ms)

    def open(self) -> None:
        self.is_open = True

    def close(self) -> None:
        self.is_open = False

    def read(self, ask: Ask) -> Sequence[int]:
        return self._do(ask)

    def write(self, ask: Ask) -> None:
        self._do(ask)

    def identify(self, unit: int, device: str = "") -> dict[int, bytes]:
        if unit not in self.things:
            raise Silent(f"unit {unit}")
        if self.things[unit].objects is None:
            raise DeviceRefused(f"unit {unit}: exception 1", 1)
        return self.things[unit].objects

    def _do(self, ask):
        self.asked.append(ask)
        if self.down:
            raise LinkDown("bus line is down")
        if ask.unit not in self.things:
            raise Silent(f"{ask}: no answer")
        if self.damages and len(self.asked) % self.damages == 0:
            raise ForeignAnswer(f"{ask}: damaged", "crc")
        self.latency_ms = self.latencies[len(self.asked) % len(self.latencies)]
        return self.things[ask.unit].do(ask)


@pytest.fixture
def thing():
    return Thing


@pytest.fixture
def fake_line():
    return FakeLine


@pytest.fixture(scope="session")
def make_line():
    """Makes a line with one thing, unit 7; for tests that make many."""

    def make(tables, most):
        return FakeLine({7: Thing(tables, most=most)})

    return make


@pytest.fixture
def small_with(tmp_path):
    """The small site with texts replaced, each (file, old, new)."""

    def make(*edits: tuple[str, str, str]):
        folder = tmp_path / "small"
        shutil.copytree(CONFIG / "small", folder, dirs_exist_ok=True)
        for file, old, new in edits:
            text = (folder / file).read_text(encoding="utf-8")
            assert old in text, old
            (folder / file).write_text(text.replace(old, new), encoding="utf-8")
        return load_site(folder)

    return make

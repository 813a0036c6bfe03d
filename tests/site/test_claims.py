"""Registers for a controller's claim: what `check` refuses of them, and what they cost a bus."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from linectl.registers.budget import bus_budgets
from linectl.site.load import load_site, read_site

CONFIG = Path(__file__).parents[2] / "config"
BELTS = "belts_sower: {bus: drives, unit: 11,"
METER = "meter: {bus: drives, unit: 31,"


@pytest.fixture
def claiming(tmp_path):
    """The small site's folder with more facts of one device."""

    def make(facts, device=BELTS):
        folder = tmp_path / "small"
        shutil.copytree(CONFIG / "small", folder)
        path = folder / "site.yaml"
        text = path.read_text(encoding="utf-8")
        assert text.count(device) == 1
        path.write_text(text.replace(device, f"{device} {facts}"), encoding="utf-8")
        return folder

    return make


@pytest.mark.parametrize(
    ("facts", "says"),
    [
        ('claim: "5",', "5 and the three after it are not free: turn.speed is there"),
        ('claim: "88", heartbeat: {address: "90", every: 200ms},',
         "88 and the three after it are not free: the heartbeat is there"),
        ('claim: "65533",', "beyond 65535"),
        ('claim: "90", holes: {holding: [92-95]},', "may not be read"),
        ('claim: "90", readable: {holding: [0-92]},', "may not be read"),
        ('claim: "90", write: single,', "takes function 16"),
        ('claim: "90", max_write_registers: 3,', "takes 4 registers in one request"),
        ('claim: "90-93",', "is a range; a claim is named by its first"),
        ('claim: "x",', "'x' is not a whole number"),
    ],
)  # fmt: skip
def test_a_claim_that_cannot_be_is_told_at_its_key(claiming, facts, says):
    errors = read_site(claiming(facts)).errors
    told = [found for found in errors if found.key == "devices.belts_sower.claim"]
    assert [says in found.message for found in told] == [True], errors


def test_a_device_without_outputs_has_nothing_to_claim(claiming):
    (found,) = read_site(claiming('claim: "90",', METER)).errors
    assert (found.key, found.hint) == ("devices.meter.claim", "leave claim out")


def test_a_claim_costs_a_look_and_a_write_in_each_poll(claiming):
    """115 200 baud, even parity: 11 bits a character, silences of 1.75 ms, 2 ms turnaround. FC 3 of
    4 registers: 8 + 13 bytes; FC 16 of 4: 17 + 8. (46 x 11) / 115.2 + 4 x 1.75 + 2 x 2 ms."""
    folder = claiming('claim: "90",')
    plain, claimed = (
        next(bus for bus in bus_budgets(load_site(site)) if bus.name == "drives")
        for site in (CONFIG / "small", folder)
    )
    assert claimed.write_ms - plain.write_ms == pytest.approx(46 * 11 / 115.2 + 11, abs=0.001)

"""S47: `replace` against served devices: nothing drives one that is not confirmed."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from linectl.commission.device_record import unconfirmed
from linectl.site.load import load_site

pytestmark = pytest.mark.wire
SMALL = Path(__file__).parents[2] / "config/small"
WATCHDOG = 'parameters: {watchdog: {address: "512", value: 10}}, '


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    tmp_path.chmod(0o700)
    shutil.copytree(SMALL, tmp_path / "small")
    file = tmp_path / "small/site.yaml"
    text = file.read_text(encoding="utf-8").replace("timeout: 50ms", "timeout: 250ms")
    file.write_text(text.replace("axis_infeed: {", f"axis_infeed: {{{WATCHDOG}", 1), "utf-8")
    return tmp_path / "small"


def test_a_drive_is_replaced_read_back_and_only_then_driven(linectl, serve, folder, tmp_path):
    site = load_site(folder)
    plant = tmp_path / "plant.json"
    served = serve(site, file=plant)
    drive = served.server.devices["axis_infeed"]

    def replace(*more):
        words = ("--why", "it hums", "--by", "anna", "--at", plant, "--yes", "--json")
        return linectl("replace", folder, "axis_infeed", *words, *more)

    said = replace("--learn")
    assert said.code == 0 and said.json["identity"] == {
        "vendor": "linectl model", "product_code": "axis_infeed", "revision": "1.0"
    }  # fmt: skip
    assert said.json["parameters"]["watchdog"] == {
        "value": 10, "must_be": 10, "right": True,
        "text": "watchdog 10, as declared (holding 512 (reference 40513))",
    }  # fmt: skip

    drive.parameters["holding", 512] = 250  # as the factory sends it
    drive.product = "axis_infeed mk2"
    said = replace("--accept-differences")
    assert said.code == 1 and said.json["waits"] == "parameters are not as declared"
    ran = linectl("run", folder, "--at", plant)
    assert ran.code == 1 and "axis_infeed: its replacement was begun by anna" in ran.err

    drive.parameters["holding", 512] = 10
    said = replace()
    assert said.code == 1 and said.json["waits"] == "a person has to accept what differs"
    assert said.json["differences"] == ["product_code 'axis_infeed mk2', on record 'axis_infeed'"]
    assert unconfirmed(site)
    said = replace("--accept-differences")
    assert said.code == 0 and said.json["waits"] == ""
    assert unconfirmed(site) == ()

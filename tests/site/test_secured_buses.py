"""A secured bus needs three files; `check` says which of them is not here, and passes the site."""

from __future__ import annotations

import shutil
from pathlib import Path

from linectl.site.load import read_site

SMALL = Path(__file__).parents[2] / "config" / "small"
PLAIN = "io: {kind: tcp, host: 192.0.2.10, port: 502, "
SECURED = (
    "io: {kind: tls, host: 192.0.2.10, authority: tls/authority.pem, "
    "certificate: tls/line.pem, key: /nowhere/line.key, "
)


def test_a_file_that_is_not_here_is_a_warning_at_its_bus(tmp_path: Path) -> None:
    site = shutil.copytree(SMALL, tmp_path / "small")
    file = site / "site.yaml"
    file.write_text(file.read_text(encoding="utf-8").replace(PLAIN, SECURED), encoding="utf-8")
    (site / "tls").mkdir()
    (site / "tls" / "line.pem").write_text("a certificate")
    reading = read_site(site)
    assert reading.errors == ()
    line = file.read_text(encoding="utf-8").split(SECURED)[0].count("\n") + 1
    told = [finding for finding in reading.warnings if finding.key.startswith("buses.io")]
    assert [(found.key, found.line) for found in told] == [
        ("buses.io.authority", line),
        ("buses.io.key", line),
    ]
    assert f"there is no file {site / 'tls' / 'authority.pem'}" in told[0].message
    assert "there is no file /nowhere/line.key" in told[1].message

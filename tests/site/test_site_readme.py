"""config/README.md: its example works as printed, and it names every key and every column."""

from __future__ import annotations

import re
from pathlib import Path

from pydantic import BaseModel

from linectl.site import calibration, crops, hardware, interlocks, machine, model, tuning
from linectl.site.iolist import COLUMNS
from linectl.site.load import load_site
from linectl.site.missed_file import read_missed
from linectl.site.orders_file import read_orders
from linectl.site.plan_file import read_plan

CONFIG = Path(__file__).parents[2] / "config"
README = (CONFIG / "README.md").read_text(encoding="utf-8")
_NOT_WRITTEN = {
    model.Site, hardware.Point, crops.CropFile, interlocks.InterlockFile,
    calibration.CalibrationFile, calibration.Measured,
}  # fmt: skip
"""Records that are made by reading, or whose keys are the file's headings."""


def test_the_printed_example_loads_as_printed(tmp_path: Path) -> None:
    (tmp_path / "small").symlink_to(CONFIG / "small")
    folder = tmp_path / "yours"
    folder.mkdir()
    site_yaml, io_csv, locks = re.findall(r"```(?:yaml|csv)\n(.*?)```", README, re.S)
    (folder / "site.yaml").write_text(site_yaml, encoding="utf-8")
    (folder / "io.csv").write_text(io_csv, encoding="utf-8")
    (folder / "interlocks.yaml").write_text(locks, encoding="utf-8")
    site = load_site(folder)
    assert [lane.slots for lane in site.file.lanes] == [12, 12]
    assert site.points[site.index("packing.ready")].address == 90


def test_the_printed_tables_of_orders_and_plans_load_as_printed(tmp_path: Path) -> None:
    site = load_site(CONFIG / "fennmark")
    tables = re.findall(r"```text\n(# [^`]*?)```", README, re.S)
    for reader in (read_orders, read_plan, read_missed):
        path = tmp_path / "table.csv"
        path.write_text(tables.pop(0), encoding="utf-8")
        assert reader(path, site)
    assert tables == []


def test_every_column_of_the_io_list_is_explained() -> None:
    assert [column for column in COLUMNS if f"`{column}`" not in README] == []


def test_every_key_of_the_yaml_files_is_explained() -> None:
    missing = []
    for module in (model, hardware, machine, interlocks, crops, calibration, tuning):
        for record in vars(module).values():
            if not isinstance(record, type) or not issubclass(record, BaseModel):
                continue
            if record in _NOT_WRITTEN or record.__module__ != module.__name__:
                continue
            keys = [field.alias or name for name, field in record.model_fields.items()]
            missing += [f"{record.__name__}.{key}" for key in keys if not _named(key)]
    assert missing == []


def _named(key: str) -> bool:
    return re.search(rf"`[^`]*\b{key}\b[^`]*`", README) is not None


def test_every_shipped_site_is_in_its_table() -> None:
    for path in CONFIG.glob("*/site.yaml"):
        assert f"`{path.parent.name}/`" in README

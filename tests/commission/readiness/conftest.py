"""The small site with everything done that its list of commissioning asks for, and a list of it."""

from __future__ import annotations

import copy
import csv
import datetime as dt
import json
import shutil
from dataclasses import asdict, dataclass
from pathlib import Path

import pytest

from linectl import __version__
from linectl.commission.calibrate.record import COLUMNS as CALIBRATED_BY
from linectl.commission.calibrate.record import FILE as CALIBRATIONS
from linectl.commission.calibrate.timers_record import COLUMNS as LEARNED
from linectl.commission.calibrate.timers_record import FILE as TIMERS
from linectl.commission.checkout import record as checkout
from linectl.commission.field_record import COLUMNS as TESTED
from linectl.commission.field_record import FILE as FIELD_TESTS
from linectl.commission.field_record import field_rows, row_digest
from linectl.commission.prove.kept import FILE as PROOF
from linectl.commission.prove.promised import promises
from linectl.commission.readiness import acts
from linectl.commission.readiness.listing import CommissionList, commission_list
from linectl.commission.readiness.record import COLUMNS as ACTED
from linectl.commission.readiness.record import Act, append_act
from linectl.site.approval import digest_of_rows
from linectl.site.load import load_site
from linectl.site.matrix_rows import matrix_rows
from linectl.site.model import Site

SMALL = Path(__file__).parents[3] / "config/small"
NOW = dt.datetime(2026, 6, 1, 9, 0, tzinfo=dt.UTC)
CALIBRATED = """
doser: {factor: 1.02, by: anna, on: 2026-05-30, with: peat P-1}
water: {factor: 0.98, by: anna, on: 2026-05-30}
drives:
  fill.doser_rate: {per_hz: 60, most_hz: 60, by: anna, on: 2026-05-30, valid_until: 2027-05-30}
"""
DOSER = "fill.doser_rate,io_sower,holding,0,,u16,,,ml/s"
DOSER_IN_HZ = "fill.doser_rate,io_sower,holding,0,,u16,,0.01,Hz"
LAST = ("dry_cycle_seen", "first_gutter", "first_hour")
"""What can be signed only after the rest, in this order."""


def a_try(site: Site, tag: str, **more: str) -> checkout.Try:
    facts = dict.fromkeys(checkout.COLUMNS, "") | {
        "at": "2026-05-30T10:00:00+00:00", "tag": tag, "result": "pass", "by": "anna",
        "row": checkout.row_of(site.points[site.index(tag)]),
    }  # fmt: skip
    return checkout.Try(**(facts | more))


def a_test(site: Site, cause: str, **more: str) -> dict[str, str]:
    row = next(row for row in field_rows(site) if row.name == cause)
    return dict.fromkeys(TESTED, "") | {
        "at": "2026-05-30T12:00:00+00:00", "cause": cause, "result": "pass", "tested_by": "anna",
        "witness": "ben", "next_due": "2027-05-30", "row_digest": row_digest(site, row),
    } | more  # fmt: skip


def a_proof(site: Site, cause: str, outcome: str = "pass", **more: str) -> str:
    kept = {
        "version": __version__, "matrix": digest_of_rows(matrix_rows(site)), "cause": cause,
        "cells": [{"outcome": outcome}],
    }  # fmt: skip
    return json.dumps(kept | more) + "\n"


def a_status(site: Site, **more) -> dict:
    """What a controller says of itself when nothing is wrong."""
    devices = [{"name": name, "good": True} for name in site.file.devices]
    return {
        "pid": 1, "version": __version__, "site_digest": site.digest,
        "buses": [{"devices": devices}], "alarm_list": [], "force_list": [], "override_list": [],
        "bypass_list": [], "clock": {"ahead_s": 0, "finding": None, "text": None},
        "units": {"sowing": {"state": "Stopped"}, "harvest": {"state": "Stopped"}},
    } | more  # fmt: skip


@dataclass
class Bench:
    """A site's folder, what its controller says, the time, and whether network time keeps it."""

    folder: Path
    status: dict | None
    now: dt.datetime = NOW
    clock_kept: bool = True

    @property
    def site(self) -> Site:
        return load_site(self.folder)

    def withdraw(self, name: str) -> None:
        """As `acts.withdraw` does it, without looking at the whole list before."""
        row = dict.fromkeys(ACTED, "") | {
            "at": self.now.isoformat(), "item": name, "act": "withdraw", "by": "ben",
        }  # fmt: skip
        append_act(self.folder, Act(**row))

    def list(self) -> CommissionList:
        return commission_list(self.folder, self.status, self.now, self.clock_kept)

    def sign(self, name: str, **more) -> None:
        more = {"measured_ms": 850} | more if name.startswith("watchdog.") else more
        acts.sign(self.list(), name, self.now, **({"by": "anna"} | more))

    def edit(self, file: str, old: str, new: str) -> None:
        """What a person writes into a file; the controller has been started again since."""
        path = self.folder / file
        text = path.read_text(encoding="utf-8")
        assert old in text
        path.write_text(text.replace(old, new, 1), encoding="utf-8")
        if self.status is not None:
            self.status["site_digest"] = self.site.digest

    def is_ok(self, name: str) -> bool:
        return self.item(name).ok

    def item(self, name: str):
        found = self.list().item(name)
        assert found is not None, name
        return found


def write_rows(path: Path, columns, rows) -> None:
    with path.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.DictWriter(file, columns)
        writer.writeheader()
        writer.writerows(rows)


@pytest.fixture(scope="session")
def all_done(tmp_path_factory) -> Path:
    """A folder in which everything is done and signed."""
    folder = tmp_path_factory.mktemp("done") / "small"
    shutil.copytree(SMALL, folder)
    io = (folder / "io.csv").read_text(encoding="utf-8")
    assert DOSER in io
    (folder / "io.csv").write_text(io.replace(DOSER, DOSER_IN_HZ), encoding="utf-8")
    with (folder / "calibration.yaml").open("a", encoding="utf-8") as file:
        file.write(CALIBRATED)
    site = load_site(folder)
    tried = [asdict(a_try(site, point.tag)) for point in site.points]
    write_rows(folder / checkout.FILE, checkout.COLUMNS, tried)
    tested = [a_test(site, row.name) for row in field_rows(site)]
    write_rows(folder / FIELD_TESTS, TESTED, tested)
    proven = "".join(a_proof(site, promise.name) for promise in promises(site))
    (folder / PROOF).write_text(proven, encoding="utf-8")
    learned = dict.fromkeys(LEARNED, "0") | {
        "at": "2026-05-31T12:00:00+00:00", "step": "tamp.pressing", "by": "anna",
    }  # fmt: skip
    write_rows(folder / TIMERS, LEARNED, [learned])
    taught = dict.fromkeys(CALIBRATED_BY, "") | {
        "at": "2026-05-31T12:00:00+00:00", "what": "carriage", "result": "written", "by": "anna",
    }  # fmt: skip
    write_rows(folder / CALIBRATIONS, CALIBRATED_BY, [taught])
    bench = Bench(folder, a_status(site))
    listed = bench.list()
    for item in listed.items:
        if item.kind == "signed" and item.name not in LAST:
            measured_ms = 850 if item.name.startswith("watchdog.") else None
            acts.sign(listed, item.name, NOW, by="anna", measured_ms=measured_ms)
    for name in LAST:
        bench.sign(name)
    return folder


@pytest.fixture(scope="session")
def done_status(all_done) -> dict:
    return a_status(load_site(all_done))


@pytest.fixture
def done(all_done, done_status, tmp_path) -> Bench:
    """A copy of it to spoil."""
    shutil.copytree(all_done, tmp_path / "small")
    return Bench(tmp_path / "small", copy.deepcopy(done_status))


@pytest.fixture
def fresh(tmp_path) -> Bench:
    """The small site as it comes: no record but its approval, no controller."""
    shutil.copytree(SMALL, tmp_path / "small")
    return Bench(tmp_path / "small", None)


@pytest.fixture(scope="module")
def as_it_comes(tmp_path_factory) -> CommissionList:
    """Its list, for acts that are refused."""
    folder = tmp_path_factory.mktemp("as") / "small"
    shutil.copytree(SMALL, folder)
    return commission_list(folder, None, NOW, True)

"""The small site on its third evening of checkout: what a record holds by then, names invented."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from linectl.commission.changes_record import ChangeMade, append_change
from linectl.commission.checkout.record import Try, append_try, row_of
from linectl.site.load import load_site

CONFIG = Path(__file__).parents[2] / "config"
NEVER_TRIED = ("turn.at_0", "turn.at_90", "turn.centred")
ANALOGUES = ("fill.hopper_level", "seed.vacuum", "fill.doser_rate")
READINGS = [
    [0.0, 2.0, 0.2, "up"], [50.0, 503.0, 50.3, "up"], [100.0, 1001.0, 100.1, "up"],
    [150.0, 1508.0, 150.8, "up"], [200.0, 2012.0, 201.2, "up"], [150.0, 1510.0, 151.0, "down"],
    [100.0, 1005.0, 100.5, "down"], [50.0, 505.0, 50.5, "down"], [0.0, 3.0, 0.3, "down"],
]  # fmt: skip


def tried(site, tag: str, evening: int, minute: int, result: str = "pass", **facts: str) -> Try:
    """One try of a point on one of the evenings of the walk."""
    point = site.points[site.index(tag)]
    out = point.direction == "out"
    usual = {
        "found": "in order", "left": "", "readings": "", "fit": "", "remark": "", "deficiency": "",
        "instrument": "",
        "trace": "on at +0 ms, off at +500 ms" if out else "1 at +0 ms, 0 at +2310 ms",
        "travel_ms": "480" if out else "", "by": "A. Example", "witness": "",
        "row": row_of(point), "site_digest": site.digest, "version": "1.0",
    }  # fmt: skip
    at = f"2026-03-{evening:02d}T{17 + minute // 60:02d}:{minute % 60:02d}:05+01:00"
    return Try(at=at, tag=tag, result=result, **(usual | facts))


def walk(folder: Path) -> None:
    """Three evenings: most points pass; two wires swapped and put right; a valve still stuck."""
    site = load_site(folder)
    tags = [point.tag for point in site.points if point.tag not in NEVER_TRIED]
    for minute, tag in enumerate(tags):
        facts: dict[str, str] = {}
        if tag in ANALOGUES:
            facts = {
                "readings": json.dumps(READINGS), "instrument": "reference gauge no 4",
                "fit": "scale 0.0994, offset -0.2; greatest residual 0.2", "trace": "",
                "travel_ms": "",
            }  # fmt: skip
        if tag == "fill.entry_eye":
            facts = {"result": "fail", "found": "fill.exit_eye moved instead", "deficiency": "1"}
        if tag == "fill.exit_eye":
            facts = {"result": "fail", "found": "fill.entry_eye moved instead", "deficiency": "2"}
        if tag == "tamp.press":
            facts = {
                "result": "fail", "found": "nothing moved", "deficiency": "3",
                "trace": "no feedback in 5 s", "travel_ms": "", "remark": "=valve+stuck",
            }  # fmt: skip
        append_try(folder, tried(site, tag, 10, minute, **facts))
    swapped = ("fill.entry_eye", "fill.exit_eye")
    for minute, (tag, other) in enumerate((swapped, swapped[::-1])):
        append_try(
            folder,
            tried(site, tag, 11, minute, found=f"{other} moved instead", left="in order",
                  remark="wires 3 and 4 of strip AE2 changed over", deficiency=str(minute + 1),
                  by="C. Sample", witness="A. Example"),
        )  # fmt: skip


def after_the_walk(folder: Path) -> None:
    """A channel burns and is moved; a device is replaced; a point is taken out of the list."""
    path = folder / "io.csv"
    text = path.read_text(encoding="utf-8")
    old = "guard_seed.closed,io_sower,discrete,8,"
    assert old in text
    path.write_text(text.replace(old, "guard_seed.closed,io_sower,discrete,63,"), encoding="utf-8")
    append_change(
        folder,
        ChangeMade(
            "2026-03-12T05:10:00+01:00", "replace", "belts_sower", "serial 1001", "serial 2002",
            "drive died", "C. Sample", "magazine.speed fill.speed", "0" * 64, "1.0",
        ),
    )  # fmt: skip
    gone = tried(load_site(folder), "fill.entry_eye", 10, 0)
    append_try(folder, Try(**{**vars(gone), "tag": "fill.third_eye", "found": "was never wired"}))


def copy_of(name: str, to: Path) -> Path:
    shutil.copytree(CONFIG / name, to)
    return to


@pytest.fixture(scope="session")
def walked_once(tmp_path_factory):
    folder = copy_of("small", tmp_path_factory.mktemp("site") / "small")
    walk(folder)
    after_the_walk(folder)
    return folder


@pytest.fixture
def walked(walked_once, tmp_path):
    """A copy that a test may alter."""
    return Path(shutil.copytree(walked_once, tmp_path / "small"))


@pytest.fixture(scope="session")
def try_of():
    """Makes one try of a point."""
    return tried

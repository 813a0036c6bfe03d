"""Every word that a matrix has, proven on the model; a line that reads one otherwise fails."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from ruamel.yaml import YAML

from linectl.commission.prove import Asked, prove
from linectl.line import build
from linectl.site.load import load_site

CONFIG = Path(__file__).parents[2] / "config"


@pytest.fixture(scope="module")
def rich(tmp_path_factory):
    """config/small with limits, delays, votes, modes and a permissive cell."""
    folder = tmp_path_factory.mktemp("sites") / "small"
    shutil.copytree(CONFIG / "small", folder)
    path = folder / "interlocks.yaml"
    yaml = YAML()
    tree = yaml.load(path.read_text(encoding="utf-8"))
    causes, matrix = tree["causes"], tree["matrix"]

    def rewrite(name: str, cells: object, **facts: object) -> None:
        for key in ("moment", "on_delay", "off_delay"):
            causes[name].pop(key, None)
        causes[name].update(facts)
        matrix[name] = cells

    level = {"point": "fill.hopper_level", "below": 20, "hysteresis": 5}
    rewrite("hopper_low", ["tamp_off", "hold_sowing"], when=[level], on_delay="2s", off_delay="1s")
    rewrite("seed_low", {"seed_off": "permissive"})
    swept = {"point": "turn.swept_clear", "is": False}
    rewrite("magazine_low", ["magazine_off", "hold_sowing"], when=[swept], modes=["dry_cycle"])
    air = [{"point": f"{zone}.air_ok", "is": False} for zone in ("lanes", "sowing", "harvest")]
    rewrite("air_lanes", list(matrix["air_lanes"]), when=air, vote=2, bad="left_out",
            on_delay="400ms")  # fmt: skip
    rewrite("swept_turnout", list(matrix["swept_turnout"]), reset="at_machine")
    with path.open("w", encoding="utf-8") as file:
        yaml.dump(tree, file)
    return load_site(folder)


RICH = ("hopper_low", "seed_low", "magazine_low", "swept_turnout", "air_lanes")


def test_limits_delays_votes_modes_permissives_and_resets_at_the_machine_are_proven(rich):
    proof = prove(rich, Asked(causes=RICH, jobs=2, self_check=True))
    assert [(c.cause, c.detail) for c in proof.cells if c.outcome != "pass"] == []
    names = {cell.cause: {check.name for check in cell.checks} for cell in proof.cells}
    assert {
        "no trip just inside", "trip just beyond", "held by its hysteresis", "ends beyond it",
        "not before its delay",
    } <= names["hopper_low"]  # fmt: skip
    assert {"what runs goes on", "what stands stays off"} <= names["seed_low"]
    assert "not enabled in production" in names["magazine_low"]
    assert "wrong reset restarts nothing" in names["swept_turnout"]
    assert "one vote fewer does not trip" in names["air_lanes"]
    assert proof.self_check is not None
    assert proof.self_check.missed == ()


WRONG = {
    "hysteresis lost": ("hopper_low", {"tests": "no hysteresis"}, "held by its hysteresis"),
    "delay lost": ("hopper_low", {"on_delay_ms": 0}, "not before its delay"),
    "vote lost": ("air_lanes", {"vote": 1}, "one vote fewer does not trip"),
    "mode lost": ("magazine_low", {"modes": frozenset()}, "not enabled in production"),
    "any reset": ("swept_turnout", {"reset": "interlock"}, "stays until reset"),
    "permissive cuts": ("seed_low", {"acts": "bars"}, "what runs goes on"),
    "permissive lost": ("seed_low", {"bars": 0}, "what stands stays off"),
}


@pytest.mark.parametrize("wrong", WRONG)
def test_a_line_that_reads_the_matrix_otherwise_fails(rich, monkeypatch, wrong):
    cause, change, check = WRONG[wrong]
    right = build.site_rows

    def altered(row):
        values = dict(change)
        if "tests" in values:
            values["tests"] = tuple(replace(test, hysteresis=0.0) for test in row.tests)
        if values.get("acts") == "bars":
            values |= {"acts": row.bars, "bars": 0}
        return replace(row, **values)

    monkeypatch.setattr(
        build, "site_rows",
        lambda site, io: tuple(
            altered(row) if row.name == cause else row for row in right(site, io)
        ),
    )  # fmt: skip
    proof = prove(rich, Asked(causes=(cause,)))
    failed = {c.name for cell in proof.cells for c in cell.checks if not c.ok}
    assert check in failed

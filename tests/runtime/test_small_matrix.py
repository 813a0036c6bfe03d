"""What the small site's own matrix asks, with the line running: who must look before a reset
counts, what may not start, and what a dry cycle does without."""

from __future__ import annotations


def _active(run, name: str) -> bool:
    causes = run.line.causes
    return causes.active[[row.name for row in causes.rows].index(name)]


def _pin(run, tag: str, value: bool | None) -> None:
    """Hold an input of the plant, or let it tell the truth again."""
    run.plant.world.points.override(run.line.site.index(tag), value)
    run.rehearsal.bench.act(lambda: None)
    _on(run, 1_000)


def _on(run, ms: int) -> None:
    run.rehearsal.bench.run(run.rehearsal.bench.now + ms)


def test_a_cleared_swept_area_is_reset_at_that_machine_only(shift) -> None:
    run = shift("small", seed=2).run("20s")
    _pin(run, "turn.swept_clear", False)
    _pin(run, "turn.swept_clear", None)
    run.command("", "interlock-reset")
    _on(run, 1_000)
    assert _active(run, "swept_turn"), "a command from afar reset it"
    run.do("interlock reset", "harvest")
    _on(run, 1_000)
    assert _active(run, "swept_turn"), "the button of another zone reset it"
    run.do("interlock reset", "sowing")
    _on(run, 1_000)
    assert not _active(run, "swept_turn")
    assert run.state("sowing") in ("Holding", "Held"), "a reset started something"


def _ready_to_start(shift, mode: str):
    """A sower in Idle, in that mode."""
    run = shift("small", seed=2, start=False).run("2s")
    for name, argument in (("clear", ""), ("mode", mode), ("reset", "")):
        run.command("sowing", name, argument)
        _on(run, 1_000)
    assert run.state("sowing") == "Idle"
    return run


def test_sowing_does_not_start_without_water_pressure_and_does_with_it(shift) -> None:
    run = _ready_to_start(shift, "production")
    _pin(run, "water.supply_ok", False)
    run.command("sowing", "start")
    _on(run, 6_000)
    assert run.state("sowing") == "Idle"
    _pin(run, "water.supply_ok", None)
    run.command("sowing", "start")
    _on(run, 6_000)
    assert run.state("sowing") == "Execute"


def test_what_runs_goes_on_when_the_pressure_falls(shift) -> None:
    run = shift("small", seed=2).run("20s")
    _pin(run, "water.supply_ok", False)
    assert _active(run, "water_supply")
    assert run.state("sowing") == "Execute"


def test_a_dry_cycle_asks_for_neither_water_nor_substrate_nor_seed(shift) -> None:
    run = _ready_to_start(shift, "dry_cycle")
    for tag, value in (("water.supply_ok", False), ("fill.hopper_level", 0.0),
                       ("seed.seed_level", 0.0)):  # fmt: skip
        _pin(run, tag, value)
    assert not any(_active(run, name) for name in ("water_supply", "hopper_empty", "seed_empty"))
    run.command("sowing", "start")
    _on(run, 6_000)
    assert run.state("sowing") == "Execute"

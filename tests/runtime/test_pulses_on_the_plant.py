"""A pulse from the command to the motion on the plant model: bench, registers, auditor and all."""

from __future__ import annotations

import pytest

UNITS = ("sowing", "harvest")
ZONE = {"turn.to_90": "sowing", "lane1.germ.stroke": "lanes", "outfeed.extend": "harvest"}


def in_maintenance(shift, **options):
    run = shift("small", start=False, lanes=0.0, **options)
    run.run("3s")
    for unit in UNITS:
        run.command(unit, "mode", "maintenance")
    return run.run("4s")


@pytest.mark.parametrize(("tag", "feedback", "length"), [
    ("turn.to_90", "turn.at_90", "5s"), ("lane1.germ.stroke", "lane1.germ.forward", "6s"),
    ("outfeed.extend", "outfeed.gripper_out", "3s"),
])  # fmt: skip
def test_a_pulse_moves_what_it_names_and_breaks_no_rule(shift, tag, feedback, length):
    # S36, S37
    run = in_maintenance(shift)
    site = run.line.site
    run.command("", "pulse", f"{tag} {length}")
    run.run("6s")
    assert run.line.status(0)["pulse"]["stage"] == "waits"
    run.do("enable", ZONE[tag])
    run.run("20s")
    assert run.line.status(0)["last_pulse"]["ended_by"] == "time"
    assert run.plant.read(site.index(feedback))
    assert run.outcome["violations"] == []


def test_the_device_let_go_the_motion_stops_on_the_way(shift):
    # S36
    run = in_maintenance(shift)
    run.command("", "pulse", "turn.to_90 5s")
    run.do("enable", "sowing")
    run.run("8500ms")
    assert run.plant.read(run.line.site.index("turn.to_90"))
    run.do("disable", "sowing")
    run.run("20s")
    assert run.line.status(0)["last_pulse"]["ended_by"] == "enabling"
    assert not run.plant.read(run.line.site.index("turn.at_90"))
    assert run.outcome["violations"] == []


def test_leaping_and_ticking_see_the_same_pulses(shift):
    told = []
    for every_tick in (False, True):
        run = in_maintenance(shift, every_tick=every_tick)
        for tag, length in (
            ("turn.to_90", "5s"),
            ("fill.doser_rate", "2s 250"),
            ("fill.run", "3s"),
        ):
            run.do("enable", "sowing")
            run.command("", "pulse", f"{tag} {length}")
            run.rehearsal.run(run.rehearsal.bench.now + 10_000)
        run.command("", "force", "fill.run 1 4s by way of trial")
        run.rehearsal.run(run.rehearsal.bench.now + 12_000)
        run.do("disable", "sowing")
        run.rehearsal.run(run.rehearsal.bench.now + 3_000)
        told.append(
            (run.line.digest(), run.line.status(0)["last_pulse"], run.outcome["violations"])
        )
    assert told[0] == told[1]
    assert told[0][1]["tag"] == "fill.run" and told[0][2] == []

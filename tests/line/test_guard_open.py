"""With a guard open nothing of its zone comes on, whatever anybody commands.

Motion with a guard open would need a hard-wired selector that says so, and the line reads none: an
enabling device alone is not enough. So there is no command, mode, bypass, force, override or pulse
for it. Generated over every command name, in random order, with every enabling device held, on a
site whose file allows every bypass.
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from linectl.image import Command, Frame
from linectl.line.commands import NAMES
from linectl.line.tr88 import COMMANDS
from linectl.site.load import load_site
from linectl.site.parts import moving_tags, needs_of

SMALL = load_site(Path(__file__).parents[2] / "config" / "small")
GUARDS = [(zone, guard) for zone, facts in SMALL.file.zones.items() for guard in facts.guards]
MODES = ("production", "dry-cycle", "step", "jog", "cleaning", "maintenance")
TIMES = 2
"""Every command is given so often, in random order."""


def every_command(site) -> list[Command]:
    """Every name with every argument that makes sense of it, and some that do not."""
    units, lanes = ("sowing", "harvest"), [str(lane.id) for lane in site.file.lanes]
    inputs = [point for point in site.points if point.direction == "in"]
    outputs = [point for point in site.points if point.direction == "out" and point.is_bool]
    said: dict[str, list[str]] = {
        "mode": list(MODES),
        "crop": list(site.crops.crops),
        "advance-empty": lanes,
        "programme": [f"{lane} {word}" for lane in lanes for word in ("filling", "running_out")],
        "out-of-service": lanes,
        "in-service": lanes,
        "partial": [f"{name} {w}" for name in site.file.stations for w in ("finish", "redo")],
        "reject": list(site.file.stations),
        "removed": list(site.file.stations),
        "correct": ["lane1.germ.0 hole"],
        "bypass": [f"{cause} 1h by way of trial" for cause in site.interlocks.causes],
        "bypass-end": list(site.interlocks.causes)[:5],
        "force": [
            *(f"{p.tag} {w} 1h by way of trial" for p in inputs for w in ("0", "1")),
            *(f"{p.tag} {w} 1m by way of trial" for p in outputs for w in ("0", "1")),
        ],
        "pulse": [f"{p.tag} 1s {w}" for p in outputs for w in ("0", "1")],
        "force-end": ["all"],
        "override": ["ripe-check off 1h by way of trial", "water-dose 800 1h by way of trial"],
        "override-end": ["all"],
    }
    assert set(said) | set(COMMANDS) <= set(NAMES)
    return [
        Command(unit, name, argument, "anna")
        for name in NAMES
        for argument in said.get(name, [""])
        for unit in (units if name in (*COMMANDS, "mode", "crop", "skip", "run-out") else ("",))
    ]


@pytest.mark.parametrize(("zone", "guard"), GUARDS)
def test_no_command_brings_an_output_of_a_zone_on_while_its_guard_is_open(
    hand, small, allowing, zone, guard
):
    # S24
    hand = type(hand)(allowing(small, *small.interlocks.causes))
    hand.healthy()
    hand.start()
    for name in small.file.zones:
        hand.set(f"{name}.enabling", True)
    hand.scan(Frame(durable=1_000))
    hand.settle(50)
    needs = needs_of(small.file)
    moving = [tag for tag in moving_tags(small.file) if needs[tag].zone == zone]
    points = {small.index(tag): small.points[small.index(tag)] for tag in moving}
    hand.set(f"guard_{guard}.closed", False)
    on = {index for index in points if hand.line.outputs[index]}
    assert all(points[index].holds_load for index in on), "only a grip may go on holding its load"

    def look() -> None:
        came = {index for index in points if hand.line.outputs[index]} - on
        assert not came, [points[index].tag for index in came]

    signals = [small.index(f"{unit}.{role}") for unit in ("sowing", "harvest")
               for role in ("horn_on", "beacon_on")]  # fmt: skip
    rng = random.Random(guard)
    wanted = every_command(small) * TIMES
    rng.shuffle(wanted)
    ways_on = [Command(unit, name, "", "anna") for unit in ("sowing", "harvest")
               for name in ("clear", "reset", "start", "unhold")]  # fmt: skip
    for place, command in enumerate(wanted):
        commands = [command, Command("", "interlock-reset", "", "anna")]
        if place % 5 == 0:
            commands += ways_on
        hand.scan(Frame(commands=commands, durable=1_000))
        look()
        if place % 50 == 0:
            lit = [(index, place % 100 == 0) for index in signals]
            hand.scan(Frame(values=lit))
            for _ in range(4):
                hand.scan(ms=1_000)
                look()
    assert hand.line.now > 30_000


@pytest.mark.parametrize("mode", ["step", "jog", "cleaning"])
def test_modes_for_work_with_a_guard_open_are_refused_as_long_as_no_selector_for_it_is_read(
    hand, mode
):
    # S24
    roles = {need.role.name for need in needs_of(hand.site.file).values()}
    assert not any("hold_to_run" in role or "jog" in role for role in roles)
    for unit in ("sowing", "harvest"):
        assert "hard-wired" in hand.line.obey(Command(unit, "mode", mode, "anna"))

"""Somebody at a line in maintenance: the enabling device in their hand, horn and beacon heard."""

from __future__ import annotations

from linectl.image import Command

RUN = "fill.run"


def in_maintenance(hand):
    """Both units in maintenance, every enabling device seen let go."""
    for unit in ("sowing", "harvest"):
        assert hand.line.obey(Command(unit, "mode", "maintenance")) is None
    hand.settle(20)
    hand.line.take_events()
    return hand


def status(hand):
    return hand.line.status(hand.now)


def hold(hand, zone="sowing", ms=3_200):
    """The enabling device, and a horn that is heard."""
    hand.set(f"{zone}.enabling", True)
    sound(hand, zone)
    hand.settle(ms)


def sound(hand, zone, on=True):
    hand.set(f"{zone}.horn_on", on)
    hand.set(f"{zone}.beacon_on", on)

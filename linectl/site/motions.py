"""How long motions take by their geometry: the arithmetic of belts and carriages, nothing else."""

from __future__ import annotations


def belt_ms(distance_mm: float, speed_mm_s: float, ramp_ms: float) -> float:
    """Milliseconds for a belt from standstill over `distance_mm`, not counting the run-down.

    A linear ramp covers half the distance of full speed in its time, so it adds half of itself.
    A distance shorter than the ramp's takes √(2·distance·ramp ÷ speed). Source: uniform
    acceleration (elementary kinematics).
    """
    ramp_mm = speed_mm_s * ramp_ms / 2000
    if distance_mm >= ramp_mm:
        return distance_mm / speed_mm_s * 1000 + ramp_ms / 2
    acceleration = speed_mm_s / ramp_ms * 1000 if ramp_ms else 0.0
    return float((2 * distance_mm / acceleration) ** 0.5 * 1000) if distance_mm > 0 else 0.0


def travel_ms(distance_mm: float, speed_mm_s: float, ramp_ms: float) -> float:
    """Milliseconds from standstill to standstill over `distance_mm`, trapezoid or triangle.

    Each ramp covers speed × ramp ÷ 2; a way shorter than both never reaches full speed.
    Source: uniform acceleration (elementary kinematics).
    """
    distance_mm = abs(distance_mm)
    if distance_mm == 0:
        return 0.0
    if distance_mm >= speed_mm_s * ramp_ms / 1000:
        return distance_mm / speed_mm_s * 1000 + ramp_ms
    acceleration = speed_mm_s / ramp_ms * 1000
    return float(2 * (distance_mm / acceleration) ** 0.5 * 1000)


def run_on_mm(speed_mm_s: float, reaction_ms: float, ramp_ms: float) -> float:
    """How far a belt carries on after the eye that stops it: reaction at speed, then the ramp."""
    return speed_mm_s * (reaction_ms + ramp_ms / 2) / 1000

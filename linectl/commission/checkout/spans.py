"""The span over which a number is tried: asked for, or proposed from what the site says."""

from __future__ import annotations

from linectl.commission.checkout.facts import Item
from linectl.commission.checkout.outcome import Terms
from linectl.commission.person import Person, answer
from linectl.registers.codec import decode, encode
from linectl.site.hardware import Point
from linectl.site.machine import Fill, Seed, Water
from linectl.site.model import Site
from linectl.site.register_range import register_range

SHARES = (0.0, 0.25, 0.5, 0.75, 1.0)
"""Five points of the span, as loop checks use them (common practice; IEC 62382 from memory)."""


def span_of(site: Site, item: Item, person: Person, terms: Terms) -> tuple[float, float]:
    """Least and greatest. Raises Ended."""
    if item.tag in terms.ranges:
        return terms.ranges[item.tag]
    least, most = _proposed(site, item)
    unit = item.point.unit
    while True:
        asked = f"  its range in {unit or 'its unit'} (Enter: {least:g} to {most:g}): "
        said = answer(person, asked)
        if not said:
            return least, most
        parts = said.replace("..", " ").replace("to", " ").split()
        try:
            low, high = (float(part) for part in parts)
        except ValueError:
            low = high = 0.0
        if low < high:
            return low, high
        person.say("  two numbers, the lesser first, such as: 0 to 1500")


def _proposed(site: Site, item: Item) -> tuple[float, float]:
    file, role = site.file, item.role
    station = file.stations.get(item.part)
    ends = [lane.infeed_mm for lane in file.lanes] + [lane.outfeed_mm for lane in file.lanes]
    able: float | None = None
    match station, role:
        case Fill(), "hopper_level":
            able = float(station.hopper_l)
        case Fill(), "doser_rate":
            able = getattr(station.doser_range_ml_s, "most", None)
        case Water(), "flow_rate":
            able = getattr(station.flow_range_ml_s, "most", None)
        case Seed(), "vacuum":
            able = 2 * station.vacuum_min_kpa
        case Seed(), "drum_rate":
            able = getattr(station.drum_range_seeds_s, "most", None)
        case _, "speed":
            able = float(getattr(station, "speed_mm_s", 0)) or None
        case _, ("position" | "target"):
            return 0.0, float(max(ends)) or 1000.0
    if able is None:
        limits = register_range(item.point)
        able = min(limits.most, 100.0) if limits.most > 0 else 100.0
    return 0.0, able


def raw_of(point: Point, reading: float) -> float:
    """The number as the device's register has it."""
    raw = (reading - point.offset) / point.scale
    return raw if point.type == "f32" else float(round(raw))


def other_order(point: Point, reading: float) -> float | None:
    """The reading in the other word order; None for a point of one word."""
    if point.words == 1 or point.word_order is None:
        return None
    other = "little" if point.word_order == "big" else "big"
    return float(decode(point.model_copy(update={"word_order": other}), encode(point, reading)))


def number(text: str, usual: float) -> float | None:
    """What they typed, `usual` for nothing; None if it is no number."""
    if not text:
        return usual
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return None

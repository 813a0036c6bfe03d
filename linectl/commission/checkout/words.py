"""What a checkout says of a point: where it is, what to do at it, what will move, what is near."""

from __future__ import annotations

from linectl.commission.checkout.facts import Item
from linectl.commission.person import Reading
from linectl.site.durations import format_duration
from linectl.site.model import Site
from linectl.site.notation import both_ways

ACTS: dict[str, tuple[str, str]] = {
    "estop_ok": ("press an emergency stop of the zone", "release it, then the safety reset"),
    "closed": ("open the guard", "close the guard"),
    "enabling": ("hold the enabling device", "let it go"),
    "safety_reset": ("press the safety reset button", "let the button go"),
    "interlock_reset": ("press the interlock reset button", "let the button go"),
    "remote_selected": ("turn the selector to the machine", "turn it back to the room"),
    "air_ok": ("shut the air off at the hand valve", "open the hand valve"),
    "isolator_on": ("open the isolator", "close the isolator"),
    "remote": ("turn the switch to local", "turn it back to remote"),
    "drive_ok": ("make the drive report a fault", "reset the drive"),
    "overload_ok": ("trip the overload by hand", "reset the overload"),
    "overtravel_ok": ("work an overtravel switch by hand", "let the switch go"),
    "limits_ok": ("work an end limit by hand", "let the limit go"),
    "supply_ok": ("shut the water off before the switch", "open the water"),
    "swept_clear": ("step into the field of the sensor, drives locked out", "step out of it"),
    "ready": ("let packing change its signal", "let packing change it back"),
    "taken": ("let packing give its signal", "let the signal end"),
}
"""Role of an input → what brings it to its acted side, and back."""
_BEAM = ("hold something into the beam", "take it out of the beam")
_SIGN = ("work the sensor by hand, with a target or a magnet", "take the target away")
_EYES = ("centred", "on_board", "not_low", "not_empty", "single")

DANGER: dict[str, str] = {
    "run": "belts draw in hair, gloves and sleeves; a carriage traps against lane ends",
    "gate": "gutters drop from the stack; keep hands out of the gate",
    "doser": "substrate falls, dust rises; the doser shears",
    "press": "the press crushes and springs up by itself when the pulse ends",
    "clamp": "the clamp traps fingers",
    "brush": "the brush draws in hair, gloves and sleeves",
    "valve": "water comes out of the nozzle bar: wet floor, wet electrics",
    "pump": "the drum holds vacuum; hoses may be off",
    "drum": "the drum draws in hair, gloves and sleeves",
    "to_0": "the table sweeps several metres of gutter through the aisle",
    "to_90": "the table sweeps several metres of gutter through the aisle",
    "extend": "the arm reaches into lane or table; nothing may stand in its way",
    "retract": "the arm comes home; nothing may stand in its way",
    "grip": "the gripper traps fingers; what it holds may fall when it opens",
    "stroke": "the whole row moves at once, also where nobody at the start can see it",
    "back": "the fingers of the whole run go back, also where nobody can see them",
    "up": "the lift shears at each level; nobody on it, under it, or across a joint",
    "down": "the lift comes down: nobody under it; it shears at each level",
    "brake": "the lift's brake lets go: prop the lift, nobody under it",
    "belt": "the belt takes a gutter across the joint, into the lift or the next run",
    "air": "air comes on or is dumped: arms, gates and the press may move by themselves",
    "horn": "loud: hearing protection",
    "beacon": "a light comes on, nothing moves",
    "offer": "packing may take what is not there",
}
"""Role of an output → where it is dangerous."""
CAUTION = (
    "Lock out first whatever hands are near; a pulse is no lock-out. Know who is at the machine.",
    "Only the enabling device in your hand is hold-to-run, never this keyboard. Local codes rule.",
)


def place_of(item: Item) -> str:
    """Device, address both ways, terminal note, supply."""
    point = item.point
    bit = "" if point.bit is None else f" bit {point.bit}"
    parts = [f"{point.device}, {both_ways(point.table, point.address, point.words)}{bit}"]
    if point.note:
        parts.append(f"terminal {point.note}" if ":" in point.note else point.note)
    if point.supply:
        parts.append(f"supply {point.supply}")
    return ", ".join(parts)


def card_of(item: Item) -> list[str]:
    """What the screen says of a point before it is tried."""
    point = item.point
    lines = [f"{item.need.role.text}; zone {item.zone}", place_of(item)]
    if item.point.direction == "out":
        facts = [f"at rest {point.safe:g}", f"on loss: {point.on_loss}"]
        if point.cut_by:
            facts.append(f"cut by {point.cut_by}")
        return [*lines, ", ".join(facts)]
    if not point.is_bool:
        order = f", {point.word_order} word first" if point.words == 2 else ""
        unit = point.unit or "one"
        return [*lines, f"{point.type}{order}, {point.scale:g} {unit} a count"]
    normal = "may be either way at rest" if item.normal is None else f"normal {int(item.normal)}"
    late = [
        f"{what} delay {format_duration(ms)}"
        for what, ms in (("on", point.on_delay_ms), ("off", point.off_delay_ms))
        if ms
    ]
    inverted = ["inverted by its row"] if point.invert else []
    return [*lines, ", ".join([normal, *inverted, *late])]


def act_of(item: Item) -> tuple[str, str]:
    """What a person does at an input, and what puts it back."""
    if item.role in ACTS:
        return ACTS[item.role]
    return _BEAM if item.role.endswith("_eye") or item.role in _EYES else _SIGN


def danger_of(site: Site, item: Item) -> list[str]:
    """What an output will move, where it is dangerous, and whether it can be taken back."""
    point = item.point
    lines = [f"IT WILL MOVE: {item.need.role.text}, {item.part}"]
    if item.role in DANGER:
        lines.append(f"danger: {DANGER[item.role]}")
    if point.on_loss == "stays" and point.is_bool:
        lines.append("it stays when switched off: this will travel its whole stroke")
    if point.on_loss in ("extends", "retracts", "falls"):
        lines.append(f"when the pulse ends it {point.on_loss} by itself")
    if point.holds_load:
        lines.append("it holds a load: prop the load first, nothing and nobody under it")
    return lines


def shown(value: Reading) -> str:
    """A reading, as people write it."""
    if value is None:
        return "no reading"
    return f"{int(value)}" if isinstance(value, bool) else f"{value:g}"

"""A site for many kills: the small line in a hurry, two lanes of 2 + 3 slots with a lift."""

from __future__ import annotations

import datetime as dt
import random
import threading
from contextlib import closing
from pathlib import Path

from linectl.commission.approve import approve_site
from linectl.image import Slot
from linectl.ledger import Ledger
from linectl.site.load import load_site
from linectl.site.model import Site

ROOT = Path(__file__).parents[3]
_PATIENT = "silent_after: 900ms"
_BELT = "speed_mm_s: 400, travel_timeout: 11s"
_RUN = "pitch_mm: 120, stroke: 1500ms, back: 1s, timeout: 4s"


def _lane(number: int, crops: str, at_mm: int) -> str:
    return f"""
  - id: {number}
    zone: lanes
    crops: [{crops}]
    infeed_mm: {at_mm}
    outfeed_mm: {at_mm}
    runs:
      - {{name: germ, slots: 2, {_RUN}}}
      - {{name: grow, slots: 3, {_RUN}}}
    transfers:
      - {{kind: lift_up, name: lift, belt: 1200ms, travel: 1s, timeout: 4s}}"""


_LANES = (
    _lane(1, "green_oakleaf, red_oakleaf", 0),
    _lane(2, "red_oakleaf, green_oakleaf, rocket", 3_000),
)
_SITE = f"""
extends: {ROOT / "config" / "small"}
name: quick
text: two short lanes on a machine in a hurry
takt: 14s
buses:
  io: {{timeout: 300ms}}
  drives: {{timeout: 150ms}}
devices: # a busy computer must not be taken for a silent device
  io_sower: {{{_PATIENT}}}
  io_lanes: {{{_PATIENT}}}
  belts_sower: {{{_PATIENT}}}
  belts_harvest: {{{_PATIENT}}}
  axis_infeed: {{{_PATIENT}}}
  axis_outfeed: {{{_PATIENT}}}
  meter: {{{_PATIENT}}}
zones:
  sowing: {{reaction_limit: 3s}}
  harvest: {{reaction_limit: 3s}}
  lanes: {{reaction_limit: 3s}}
stations:
  magazine: {{{_BELT}, gate: 600ms, gate_timeout: 3s}}
  fill: {{{_BELT}}}
  tamp: {{{_BELT}, clamp: 300ms, press: 600ms, press_timeout: 3s}}
  water: {{{_BELT}}}
  seed: {{{_BELT}}}
  turn: {{{_BELT}, turn: 1s, turn_timeout: 4s}}
  infeed: {{speed_mm_s: 1500, gripper: 600ms}}
  outfeed: {{speed_mm_s: 1500, gripper: 600ms}}
  turnout: {{{_BELT}, turn: 1s, turn_timeout: 4s}}
lanes:{"".join(_LANES)}
"""
_CROPS = """
crops:
  green_oakleaf: {days: 2m, ripe_after: 20s}
  red_oakleaf: {days: 2m, ripe_after: 20s}
  rocket: {days: 2m, ripe_after: 20s}
"""


_made: dict[str, tuple[bytes, Site]] = {}
_lock = threading.Lock()


def write_site(folder: Path) -> Site:
    """Write the site's files into a folder of its own; the site, which is the same for all."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "site.yaml").write_text(_SITE, encoding="utf-8")
    (folder / "crops.yaml").write_text(_CROPS, encoding="utf-8")
    approval = folder / "approval.yaml"
    with _lock:
        if "site" not in _made:
            approve_site(folder, "the tests", dt.date(2026, 1, 1))
            _made["site"] = approval.read_bytes(), load_site(folder)
    signed, site = _made["site"]
    approval.write_bytes(signed)
    return site


def stock(site: Site, share: float, chance: random.Random) -> list[Slot]:
    """Ripe gutters in that share of the lanes' slots, anywhere; 1: in all of them."""
    places = [
        (lane.crops[0], f"{lane.prefix}.{run.name}.{number}")
        for lane in site.file.lanes
        for run in lane.runs
        for number in range(run.slots)
    ]
    kept = sorted(chance.sample(range(len(places)), round(share * len(places))), reverse=True)
    return [
        Slot(places[at][1], gutter, places[at][0], -120_000, -100_000)
        for gutter, at in enumerate(kept, 1)
    ]


def begin_ledger(path: Path, site: Site, slots: list[Slot]) -> None:
    """A ledger in which these gutters stand."""
    with closing(Ledger.open(str(path), site)) as book:
        book.seed_lanes(slots)

"""What `linectl setpoints --json` prints, from the same arithmetic as its tables."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from linectl.crop import setpoints
from linectl.crop.crop_needs import CropNeeds
from linectl.crop.setpoints import SetPoint
from linectl.crop.takt_gain import TaktGain
from linectl.site.model import Site


def setpoints_json(
    site: Site, needs: Sequence[CropNeeds], gain: TaktGain, today: dt.date
) -> dict[str, Any]:
    """One object; null is what the site's files do not say.

    site · takt_s, possible_s · slowest: the station, its steps (text, s, dearest first), next,
    next_s, gain_s · shift: gutters, sowing_s · belts: set-points, the same for all crops ·
    crops, by name: each with
      substrate: loose_l, filled_mm, per_mm_ml, tamped_l, mass_kg, loose_g_l, tamped_g_l, bed
        (loose_mm,
        tamped_mm, press_mm, over_rim_mm, depth_mm)
      hopper: hopper_l, low_l, empty_l, gutters_until_low, gutters_until_empty, s_until_low,
        s_until_empty
      water: dose_ml, valve_s, pulses
      seed: per_gutter, rows, per_cell, cells_in_row, wanted_mm, wanted_seeds, agrees, seeded_mm,
        laid_mm, mass_g, factor, rev_min
      shift: gutters, substrate_l, substrate_kg, water_l, seeds, seed_g
      set_points: doser, valve, drum
    A set-point: tag, unit, value (asked of the device), written and point_unit (what the line
    writes), held (by the register, in unit), off_by (share), least, most, verdict (ok, too slow,
    too fast, cannot be written) · expired: keys of calibration.yaml that are no longer good.
    """
    return {
        "site": site.name,
        "takt_s": site.file.takt_ms / 1000,
        "possible_s": gain.takt_ms / 1000,
        "slowest": {
            "name": gain.setter,
            "steps": [{"text": step.text, "s": step.ms / 1000} for step in gain.steps],
            "next": gain.next_name,
            "next_s": gain.next_ms / 1000,
            "gain_s": gain.gain_ms / 1000,
        },
        "shift": {
            "gutters": needs[0].shift.gutters if needs else 0,
            "sowing_s": site.sowing_ms / 1000,
        },
        "belts": [_set_point(belt) for belt in setpoints.belts(site)],
        "crops": {each.crop: _crop(each) for each in needs},
        "expired": [key for key, _ in site.calibration.expired(today)],
    }


def _set_point(made: SetPoint) -> dict[str, Any]:
    return {**asdict(made), "off_by": made.off_by, "verdict": made.verdict}


def _crop(needs: CropNeeds) -> dict[str, Any]:
    bed, hopper, low = needs.substrate.bed, needs.hopper, needs.hopper.until_low
    return {
        "substrate": {
            **asdict(needs.substrate),
            "bed": bed
            and {**asdict(bed), "press_mm": bed.press_mm, "over_rim_mm": bed.over_rim_mm},
        },
        "hopper": {
            "hopper_l": hopper.hopper_l,
            "low_l": hopper.low_l,
            "empty_l": hopper.empty_l,
            "gutters_until_low": low,
            "gutters_until_empty": hopper.until_empty,
            "s_until_low": None if low is None else hopper.ms(low) / 1000,
            "s_until_empty": hopper.ms(hopper.until_empty) / 1000,
        },
        "water": {
            "dose_ml": needs.water.dose_ml,
            "valve_s": needs.water.valve_ms / 1000,
            "pulses": needs.water.pulses,
        },
        "seed": {**asdict(needs.seed), "agrees": needs.seed.agrees},
        "shift": asdict(needs.shift),
        "set_points": {
            name: _set_point(made)
            for name, made in zip(("doser", "valve", "drum"), needs.set_points, strict=True)
        },
    }

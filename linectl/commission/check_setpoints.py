"""Checks each crop's set-points: what a device cannot be told, cannot do, or would do wrongly."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from linectl.crop import setpoints
from linectl.crop.crop_needs import CropNeeds, SeedNeeds, crop_needs
from linectl.crop.setpoints import SetPoint
from linectl.errors import Finding
from linectl.site.model import Site
from linectl.site.register_range import register_range
from linectl.site.sheet import Node, TreePath, dotted

CROPS = "crops.yaml"
STEP_SHARE = 0.01
"""A register's step may make a set-point wrong by this share, unremarked."""
_DOSES = ("substrate_l", "water_ml", "seeds_per_gutter")
"""Keys of a crop in the order of its set-points: doser, valve, drum."""


@dataclass
class SetPointFindings:
    """Errors: what cannot be written. Warnings: what the device cannot do, or does wrongly."""

    errors: list[Finding] = field(default_factory=list)
    warnings: list[Finding] = field(default_factory=list)


def set_point_findings(site: Site, trees: Mapping[str, Node], today: dt.date) -> SetPointFindings:
    """Every belt's speed, every crop's doses, and calibrations that are no longer good."""
    found = SetPointFindings()
    for belt in setpoints.belts(site):
        name = belt.tag.split(".")[0]
        _judge(found, site, trees, belt, "site.yaml", ("stations", name, "speed_mm_s"))
    for name in site.crops.crops:
        needs = crop_needs(site, name)
        for key, point in zip(_DOSES, needs.set_points, strict=True):
            _judge(found, site, trees, point, CROPS, ("crops", name, key))
        found.warnings += _remarks(trees, needs)
    for key, measured in site.calibration.expired(today):
        text = f"was good until {measured.valid_until}: it counts on, but nobody has looked since"
        path = tuple(key.split(".", 1))
        hint = "measure it anew"
        found.warnings.append(_at(trees, "calibration.yaml", path, text, hint))
    return found


def _at(
    trees: Mapping[str, Node], file: str, path: TreePath, text: str, hint: str | None = None
) -> Finding:
    node = trees[file].at(path)
    return Finding(node.file, node.line, dotted(path), text, hint)


def _judge(
    found: SetPointFindings,
    site: Site,
    trees: Mapping[str, Node],
    made: SetPoint,
    file: str,
    path: TreePath,
) -> None:
    """One set-point against its register, then against its device."""
    point = site.points[site.index(made.tag)]
    asks = f"{made.tag} would be {_short(made.value)} {made.unit}"
    if made.written != made.value:
        asks += f" ({_short(made.written)} {made.point_unit})"
    if made.verdict == "cannot be written":
        least, most, step = register_range(point)
        text = (
            f"{asks}, which its register cannot hold: {point.type} goes from {least:g} to"
            f" {most:g} {point.unit} by {step:g}"
        )
        hint = "another dose, another belt speed, or the scale that the device's manual gives"
        found.errors.append(_at(trees, file, path, text, hint))
    elif made.verdict != "ok":
        text = f"{asks}: {made.verdict}, the device goes from {_ends(made)} {made.unit}"
        hint = "another dose, another belt speed, or the range that was measured"
        found.warnings.append(_at(trees, file, path, text, hint))
    elif abs(made.off_by) > STEP_SHARE:
        step = register_range(point).step
        text = (
            f"{asks}, but the register holds steps of {step:g} {point.unit}: it gets"
            f" {made.held:.4g} {made.unit}, {made.off_by:+.1%}"
        )
        hint = f"a finer scale of {made.tag}, if the device has one"
        found.warnings.append(_at(trees, file, path, text, hint))


def _short(value: float) -> str:
    """Four figures, and whole ones from a thousand on."""
    return f"{value:,.0f}" if value >= 1000 else f"{value:.4g}"


def _ends(made: SetPoint) -> str:
    least = "nothing" if made.least is None else _short(made.least)
    most = "any" if made.most is None else _short(made.most)
    return f"{least} to {most}"


def _remarks(trees: Mapping[str, Node], needs: CropNeeds) -> Iterator[Finding]:
    """What can be written and done, and is yet not what the grower wants."""
    here = ("crops", needs.crop)
    bed, seed = needs.substrate.bed, needs.seed
    if bed is not None and bed.over_rim_mm > 0:
        text = (
            f"{needs.substrate.loose_l:g} l lie {bed.loose_mm:.0f} mm high before the press, but"
            f" the gutter is {bed.depth_mm:g} mm deep: what stands over the rim falls off"
        )
        yield _at(trees, CROPS, (*here, "substrate_l"), text)
    if not seed.agrees:
        yield _at(trees, CROPS, (*here, "spacing_mm"), _disagreement(seed), _seed_hint(seed))


def _disagreement(seed: SeedNeeds) -> str:
    rows = f"{seed.rows} row{'s' if seed.rows > 1 else ''} of {seed.per_cell} a cell"
    return (
        f"{seed.wanted_mm:g} mm gives {seed.wanted_seeds} seeds a gutter ({rows}), but"
        f" seeds_per_gutter is {seed.per_gutter}, which is what the line sows"
    )


def _seed_hint(seed: SeedNeeds) -> str:
    return f"seeds_per_gutter: {seed.wanted_seeds}, or the spacing that is really wanted"

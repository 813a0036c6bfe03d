"""`linectl setpoints SITE [CROP]`: what each crop asks of the line, and what the line is told."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from typing import Annotated

import typer
from rich.text import Text

from linectl.cli.app import AsJson, SiteFolder, app
from linectl.cli.screen import heading, say, say_json, span, table
from linectl.cli.setpoints_json import setpoints_json
from linectl.crop import setpoints
from linectl.crop.crop_needs import CropNeeds, SeedNeeds, crop_needs
from linectl.crop.setpoints import SetPoint
from linectl.crop.site_takt import site_takt
from linectl.crop.takt_gain import TaktGain, takt_gain
from linectl.errors import UsageError
from linectl.site.complaints import nearest
from linectl.site.load import load_site
from linectl.site.model import Site

EXAMPLE = """
Examples:

  linectl setpoints config/fennmark

  linectl setpoints config/fennmark rocket --json
"""
STEPS_SHOWN = 4
SPACING_SHARE = 0.01
"""A spacing as laid may differ from the one wanted by this share, unremarked."""


@app.command("setpoints", epilog=EXAMPLE)
def setpoints_command(
    site: SiteFolder,
    crop: Annotated[
        str, typer.Argument(metavar="[CROP]", help="One crop of crops.yaml; all if left out.")
    ] = "",
    as_json: AsJson = False,
) -> None:
    """Prints what each crop asks of a gutter, a hopper and a shift, and the set-points for it.

    The line writes exactly these set-points. They are arithmetic from the site's files: weigh a
    gutter, and count one, before you believe them.
    """
    loaded = load_site(site)
    crops = loaded.crops.crops
    if crop and crop not in crops:
        raise UsageError(f"no crop {crop!r} in crops.yaml; {nearest(crop, crops) or 'see there'}")
    needs = [crop_needs(loaded, name) for name in ([crop] if crop else crops)]
    gain, today = takt_gain(site_takt(loaded)), dt.date.today()
    if as_json:
        say_json(setpoints_json(loaded, needs, gain, today))
        return
    _substrate(loaded, needs)
    _hopper(loaded, needs)
    _water(needs)
    _seed(loaded, needs)
    _set_points(loaded, needs)
    _shift(loaded, needs)
    _takt(loaded, gain)
    _expired(loaded, today)


def _substrate(site: Site, needs: Sequence[CropNeeds]) -> None:
    gutter, filled = site.file.gutter, needs[0].substrate.filled_mm
    size = f"{gutter.length_mm} mm long"
    if gutter.width_mm and gutter.depth_mm:
        size += f", {gutter.width_mm:g} wide, {gutter.depth_mm:g} deep inside"
    say(heading("Substrate"), Text(f"a gutter {size}; the doser fills {filled:g} mm of it"))
    rows = []
    for each in needs:
        made, bed = each.substrate, each.substrate.bed
        tall: tuple[str | None, ...] = (None, None, None, None)
        if bed is not None:
            rim = f"{bed.over_rim_mm:.1f} OVER" if bed.over_rim_mm else "below"
            tall = (_1(bed.loose_mm), _1(bed.tamped_mm), _1(bed.press_mm), rim)
        rows.append([each.crop, _1(made.loose_l), _1(made.tamped_l), _2(made.mass_kg), *tall])
    say(table("crop|>loose l|>tamped l|>kg|>loose mm|>tamped mm|>press mm|>rim", rows))
    say(Text())


def _hopper(site: Site, needs: Sequence[CropNeeds]) -> None:
    hopper = needs[0].hopper
    marks = [f"low below {hopper.low_l:g}"] if hopper.low_l is not None else []
    marks += [f"no gutter begun below {hopper.empty_l:g}"] if hopper.empty_l is not None else []
    text = ", ".join([f"a full one holds {hopper.hopper_l:g} l", *marks])
    say(heading("Hopper"), Text(f"{text}; at a takt of {span(hopper.takt_ms / 1000)}"))
    rows = []
    for each in needs:
        store, low = each.hopper, each.hopper.until_low
        low_span = None if low is None else span(store.ms(low) / 1000)
        empty_span = span(store.ms(store.until_empty) / 1000)
        per_mm = _2(each.substrate.per_mm_ml)
        rows.append([each.crop, per_mm, low, low_span, store.until_empty, empty_span])
    columns = "crop|>doser ml/mm|>gutters to low|>time|>to empty|>time"
    say(table(columns, rows))
    say(Text())


def _water(needs: Sequence[CropNeeds]) -> None:
    say(heading("Water"), Text("a gutter"))
    rows = [
        [n.crop, f"{n.water.dose_ml:g}", _1(n.water.valve_ms / 1000), _1(n.water.pulses)]
        for n in needs
    ]
    say(table("crop|>dose ml|>valve open s|>meter pulses", rows))
    say(Text())


def _seed(site: Site, needs: Sequence[CropNeeds]) -> None:
    seeded = f"the drum seeds {needs[0].seed.seeded_mm:g} mm of a gutter"
    say(heading("Seed"), Text(f"{seeded}; cells are rows × cells in a row × seeds in a cell"))
    rows = []
    for each in needs:
        seed = each.seed
        form = site.crops.crops[each.crop].seed_form
        cells = f"{seed.rows}×{seed.cells_in_row:g}×{seed.per_cell}"
        wanted = None if seed.wanted_mm is None else f"{seed.wanted_mm:g}"
        if not seed.agrees:
            wanted = f"{wanted} ({seed.wanted_seeds} SEEDS)"
        laid, mass, turns = _1(seed.laid_mm), _2(seed.mass_g), _1(seed.rev_min)
        factor = f"{seed.factor:g}"
        rows.append([each.crop, form, seed.per_gutter, cells, wanted, laid, mass, factor, turns])
    columns = "crop|form|>seeds|>cells|>wanted mm|>laid mm|>g|>factor|>rpm"
    if all(each.seed.rev_min is None for each in needs):
        columns = columns.rpartition("|")[0]
        rows = [row[:-1] for row in rows]
    say(table(columns, rows))
    if any(_closer(each.seed) for each in needs):
        text = (
            f"laid closer than wanted: the drum starts {setpoints.TOOL_LEAD_MM} mm behind the head,"
            " stops when the tail is at the entry eye, and sows as many seeds all the same"
        )
        say(Text(text))
    say(Text())


def _closer(seed: SeedNeeds) -> bool:
    return seed.wanted_mm is not None and seed.laid_mm < (1 - SPACING_SHARE) * seed.wanted_mm


def _set_points(site: Site, needs: Sequence[CropNeeds]) -> None:
    """One table for each device, with a row for each crop; one for the belts."""
    for made in zip(*(each.set_points for each in needs), strict=True):
        _rows(made[0], "crop", zip((each.crop for each in needs), made, strict=True), made[0].tag)
    belts = setpoints.belts(site)
    for number, unit in enumerate(dict.fromkeys(belt.point_unit for belt in belts)):
        alike = [belt for belt in belts if belt.point_unit == unit]
        names = (belt.tag.split(".")[0] for belt in alike)
        _rows(alike[0], "belt", zip(names, alike, strict=True), "Belts" if not number else "")


def _rows(first: SetPoint, of: str, made: Iterable[tuple[str, SetPoint]], title: str) -> None:
    unit, told = first.unit, first.point_unit
    if title:
        say(heading(title), Text("as the line writes it; what the register makes of it"))
    rows = [
        [name, f"{one.value:.4g}", f"{one.written:.4g}",
         None if one.held is None else f"{one.held:.4g}", _share(one.off_by), _can(one),
         one.verdict if one.verdict == "ok" else one.verdict.upper()]
        for name, one in made
    ]  # fmt: skip
    columns = f"{of}|>asked {unit}|>written {told}|>held {unit}|>off by|>device can|is"
    say(table(columns, rows))
    say(Text())


def _can(made: SetPoint) -> str:
    """What the device can do: 50–900, 50–, or – if nobody has declared it."""
    return "–".join("" if end is None else f"{end:.4g}" for end in (made.least, made.most))


def _shift(site: Site, needs: Sequence[CropNeeds]) -> None:
    shift, sowing = site.file.shift, site.file.sowing
    off = ""
    if sowing.changeovers:
        off = f" less {sowing.changeovers} changeovers of {span(sowing.changeover_ms / 1000)}"
    gutters = needs[0].shift.gutters
    text = f"{span(shift.length_ms / 1000)}{off}: {gutters} gutters; if all of it is one crop"
    say(heading("A shift"), Text(text))
    rows = [
        [n.crop, f"{n.shift.substrate_l:,.0f}", _0(n.shift.substrate_kg), _0(n.shift.water_l),
         f"{n.shift.seeds:,}", _0(n.shift.seed_g)]
        for n in needs
    ]  # fmt: skip
    say(table("crop|>substrate l|>kg|>water l|>seeds|>seed g", rows))
    say(Text())


def _takt(site: Site, gain: TaktGain) -> None:
    text = (
        f"asked {site.file.takt_ms / 1000:.0f} s, possible {gain.takt_ms / 1000:.1f} s:"
        f" {gain.setter} sets it"
    )
    say(heading("Takt"), Text(text))
    if gain.steps:
        dear = ", ".join(f"{step.text} {step.ms / 1000:.1f} s" for step in gain.steps[:STEPS_SHOWN])
        say(Text(f"its dearest steps: {dear}"))
    say(
        Text(
            f"a faster {gain.setter} gains up to {gain.gain_ms / 1000:.1f} s a gutter; then"
            f" {gain.next_name} sets the takt at {gain.next_ms / 1000:.1f} s"
        )
    )


def _expired(site: Site, today: dt.date) -> None:
    for key, measured in site.calibration.expired(today):
        say(Text(f"calibration.yaml: {key} was good until {measured.valid_until}: measure it anew"))


def _0(value: float | None) -> str | None:
    return None if value is None else f"{value:,.0f}"


def _1(value: float | None) -> str | None:
    return None if value is None else f"{value:.1f}"


def _2(value: float | None) -> str | None:
    return None if value is None else f"{value:.2f}"


def _share(value: float) -> str:
    """+1.3%; 0.0% without a sign."""
    return f"{value:+.1%}" if abs(value) >= 0.0005 else "0.0%"

"""`linectl blend`: gutters by crop, the most even harvest order, and what they give in packs."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated

import typer

from linectl.cli.app import AsJson, app
from linectl.cli.blend_asked import ordered, shares, whole_gutters
from linectl.cli.blend_text import print_blend
from linectl.cli.blend_yields import yields_used
from linectl.cli.run import LEDGER
from linectl.cli.screen import complain, say_json
from linectl.crop.blending import Ordered, Packed, Wanted, blended, packed
from linectl.crop.packs import pack
from linectl.errors import UsageError
from linectl.line.blend_commands import CYCLE_MAX
from linectl.site.complaints import nearest
from linectl.site.crops import Blend, Crop
from linectl.site.load import load_site
from linectl.site.masses import parse_mass_kg
from linectl.site.model import Site

EXAMPLE = """
Examples:

  linectl blend --gutters oakleaf=5,rocket=2 --yields oakleaf=2.2kg,rocket=800g

  linectl blend --mass oakleaf=0.7,rocket=0.3 --yields oakleaf=4.9lb,rocket=2lb --tolerance 0.03

  linectl blend config/fennmark garden_mix --gutters-today 120 --packs 900x125g,250g
"""

Folder = Annotated[
    Path | None, typer.Argument(metavar="SITE", help="The site's folder.", show_default=False)
]
Name = Annotated[
    str, typer.Argument(metavar="NAME", help="A blend of its crops.yaml, or one crop.")
]
ByGutters = Annotated[str, typer.Option(metavar="a=5,b=2", help="Whole gutters of each crop.")]
ByMass = Annotated[str, typer.Option(metavar="a=0.6,b=0.4", help="Shares of the mass, or a ratio.")]
Tolerance = Annotated[
    float | None,
    typer.Option(help="By how much a share of the mass may miss, of 1; 0.02 if left out."),
]
Yields = Annotated[
    str,
    typer.Option(
        metavar="a=2.2kg,b=800g",
        help="Yields per gutter; or file: those of crops.yaml; or ledger: as the record has"
        " corrected them, which is taken where there is one.",
    ),
]
LedgerFile = Annotated[
    Path | None, typer.Option(help=f"The ledger's file; {LEDGER} in the site's folder if not.")
]
Today = Annotated[
    int | None,
    typer.Option("--gutters-today", min=1, metavar="N", help="Gutters of today's harvest."),
]
Packs = Annotated[
    str,
    typer.Option(metavar="900x125g,250g", help="Orders of packs, and sizes that take the rest."),
]
FillSpread = Annotated[
    str, typer.Option(metavar="MASS", help="Standard deviation of a filled pack, such as 2g.")
]


@app.command(epilog=EXAMPLE)
def blend(
    site: Folder = None,
    name: Name = "",
    gutters: ByGutters = "",
    mass: ByMass = "",
    tolerance: Tolerance = None,
    yields: Yields = "",
    ledger: LedgerFile = None,
    today: Today = None,
    packs: Packs = "",
    fill_spread: FillSpread = "0g",
    as_json: AsJson = False,
) -> None:
    """Finds a blend's gutters and the most even harvest order of them.

    Asked by gutters: the order in which each crop's count is never farther from even than it must
    be. Asked by mass: first the shortest cycle in which each crop's share of the mass is within
    the tolerance (of the whole: 0.02 is two hundredths). Yields are per gutter that is packed:
    lost gutters are not in it. Nothing is told to a line; it says how to.
    """
    loaded = _site(site)
    wanted, sizes_kg = _wanted(loaded, name, gutters, mass, tolerance)
    used = yields_used(loaded, yields, ledger, wanted)
    asked = ordered(packs) or [(None, kg) for kg in sizes_kg]
    try:
        found = blended(wanted, used.yields)
        fill_sd_kg = parse_mass_kg(fill_spread)
        sizes = [Ordered(pack(kg, fill_sd_kg), count) for count, kg in asked]
        day: Packed | None = None
        if found.weighs is not None and (today is not None or sizes):
            day = packed(found.first(today or found.length), used.yields, sizes)
    except ValueError as error:
        raise UsageError(str(error)) from error
    if as_json:
        told = found.as_json() | {"yields": used.as_json()}
        say_json({**told, "today": None if day is None else day.as_json()})
        return
    if day is None and (packs or today):
        complain("A day cannot be reckoned: the yields are not known; tell them with --yields.")
    known = loaded is not None and name in loaded.crops.blends and wanted.gutters is not None
    print_blend(found, used, day, today, _harvest(site, name if known else "", found.cycle))


def _harvest(site: Path | None, name: str, cycle: Mapping[str, int]) -> str:
    """The command that hands the order to the harvest unit; a blend by mass as the gutters that
    these yields make of it, not by its name: the line's yields may be others."""
    gutters = sum(cycle.values())
    if gutters > CYCLE_MAX:
        return (
            f"harvest follows no cycle of {gutters} gutters, {CYCLE_MAX} are the most;"
            " widen the tolerance"
        )
    counts = ",".join(f"{crop}={count}" for crop, count in cycle.items())
    return f"linectl command {site or 'SITE'} harvest blend {name or counts} --by NAME"


def _site(folder: Path | None) -> Site | None:
    return None if folder is None else load_site(folder)


def _wanted(
    site: Site | None, name: str, gutters: str, mass: str, tolerance: float | None
) -> tuple[Wanted, tuple[float, ...]]:
    """What is asked, and the sizes of packs that its file names. Raises UsageError."""
    if bool(name) + bool(gutters) + bool(mass) != 1:
        raise UsageError(
            "ask for one blend: SITE NAME, or --gutters a=5,b=2, or --mass a=0.6,b=0.4"
        )
    named = _named(site, name) if site is not None and name else None
    asked_gutters = named.gutters if named else whole_gutters(gutters) if gutters else None
    asked_mass = named.mass if named else shares(mass) if mass else None
    if tolerance is not None and asked_mass is None:
        raise UsageError("--tolerance is for a blend by mass; this one is by whole gutters")
    if tolerance is None:
        tolerance = named.tolerance if named else Wanted.tolerance
    wanted = Wanted(asked_gutters, asked_mass, tolerance)
    if site is not None:
        _known(wanted.crops, site.crops.crops)
    return wanted, named.packs_kg if named else ()


def _named(site: Site, name: str) -> Blend:
    """A blend of the site; a crop alone is one too. Raises UsageError."""
    if name in site.crops.blends:
        return site.crops.blends[name]
    if name in site.crops.crops:
        return Blend(gutters={name: 1})
    hint = nearest(name, [*site.crops.blends, *site.crops.crops]) or "see its crops.yaml"
    raise UsageError(f"{name!r} is no blend of {site.name}, nor a crop; {hint}")


def _known(crops: tuple[str, ...], known: Mapping[str, Crop]) -> None:
    for crop in crops:
        if crop not in known:
            raise UsageError(
                f"{crop!r} is no crop of this site; {nearest(crop, known) or 'see its crops.yaml'}"
            )

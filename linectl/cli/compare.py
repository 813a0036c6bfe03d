"""`linectl compare SITE OTHER`: two sites point by point, and all else they say."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from linectl.cli.app import AsJson, SiteFolder, app
from linectl.cli.screen import heading, say, say_json, table
from linectl.commission.compare import Comparison, Difference
from linectl.commission.compare import compare as compare_sites
from linectl.site.load import load_site

DIFFERENT = 1
EXAMPLE = """
Example:

  linectl compare config/small config/counter_flow
"""


@app.command(epilog=EXAMPLE)
def compare(
    site: SiteFolder,
    other: Annotated[
        Path, typer.Argument(metavar="OTHER", help="The folder of the site to compare it with.")
    ],
    as_json: AsJson = False,
) -> None:
    """Compares two sites: points that only one has, and each cell that differs; then the rest.

    What the files mean is compared, not how they are written. Exit 0 if they are the same but
    for name and text, 1 if they differ.
    """
    first, second = load_site(site), load_site(other)
    found = compare_sites(first, second)
    names = f"{site} ({first.name})", f"{other} ({second.name})"
    if as_json:
        say_json({"first": first.name, "second": second.name, **found.as_json()})
    elif found.same:
        say(Text(f"{names[0]} and {names[1]} say the same"))
    else:
        _print(found, names)
    if not found.same:
        raise typer.Exit(DIFFERENT)


def _print(found: Comparison, names: tuple[str, str]) -> None:
    say(heading(f"{names[0]} → {names[1]}"))
    renamed = dict(found.renamed)
    for kind, part in (
        ("points", found.points),
        ("devices", found.devices),
        ("buses", found.buses),
        ("all else", found.rest),
    ):
        if part.same:
            say(Text(f"{kind}: the same"))
        else:
            _part(kind, part, renamed)


def _part(kind: str, part: Difference, renamed: dict[str, str]) -> None:
    say(Text())
    counts = (
        f"{len(part.only_first)} only in the first, {len(part.only_second)} only in the second, "
        f"{len(part.changed)} changed"
    )
    say(heading(f"{kind}:"), Text(counts))
    for name in part.only_first:
        place = f"  (its place has {renamed[name]} now)" if name in renamed else ""
        say(Text(f"  − {name}{place}"))
    for name in part.only_second:
        say(Text(f"  + {name}"))
    rows = [
        [name if number == 0 else "", key, one or "–", other or "–"]
        for name, changes in part.changed.items()
        for number, (key, (one, other)) in enumerate(changes.items())
    ]
    if rows:
        say(table("name|what|first|second", rows))

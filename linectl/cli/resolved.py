"""`linectl resolved SITE`: what a site says after what it extends, and where each value is from."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from linectl.cli.app import AsJson, SiteFolder, app
from linectl.cli.screen import complain, heading, say, say_json
from linectl.cli.writable import will_be_written
from linectl.commission.origins import Resolved, ResolvedRow
from linectl.commission.origins import resolved as resolve
from linectl.errors import UsageError
from linectl.site.hardware import TlsBus

EXAMPLE = """
Examples:

  linectl resolved config/one_run --own

  linectl resolved config/one_run --only tamp

  linectl resolved config/counter_flow --out /tmp/counter_flow
"""


@app.command(epilog=EXAMPLE)
def resolved(
    site: SiteFolder,
    out: Annotated[
        Path | None,
        typer.Option(help="Write the resolved files into this folder: a site of its own."),
    ] = None,
    own: Annotated[
        bool, typer.Option("--own", help="Only what the site itself says, not what it inherits.")
    ] = False,
    only: Annotated[str, typer.Option(help="Only keys and tags that hold this text.")] = "",
    as_json: AsJson = False,
) -> None:
    """Shows every value and row of a site with the file and line that it came from.

    A site that extends another inherits the rest; here all of it stands together.
    """
    found = resolve(site)
    if out is not None:
        _write(out, found)
    if as_json:
        say_json(found.as_json())
    elif out is None:
        _print(found, own, only)


def _write(folder: Path, found: Resolved) -> None:
    """Raises UsageError for a folder that holds a site already, Unreachable if it cannot be."""
    texts = found.files()
    there = [name for name in texts if (folder / name).exists()]
    if there:
        raise UsageError(
            f"{folder}: holds {', '.join(there)} already; name a folder without a site"
        )
    if not folder.is_dir():
        if not folder.parent.is_dir():
            raise UsageError(f"{folder}: there is no folder {folder.parent}; make it first")
        folder.mkdir()
    for name in texts:
        will_be_written(folder / name)
    for name, text in texts.items():
        (folder / name).write_bytes(text.encode())
    complain(f"{folder}: {', '.join(texts)}")
    for name, bus in found.site.file.buses.items():
        if isinstance(bus, TlsBus):
            complain(f"bus {name}: its certificates are not copied: {bus.certificate}, {bus.key}")


def _print(found: Resolved, own: bool, only: str) -> None:
    values = [
        v
        for v in found.values()
        if only in f"{v.file} {v.key}" and not (own and "/" in v.origin.file)
    ]
    rows = [r for r in found.rows if only in r.tag and not (own and "/" in r.origin.file)]
    files = Counter(v.origin.file for v in values) + Counter(r.origin.file for r in rows)
    counts = ", ".join(f"{count} from {file}" for file, count in sorted(files.items()))
    say(heading(f"{found.site.name}:"), Text(counts or "nothing"))
    width = max((len(f"{v.file} {v.key}") for v in values), default=0)
    for v in values:
        value = ", ".join(map(str, v.value)) if isinstance(v.value, list) else v.value
        if isinstance(value, bool):
            value = "true" if value else "false"
        shown = "nothing" if value in (None, "", {}) else value
        say(Text(f"{f'{v.file} {v.key}':<{width}}  {shown}  ← {v.origin}"), soft_wrap=True)
    for row in rows:
        say(Text(_row(row)), soft_wrap=True)


def _row(row: ResolvedRow) -> str:
    cells = ", ".join(
        f"{column} {cell.value}" + ("" if cell.by == "row" else f" (its {cell.by}: {cell.origin})")
        for column, cell in row.cells.items()
        if column not in ("tag", "table", "address", "bit")
    )
    instead = f", instead of {row.replaces}" if row.replaces else ""
    return f"io.csv {row.tag}: {row.where}, {cells}  ← {row.origin}{instead}"

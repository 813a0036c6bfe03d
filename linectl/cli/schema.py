"""`linectl schema FILE`: the JSON Schema of a site's YAML files, for editors."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from linectl.cli.app import app
from linectl.cli.screen import say, say_json
from linectl.cli.writable import will_be_written
from linectl.errors import UsageError
from linectl.site.complaints import nearest
from linectl.site.schema import MODELS, extension_schema_of, schema_of

EXAMPLE = """
Examples:

  linectl schema site.yaml > site.schema.json

  linectl schema --into .vscode
"""


@app.command(epilog=EXAMPLE)
def schema(
    file: Annotated[
        str | None, typer.Argument(metavar="FILE", help="site.yaml, crops.yaml, interlocks.yaml.")
    ] = None,
    extends: Annotated[
        bool, typer.Option("--extends", help="For a site that extends another and writes less.")
    ] = False,
    into: Annotated[
        Path | None, typer.Option(help="Write the schemas of all files into this folder.")
    ] = None,
) -> None:
    """Prints the JSON Schema of a YAML file, so that an editor completes and checks it."""
    make = extension_schema_of if extends else schema_of
    if into is not None:
        if not into.is_dir():
            raise UsageError(f"{into}: there is no such folder; make it first")
        for name in MODELS:
            path = into / name.replace(".yaml", ".schema.json")
            will_be_written(path)
            path.write_text(json.dumps(make(name), indent=2) + "\n", encoding="utf-8")
            say(Text(str(path)))
        return
    if file is None:
        raise UsageError(f"name a file ({', '.join(MODELS)}), or write all with --into FOLDER")
    if file not in MODELS:
        raise UsageError(f"{file!r} has no schema; {nearest(file, MODELS)}")
    say_json(make(file))

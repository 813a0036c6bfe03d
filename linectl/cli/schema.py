"""`linectl schema FILE`: the JSON Schema of a site's YAML files, for editors."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from pydantic import BaseModel
from rich.text import Text

from linectl.cli.app import app
from linectl.cli.screen import say, say_json
from linectl.errors import UsageError
from linectl.site.complaints import nearest
from linectl.site.crops import CropFile
from linectl.site.interlocks import InterlockFile
from linectl.site.model import SiteFile

FILES: dict[str, type[BaseModel]] = {
    "site.yaml": SiteFile,
    "crops.yaml": CropFile,
    "interlocks.yaml": InterlockFile,
}
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
    into: Annotated[
        Path | None, typer.Option(help="Write the schemas of all files into this folder.")
    ] = None,
) -> None:
    """Prints the JSON Schema of a YAML file, so that an editor completes and checks it."""
    if into is not None:
        if not into.is_dir():
            raise UsageError(f"{into}: there is no such folder; make it first")
        for name, model in FILES.items():
            path = into / name.replace(".yaml", ".schema.json")
            path.write_text(_text(model), encoding="utf-8")
            say(Text(str(path)))
        return
    if file is None:
        raise UsageError(f"name a file ({', '.join(FILES)}), or write all with --into FOLDER")
    if file not in FILES:
        raise UsageError(f"{file!r} has no schema; {nearest(file, FILES)}")
    say_json(FILES[file].model_json_schema(by_alias=True))


def _text(model: type[BaseModel]) -> str:
    import json

    return json.dumps(model.model_json_schema(by_alias=True), indent=2) + "\n"

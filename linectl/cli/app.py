"""The typer application, and what every command does with an error: a sentence, an exit code."""

from __future__ import annotations

import os
import sys
import tempfile
import traceback
from pathlib import Path
from typing import Annotated, NoReturn

import typer

from linectl import __version__
from linectl.cli.screen import complain
from linectl.errors import LinectlError, SiteError, Unreachable, UsageError

INTERRUPTED = 130
DEFECT = 1

app = typer.Typer(
    name="linectl",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode="markdown",
    context_settings={"help_option_names": ["-h", "--help"]},
)


def _is_folder(site: Path) -> Path:
    """A running controller is found by its site's folder: a mistyped one is wrong use."""
    if not site.is_dir():
        raise UsageError(f"{site}: there is no such folder; name the folder of a site")
    return site


SiteFolder = Annotated[
    Path, typer.Argument(metavar="SITE", help="The site's folder, such as config/fennmark.")
]
RunningSite = Annotated[
    Path,
    typer.Argument(
        metavar="SITE",
        help="The folder of a site whose controller runs.",
        callback=_is_folder,
    ),
]
AsJson = Annotated[
    bool, typer.Option("--json", help="Print exactly one JSON object on standard output.")
]


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"linectl {__version__}")
        raise typer.Exit


@app.callback()
def _everywhere(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say the version.")
    ] = False,
) -> None:
    """Controls a greenhouse gutter line: sow, index, eject, one in for one out.

    Start with a rehearsal on the plant model: `linectl rehearse config/fennmark`

    It is not a safety function: see SAFETY.md.
    """


def main() -> NoReturn:
    """Run the command line; never a traceback. Exit codes: 0, 1, 2, 3, 130."""
    try:
        app()
    except SiteError as error:
        count = len(error.findings)
        complain(f"{error}\n{count} error{'s' if count != 1 else ''}. Nothing was started.")
        sys.exit(error.exit_code)
    except LinectlError as error:
        complain(str(error))
        sys.exit(error.exit_code)
    except KeyboardInterrupt:
        sys.exit(INTERRUPTED)
    except BrokenPipeError:
        # Whoever reads the output (head, a pager) has seen enough; nothing may complain at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(INTERRUPTED)
    except OSError as error:
        complain(f"{error.filename or 'a file or port'}: {error.strerror or error}")
        sys.exit(Unreachable.exit_code)
    except Exception:  # noqa: BLE001 the last stop: a technician gets a sentence, the file the rest
        complain(
            "linectl has a defect: this should not have happened, and it is not your doing.\n"
            f"Send this file to whoever maintains it: {_keep_traceback()}"
        )
        sys.exit(DEFECT)
    sys.exit(0)


def _keep_traceback() -> str:
    with tempfile.NamedTemporaryFile(
        "w", prefix="linectl-defect-", suffix=".txt", delete=False, encoding="utf-8"
    ) as file:
        file.write(f"linectl {__version__}: {' '.join(sys.argv)}\n{traceback.format_exc()}")
    return file.name

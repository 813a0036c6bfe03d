"""The list of commissioning as one HTML page that prints, with the words of each signature."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined

from linectl import __version__
from linectl.commission.readiness.items import MODES, STAGES, Item
from linectl.commission.readiness.listing import CommissionList
from linectl.errors import Unreachable


def page_of(listed: CommissionList, now: dt.datetime) -> str:
    """The page."""
    environment = Environment(
        loader=PackageLoader("linectl.cli", "pages"), autoescape=True, undefined=StrictUndefined
    )
    return environment.get_template("commission.html").render(
        listed=listed,
        site=listed.site,
        stages=[
            (title, [item for item in listed.items if item.stage == stage])
            for stage, title in STAGES.items()
        ],
        modes=[(mode.replace("_", " "), len(listed.missing(mode))) for mode in MODES],
        mark=_mark,
        done=sum(item.done for item in listed.items),
        now=now.isoformat(sep=" ", timespec="minutes")[:16],
        version=__version__,
    )


def write_page(path: Path, listed: CommissionList, now: dt.datetime) -> None:
    """Write it. Raises Unreachable if the file cannot be written."""
    try:
        path.write_text(page_of(listed, now), encoding="utf-8")
    except OSError as error:
        raise Unreachable(f"{path}: cannot be written ({error.strerror or error})") from error


def _mark(item: Item) -> str:
    """Told by sign and word, never by colour alone."""
    if item.ok:
        return "✓ signed" if item.kind == "signed" else "✓ done"
    if item.override is not None:
        return "! OVERRIDDEN"
    return "○ to sign" if item.kind == "signed" else "○ open"

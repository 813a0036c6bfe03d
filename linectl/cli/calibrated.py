"""How calibrations are told: what stands, how a round ended, a drum's curve as a picture."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from rich.text import Text

from linectl.cli.plots import canvas
from linectl.cli.plots import seeding as pictures
from linectl.cli.screen import complain, say, say_json, table
from linectl.commission.calibrate.record import FILE, Calibrated, read_calibrations
from linectl.commission.calibrate.work import Outcome
from linectl.errors import Unreachable, UsageError
from linectl.site.calibration import Measured
from linectl.site.model import Site

KINDS = (".svg", ".png")


def list_calibrations(site: Site, as_json: bool) -> None:
    """Print what calibration.yaml says, and the last round of each WHAT on record.

    The object: site, standing (by key of calibration.yaml what it says), expired (keys whose last
    day is over), rounds (the rows of calibrations.csv, as the record names its columns),
    unreadable (rows that count for nothing).
    """
    rows, findings = read_calibrations(Path(site.folder))
    expired = [key for key, _ in site.calibration.expired(dt.date.today())]
    if as_json:
        say_json(
            {
                "site": site.name,
                "standing": site.calibration.model_dump(mode="json", by_alias=True),
                "expired": expired,
                "rounds": [asdict(row) for row in rows],
                "unreadable": [str(finding) for finding in findings],
            }
        )
        return
    for finding in findings:
        complain(str(finding))
    standing = _standing(site)
    if standing:
        shown = [(*row, "OVER" if row[0] in expired else "") for row in standing]
        say(table("what|says|measured by|on|with|valid until|", shown))
    else:
        say(Text("nothing has been measured: every device counts as right"))
    if rows:
        last = {row.what: row for row in rows}
        say(table("last round of|when|result|as found|as left|±|by", map(_round, last.values())))
    say(Text(f"the record is {Path(site.folder) / FILE}; rounds: {len(rows)}"), soft_wrap=True)


def _standing(site: Site) -> list[tuple[str, ...]]:
    file = site.calibration
    entries: dict[str, Measured | None] = {
        "doser": file.doser, "water": file.water, "drum": file.drum,
        **{f"drives.{tag}": drive for tag, drive in file.drives.items()},
    }  # fmt: skip
    rows: list[tuple[str, ...]] = []
    for key, one in entries.items():
        if one is None:
            continue
        who = set(Measured.model_fields)
        says = ", ".join(
            f"{name} {value}"
            for name, value in one.model_dump(mode="json").items()
            if name not in who and value not in (None, {})
        )
        until = one.valid_until.isoformat() if one.valid_until else "measured anew"
        rows.append((key, says, one.by, one.on.isoformat(), one.lot, until))
    return rows


def _round(row: Calibrated) -> Sequence[object]:
    return (
        row.what, row.at[:16].replace("T", " "), row.result, row.as_found, row.as_left,
        row.uncertainty, row.by,
    )  # fmt: skip


def check_plot(path: Path) -> None:
    """Raises UsageError for a name of no known kind, Unreachable if none can be drawn."""
    if path.suffix.lower() not in KINDS:
        raise UsageError(f"{path}: the name tells the kind of picture: FILE.svg or FILE.png")
    if not canvas.can_draw():
        raise Unreachable(
            f"{path}: pictures need the extra `{canvas.EXTRA}` (matplotlib):"
            f" pip install 'linectl[{canvas.EXTRA}]'"
        )


def say_outcome(outcome: Outcome, plot: Path | None) -> None:
    """The last line of a round, and the curve of a drum as a picture where it is wanted."""
    said = {
        "written": "calibrated",
        "left": "nothing was changed",
        "undone": "put back",
        "refused": f"refused: {outcome.why}",
        "ended": "ended before the figures stood: nothing is written",
    }[outcome.result]
    say(Text(f"{outcome.what}: {said}"), soft_wrap=True)
    rows = (outcome.told or {}).get("vacuums") or []
    if plot is not None and rows:
        write_plot(plot, rows)
        say(Text(f"the curve is {plot}"), soft_wrap=True)


def write_plot(path: Path, rows: Sequence[Mapping[str, Any]]) -> None:
    """What vacuum did, as a picture. Raises Unreachable if the file cannot be written."""
    with canvas.drawing():
        figure = canvas.new_figure(3.8)
        pictures.vacuum(figure, rows)
        if path.suffix.lower() == ".png":
            data = canvas.png(figure)
        else:
            drawn = canvas.svg("vacuum", pictures.SAYS["vacuum"], figure)
            data = f'<?xml version="1.0" encoding="utf-8"?>\n{drawn}'.encode()
    try:
        path.write_bytes(data)
    except OSError as error:
        raise Unreachable(f"{path}: cannot be written ({error.strerror})") from error

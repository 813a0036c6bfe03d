"""Writes a site's approval: the name, the date and every row of the matrix as it is now."""

from __future__ import annotations

import datetime as dt
import io
import os
from pathlib import Path

from ruamel.yaml import YAML

from linectl.commission.whole_file import write_whole
from linectl.errors import UsageError
from linectl.site.approval import FILE, Approval, digest_of_rows
from linectl.site.load import load_site
from linectl.site.matrix_rows import matrix_rows

HEAD = """\
# The interlocks as they were approved, written by linectl; do not edit. Whatever differs from these
# rows is told by check, prove and status until somebody approves it anew:
#   linectl prove SITE --approve "NAME"
"""
NAME_MAX = 200


def approve_site(folder: str | os.PathLike[str], by: str, today: dt.date) -> Approval:
    """Approves the matrix of the site in `folder` in the name of `by`.

    The file is written whole or not at all; the approval before it is kept as
    `approval.yaml.previous`. Raises SiteError if the site is wrong, UsageError without a name,
    Unreachable if the file cannot be written.
    """
    name = " ".join(by.split())
    if not name or len(name) > NAME_MAX:
        raise UsageError('an approval needs the name of who approves: --approve "NAME"')
    rows = matrix_rows(load_site(folder))
    approval = Approval(
        approved_by=name,
        approved_on=today,
        digest=digest_of_rows(rows),
        **{section: dict(listed) for section, listed in rows.items()},
    )
    write_whole(Path(folder) / FILE, (HEAD + _text(approval)).encode())
    return approval


def _text(approval: Approval) -> str:
    yaml = YAML(typ="rt")
    yaml.width = 100
    yaml.default_flow_style = False
    made = io.StringIO()
    yaml.dump(approval.model_dump(), made)
    return "".join(f"{line.rstrip()}\n" for line in made.getvalue().splitlines())

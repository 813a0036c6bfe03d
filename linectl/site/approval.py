"""The approved matrix: who approved it and when, and what differs since, row by row.

`approval.yaml` lies in the site's own folder, and is written by the tool. Its digest tells an
accident, not a forger: whoever may write the file may write the digest.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from linectl.errors import Finding
from linectl.site.complaints import validated
from linectl.site.fields import Facts
from linectl.site.matrix_rows import Rows, matrix_rows
from linectl.site.model import Site
from linectl.site.sheet import Node, read_yaml

FILE = "approval.yaml"
NEVER = "the matrix has not been approved"
ANEW = 'look at it, then approve it: linectl prove SITE --approve "NAME"'
_ROWS_NAMED = 5
"""Rows that one line names; the others are counted."""


class Approval(Facts):
    """approval.yaml: the rows as they were approved."""

    approved_by: str
    approved_on: dt.date
    digest: str
    """SHA-256 over the rows."""
    causes: dict[str, str]
    effects: dict[str, str]
    zones: dict[str, str]
    outputs: dict[str, str]
    devices: dict[str, str]
    supplies: dict[str, str]

    @property
    def rows(self) -> Rows:
        """The approved rows by section."""
        return {section: getattr(self, section) for section in SECTIONS}

    @property
    def said(self) -> str:
        """Who and when: `approved by A. Person on 2026-03-01`."""
        return f"approved by {self.approved_by} on {self.approved_on.isoformat()}"


SECTIONS = ("causes", "effects", "zones", "outputs", "devices", "supplies")


@dataclass(frozen=True)
class Difference:
    """One row that is not as it was approved."""

    section: str
    row: str
    kind: Literal["added", "removed", "changed"]
    old: str
    """As approved; empty for a row that was added."""
    new: str
    """As it is; empty for a row that was removed."""

    @property
    def text(self) -> str:
        """What differs, in words; of a changed row only the parts that have."""
        if self.kind == "removed":
            return f"is gone; it was: {self.old}"
        if self.kind == "added":
            return f"is new: {self.new}"
        old, new = self.old.split("; "), self.new.split("; ")
        gone = [part for part in old if part not in new]
        come = [part for part in new if part not in old]
        if not gone and not come:
            return "stands in another order"
        return f"{'; '.join(gone) or 'nothing'} → {'; '.join(come) or 'nothing'}"


@dataclass(frozen=True)
class Standing:
    """How a site stands to its approval."""

    approval: Approval | None
    """None: there is none, or it cannot be read."""
    trouble: Finding | None
    differences: tuple[Difference, ...]
    tree: Node

    @property
    def line(self) -> str:
        """One line for reports and `status`."""
        if self.trouble is not None:
            return f"{self.trouble.file}: {self.trouble.key}: {self.trouble.message}"
        if self.approval is None:
            return NEVER
        if not self.differences:
            return f"{self.approval.said}, unchanged since"
        named = [f"{d.row} ({d.kind})" for d in self.differences[:_ROWS_NAMED]]
        more = len(self.differences) - len(named)
        listed = ", ".join(named) + (f" and {more} more" if more else "")
        count = len(self.differences)
        return f"{self.approval.said}; {count} row{'s' if count > 1 else ''} since: {listed}"


def digest_of_rows(rows: Rows) -> str:
    """SHA-256 over the rows, whatever their order in a file."""
    text = json.dumps(rows, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def standing(site: Site) -> Standing:
    """The site's matrix against its approval; never raises for what is in the file."""
    path = Path(site.folder) / FILE
    if not path.exists():
        return Standing(None, None, (), Node({}, FILE, 1))
    found: list[Finding] = []
    tree = read_yaml(path, FILE, found)
    approval = None if found else validated(Approval, tree, found)
    if approval is None:
        return Standing(None, found[0], (), tree)
    if digest_of_rows(approval.rows) != approval.digest:
        text = "does not fit the rows: the file was altered by hand"
        return Standing(None, Finding(FILE, tree.at(("digest",)).line, "digest", text), (), tree)
    return Standing(approval, None, _compared(approval.rows, matrix_rows(site)), tree)


def differences(site: Site) -> tuple[Difference, ...]:
    """Every row that is not as approved; none if there is no approval to compare with."""
    return standing(site).differences


def approval_line(site: Site) -> str:
    """Who approved the matrix and when, or what differs since, or that nobody has; one line."""
    return standing(site).line


def approval_findings(site: Site) -> list[Finding]:
    """What `check` warns of: no approval, one that cannot be read, each row that differs."""
    now = standing(site)
    if now.trouble is not None:
        return [Finding(now.trouble.file, now.trouble.line, f"approval.{now.trouble.key}",
                        now.trouble.message, ANEW)]  # fmt: skip
    if now.approval is None:
        return [Finding(FILE, 1, "approval", NEVER, ANEW)]
    return [
        Finding(
            FILE,
            now.tree.at((one.section, one.row)).line,
            f"approval.{one.section}.{one.row}",
            f"{one.text} ({now.approval.said})",
            ANEW,
        )
        for one in now.differences
    ]


def _compared(old: Rows, new: Rows) -> tuple[Difference, ...]:
    found = []
    for section in SECTIONS:
        was, is_now = old[section], new[section]
        for row in dict.fromkeys((*is_now, *was)):
            before, after = was.get(row, ""), is_now.get(row, "")
            if before == after and (row in was) == (row in is_now):
                continue
            kind: Literal["added", "removed", "changed"] = "changed"
            if row not in was or row not in is_now:
                kind = "removed" if row in was else "added"
            found.append(Difference(section, row, kind, before, after))
    return tuple(found)

"""What `ledger verify` holds the record against: rules in words, and the rows that break them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

FINDINGS_KEPT = 20
"""Rows named for one rule; more of the same are counted, not kept."""

_ALTERED = (
    "keep this file as it is for whoever maintains linectl; go back to the newest backup that"
    " verifies (linectl ledger restore), then walk the lanes round"
)
_STANDS = (
    "do not trust what stands where: walk the lanes round and correct each slot"
    " (linectl recover), keep a copy of this file first"
)


@dataclass(frozen=True)
class Rule:
    """One invariant: a name, what holds while it holds, what a person does when it does not."""

    name: str
    holds: str
    do: str


PAGES = Rule(
    "pages",
    "the file's pages and indexes hold together (SQLite's own check)",
    "keep the file as it is; go back to the newest backup that verifies (linectl ledger restore);"
    " have the disk or card checked",
)
BOOTS = Rule("boots", "boots follow one another, and every move and event belongs to one", _ALTERED)
NUMBERS = Rule("numbers", "moves are numbered one by one, none is missing", _ALTERED)
TIME = Rule("time", "time never goes back, and nothing is done before it was intended", _ALTERED)
KIND = Rule("kinds", "a move is of a known kind, between places of that kind", _ALTERED)
SOURCE = Rule("source", "a move begins where its gutter was", _ALTERED)
ONE_PLACE = Rule("one place", "no place in the machine holds two gutters", _STANDS)
LANES = Rule(
    "lanes",
    "a lane is a rigid row, first in first out: in at the mouth, out at the tail, and a stroke"
    " pushes nothing out",
    _STANDS,
)
IDS = Rule("ids", "a fed gutter has a new id, greater than all before", _ALTERED)
RESERVE = Rule(
    "reserve", "a mouth's hole is reserved for one gutter, which alone goes in", _ALTERED
)
PROCESS = Rule("process", "a gutter is worked on where it stands or is being drawn in", _ALTERED)
COUNTS = Rule(
    "counts", "start + in - out - removed = standing, and each boot counted as many", _STANDS
)
STANDS = Rule("stands", "every gutter stands where its moves have brought it", _STANDS)
STROKES = Rule("strokes", "a run's count of strokes is what its moves make", _STANDS)
STAMPS = Rule("stamps", "a gutter's times and lane are those of its moves", _ALTERED)
LOTS = Rule("lots", "a gutter's lots are in the list of lots, each of its kind", _ALTERED)
EVENTS = Rule("events", "the events' time never goes back", _ALTERED)
CHECKPOINT = Rule(
    "checkpoint", "what is kept begins with the state at the last archive's end", _ALTERED
)

RULES = (
    PAGES, BOOTS, NUMBERS, TIME, KIND, SOURCE, ONE_PLACE, LANES, IDS, RESERVE, PROCESS, COUNTS,
    STANDS, STROKES, STAMPS, LOTS, EVENTS, CHECKPOINT,
)  # fmt: skip
_TABLES = ("moves", "boots", "gutters", "places", "events", "checkpoint")
"""Order in which a first row is looked for: a cause before what follows from it."""


@dataclass(frozen=True)
class Finding:
    """One row that breaks a rule. `row`: the move's number, else the table's key."""

    rule: Rule
    table: str
    row: int | str
    text: str

    def as_json(self) -> dict[str, Any]:
        """Keys as `ledger verify --json` prints them."""
        return {
            "rule": self.rule.name, "table": self.table, "row": self.row, "text": self.text,
            "do": self.rule.do,
        }  # fmt: skip


@dataclass
class Findings:
    """All that was found, counted by rule; of each rule the first rows."""

    kept: list[Finding] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)

    def add(self, rule: Rule, table: str, row: int | str, text: str) -> None:
        """One more row that breaks `rule`."""
        count = self.counts.get(rule.name, 0)
        self.counts[rule.name] = count + 1
        if count < FINDINGS_KEPT:
            self.kept.append(Finding(rule, table, row, text))

    def first(self) -> Finding | None:
        """The first row that breaks one: a damaged page, then the lowest move, then a table's."""
        return min(self.kept, key=_order, default=None)

    def __bool__(self) -> bool:
        return bool(self.kept)


def _order(finding: Finding) -> tuple[int, int]:
    """Pages, a state that cannot be read, moves, tables; sums, which follow from rows, last."""
    row = finding.row if isinstance(finding.row, int) else 0
    if finding.rule is PAGES:
        return 0, row
    if finding.table == "checkpoint" and finding.row == "all":
        return 1, row
    return _TABLES.index(finding.table) + (20 if finding.rule is COUNTS else 10), row

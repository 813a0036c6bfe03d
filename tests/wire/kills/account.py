"""What a campaign has shown: its table, and everything in it that should not be."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from typing import Any

from kills.orders import KINDS, PHASES

Row = dict[str, Any]
LEFT_ON = ("released_without_gutter", "handover_onto_occupied")
WATCHDOG_MS = 1_100
"""With the tick in which the plant looks at it."""
SEEN_MS = 300
"""The death was noticed so late at most."""
VERDICTS = ("done", "not_done", "under_way", "asked")


def wrong(row: Row) -> list[str]:
    """What should not be, of one death; empty if all is as it should be."""
    found = [f"silent: {text}" for text in row["differences"] if not _asked_about(text, row)]
    later = row.get("after_answers", ())
    found += [f"after the answers: {text}" for text in later if not _alarmed(text, row)]
    found += [f"moved before the start: {zone}" for zone in row["moved"]]
    found += [f"{b['rule']}: {b['detail']}" for b in row["violations"] if not _ran_on(b, row)]
    found += [act for act in row["acts_before"] if act.startswith("refused")]
    if "stood" in row:
        found.append(f"it stood: {row['stood'].get('units')} {row['stood'].get('alarms')}")
    asked = Counter(question["gutter"] for question in row["questions"])
    for gutter, count in asked.items():
        if gutter not in row["uncertain"]:
            found.append(f"{count} questions about gutter {gutter}, which was not under way")
        elif count > 1:
            found.append(f"{count} questions about gutter {gutter}")
    return found


def by_hand(row: Row) -> list[str]:
    """What only hands could put right: a gutter was taken off. Not wrong in itself: a computer that
    is late itself stops a belt late, and the next zone finds its gutter too early."""
    return [act for act in row["acts_before"] if act.startswith("by hand")]


def _ran_on(broken: Row, row: Row) -> bool:
    """What a dead controller left on works until its device's watchdog acts: a tool whose gutter
    has passed it, a belt that hands over when the offer on another device has fallen already.
    Nothing that any controller could do after its death."""
    after_ms = broken["at_s"] * 1000 - row["killed_ms"]
    return broken["rule"] in LEFT_ON and -SEEN_MS <= after_ms <= WATCHDOG_MS


def _asked_about(text: str, row: Row) -> bool:
    """A question names the gutter or its place, or an alarm the gutter."""
    gutter = text.partition(":")[0]
    return _alarmed(text, row) or any(
        gutter == f"gutter {question['gutter']}" or question["place"] in text
        for question in row.get("questions", ())
    )


def _alarmed(text: str, row: Row) -> bool:
    """An alarm names the gutter: what a person did at the machine and was not told yet shows so."""
    gutter = text.partition(":")[0]
    return any(re.search(rf"\b{gutter}\b", alarm) for alarm in row.get("alarms", ()))


def table(rows: Sequence[Row]) -> str:
    """Kind by phase: deaths, seconds to ready, what was judged of the killed move, questions."""
    cells: dict[tuple[str, str], list[Row]] = defaultdict(list)
    for row in rows:
        cells[row["kind"], row["phase"]].append(row)
    order = {(kind, phase): n for n, (kind, phase) in enumerate(_all_cells())}
    head = f"{'move':<9} {'killed':<17} {'kills':>5} {'ready s':>12} "
    head += f"{'done':>5} {'not':>5} {'way':>5} {'asked':>5} {'questions':>9} "
    head += f"{'by hand':>7} {'wrong':>5}"
    lines = [head, "─" * len(head)]
    for cell in sorted(cells, key=lambda cell: (order.get(cell, len(order)), cell)):
        lines.append(_line(*cell, cells[cell]))
    lines.append(_line("all", "", list(rows)))
    return "\n".join(lines)


def _all_cells() -> Iterable[tuple[str, str]]:
    return ((kind, phase) for kind in KINDS for phase in PHASES)


def _line(kind: str, phase: str, rows: Sequence[Row]) -> str:
    ready = sorted(row["ready_s"] for row in rows)
    judged = Counter(_verdict(row) for row in rows)
    questions = sum(len(row["questions"]) for row in rows)
    counts = " ".join(f"{judged[verdict]:>5}" for verdict in VERDICTS)
    return (
        f"{kind:<9} {phase:<17} {len(rows):>5} {ready[len(ready) // 2]:>5.1f}–{ready[-1]:<6.1f}"
        f" {counts} {questions:>9} {sum(bool(by_hand(row)) for row in rows):>7}"
        f" {sum(bool(wrong(row)) for row in rows):>5}"
    )


def _verdict(row: Row) -> str:
    """What was judged of the very move that the controller died in; "" if it was not open."""
    number = row.get("move", [0])[0]
    return next((str(m["verdict"]) for m in row["judged"] if m["number"] == number), "")


def wrong_with_disk(row: Row) -> list[str]:
    """What should not be, of one failure of the disk."""
    found = [f"silent: {text}" for text in row["differences"] if not _asked_about(text, row)]
    later = row.get("after_answers", ())
    found += [f"after the answers: {text}" for text in later if not _alarmed(text, row)]
    found += [f"moved: {zone}" for zone in row.get("moved", ())]
    found += [f"{broken['rule']}: {broken['detail']}" for broken in row["violations"]]
    found += [act for act in row["acts_before"] if act.startswith("refused")]
    said = [row[key] for key in ("alarm", "start_refused") if key in row]
    found += [f"does not name the file: {text}" for text in said if "ledger.sqlite3" not in text]
    if "alarm" in row and not row["refused"]:
        found.append("a start was taken while nothing was recorded")
    return found


def disk_table(rows: Sequence[Row]) -> str:
    """By how it failed: trials, s to the alarm, to the safe wait, after mending to its end."""
    head = (
        f"{'the disk':<34} {'trials':>6} {'killed':>6} {'refused':>7} {'alarm s':>9} {'held s':>10}"
    )
    head += f" {'mended s':>9} {'on s':>10} {'wrong':>5}"
    lines = [head, "─" * len(head)]
    for how in sorted({row["how"] for row in rows}):
        mine = [row for row in rows if row["how"] == how]
        times = [_span(mine, key) for key in ("alarm_s", "held_s", "mended_s", "on_s")]
        killed = sum(row["killed"] != "no" for row in mine)
        refused = sum("start_refused" in row for row in mine)
        lines.append(
            f"{how:<34} {len(mine):>6} {killed:>6} {refused:>7} {times[0]:>9} {times[1]:>10}"
            f" {times[2]:>9} {times[3]:>10} {sum(bool(wrong_with_disk(row)) for row in mine):>5}"
        )
    return "\n".join(lines)


def _span(rows: Sequence[Row], key: str) -> str:
    """Median and longest."""
    times = sorted(row[key] for row in rows if key in row)
    return f"{times[len(times) // 2]:.1f}–{times[-1]:.1f}" if times else "–"

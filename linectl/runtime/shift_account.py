"""A shift's account from the ledger: what `Account` collects, over boots, cut to the shift.

Where no controller ran, both units are told as *No controller*: the line stood, and nobody knows
more. Times out are seconds from the shift's beginning.
"""

from __future__ import annotations

from typing import Any

from linectl.image import Event, Move
from linectl.ledger.shift_reading import BootRow, ShiftRecord
from linectl.runtime.account import UNITS, Account, Row
from linectl.runtime.shift_calendar import local

AT_START = "not started since power-up"


def collect(record: ShiftRecord) -> Account:
    """Everything the record has, with times from the shift's beginning on; nothing cut off yet."""
    account = Account()
    start = record.from_ms
    inside = [move for move in record.moves if _in_shift(move.done_ms, record)]
    account.take([], [_done(move, start) for move in inside])
    _begin(account, record)
    events = list(record.events)
    for place, boot in enumerate(record.boots):
        account.take(_first_states(boot, record), [])
        told = [event for number, event in events if number == boot.id]
        account.take([_since(event, boot.from_ms, start) for event in told], [])
        if boot.to_ms < record.to_ms:
            after = record.boots[place + 1 : place + 2]
            account.without_controller(boot.to_ms - start, _why(boot, after))
    return account


def _first_states(boot: BootRow, record: ShiftRecord) -> list[Event]:
    """Units begin Stopped, and no event tells it; what an archive took is not known here."""
    state, reason = "Stopped", AT_START
    if record.archived is not None and boot.from_ms < record.archived[0]:
        state, reason = "Unknown", f"its state then is in the archive {record.archived[1]}"
    data = {"mode": "production", "state": state, "reason": reason}
    return [Event(boot.from_ms - record.from_ms, "unit", unit, reason, data) for unit in UNITS]


def _begin(account: Account, record: ShiftRecord) -> None:
    """Nothing ran when the shift began: say so from its first moment on."""
    if not record.boots or record.boots[0].from_ms > record.from_ms:
        account.without_controller(0, "no controller ran")


def _why(boot: BootRow, after: tuple[BootRow, ...]) -> str:
    text = "stopped in order" if boot.in_order else "power cut or crash"
    text += f": last record {local(boot.to_ms):%H:%M:%S}"
    return text + (f", back at {local(after[0].from_ms):%H:%M:%S}" if after else "")


def _since(event: Event, boot_ms: int, start: int) -> Event:
    """The event with its times from the shift's beginning; a trip tells those of its boot."""
    data = event.data
    if event.kind == "trip":
        later = boot_ms - start
        marks = [
            {**m, "earliest_ms": m["earliest_ms"] + later, "latest_ms": m["latest_ms"] + later}
            for m in data["marks"]
        ]
        data = {**data, "began_ms": data["began_ms"] + later, "marks": marks}
    return event._replace(at=event.at - start, data=data)


def _in_shift(at_ms: int | None, record: ShiftRecord) -> bool:
    return at_ms is not None and record.from_ms <= at_ms < record.to_ms


def _done(move: Any, start: int) -> Move:
    return Move(
        move.number, move.kind, move.gutter, move.source, move.dest, move.crop, True,
        move.done_ms - start,
    )  # fmt: skip


def cut(rows: list[Row], end_s: float) -> list[Row]:
    """The rows that reach into 0 ≤ time < end_s, cut to it; `ongoing`: it had not ended by then."""
    found = []
    for row in rows:
        to_s = end_s if row["to_s"] is None else min(row["to_s"], end_s)
        if row["from_s"] < end_s and to_s > 0:
            ongoing = row["to_s"] is None or row["to_s"] > end_s
            before = row["from_s"] < 0
            kept = {**row, "from_s": max(row["from_s"], 0.0), "to_s": to_s}
            found.append({**kept, "ongoing": ongoing, "began_before": before})
    return found

"""The ledger's disk fails while the line moves: a clear alarm, a safe wait, nothing lost."""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from typing import Any

from kills.campaign import Pair, Row
from kills.disks import Disk
from kills.processes import PATIENCE_S, RunProcess
from linectl.errors import LinectlError

ALARM_S = 25.0
"""By then something has been written, has failed, and is an alarm."""
HELD_S = 20.0
"""By then, from the alarm: the acknowledgement is late (2 s) and what was under way has ended."""
WATCHED_S = 1.5
"""So long nothing moves then."""
MENDED_S = 10.0
MOVES_ON_S = 90.0
"""By then a unit has warned, begun, and something new is done."""
UNITS = ("sowing", "harvest")
UNREACHABLE = 3
"""Exit code of a command that cannot reach what it needs."""


def trial(pair: Pair, disk: Disk, run: RunProcess, chance: random.Random) -> tuple[RunProcess, Row]:
    """One failure of the disk at a drawn instant, mended or met by death; the controller after it.

    `run` works already. Raises AssertionError, saying what did not come.
    """
    row: Row = {"how": disk.how, "lanes": pair.lanes}
    _tend(pair, run, chance.uniform(0.5, 10.0))
    disk.fail(run.process.pid)
    began_s = time.monotonic()
    try:
        dies = chance.choice(("no", "no", "at once", "held"))
        row["killed"] = dies
        if dies == "at once":
            time.sleep(chance.uniform(0, 4.0))
        else:
            row["alarm"] = _until(run, "alarm of the ledger", ALARM_S, lambda: _ledger_alarm(run))
            row["alarm_s"] = round(time.monotonic() - began_s, 2)
            _until(
                run,
                "hold of both units",
                HELD_S,
                lambda: _held(run) and not pair.talk.seen()["moving"],
            )
            row["held_s"] = round(time.monotonic() - began_s, 2)
            row["moved"] = _moving(pair)
            late = _alarm(run, "ledger.late")  # there is none where no move waits for the disk
            row["refused"] = _refusal(run) if late else "no move waits for the disk"
        if dies != "no":
            run.kill()
            if disk.lasts and chance.random() < 0.5:
                row["start_refused"] = _refused_to_start(pair)
            return _again(pair, disk, row)
    except BaseException:
        disk.mend(None if run.dead() else run.process.pid)
        raise
    disk.mend(run.process.pid)
    mended_s = time.monotonic()
    _until(run, "end of the alarm", MENDED_S, lambda: not _ledger_alarm(run))
    row["mended_s"] = round(time.monotonic() - mended_s, 2)
    row["differences"], row["between"] = pair.compare()
    row |= _goes_on(pair, run)
    return run, row


def _again(pair: Pair, disk: Disk, row: Row) -> tuple[RunProcess, Row]:
    """The controller was killed while its disk failed: another is started when it is mended."""
    disk.mend(None)
    pair.record()
    run, found = pair.come_back(list)
    return run, row | found | _goes_on(pair, run)


def _refused_to_start(pair: Pair) -> str:
    """What a controller says that is started while the disk still fails."""
    run = pair.start()
    try:
        code = run.process.wait(PATIENCE_S)
    finally:
        if not run.dead():
            run.kill()
    said = run.said()
    assert code == UNREACHABLE, f"exit {code}: {said}"
    return said


def _goes_on(pair: Pair, run: RunProcess) -> Row:
    before = max(pair.record().moves, default=0)
    began_s = time.monotonic()
    while time.monotonic() - began_s < MOVES_ON_S:
        _tend(pair, run, 0.5)
        if any(move.done and number > before for number, move in pair.record().moves.items()):
            break
    else:
        raise AssertionError(f"the line did not go on: {pair.why_it_stands(run)}")
    return {
        "on_s": round(time.monotonic() - began_s, 2),
        "acts_before": list(pair.acts),
        "violations": pair.new_violations(),
    }


def _tend(pair: Pair, run: RunProcess, for_s: float) -> None:
    end_s = time.monotonic() + for_s
    while True:
        assert not run.dead(), f"the controller ended: {run.said()}"
        pair.tend_once()
        if time.monotonic() >= end_s:
            return
        time.sleep(min(0.5, max(0.0, end_s - time.monotonic())))


def _ledger_alarm(run: RunProcess) -> str | None:
    """Text of the alarm that says what is wrong with the disk."""
    return _alarm(run, "ledger.disk")


def _alarm(run: RunProcess, tag: str) -> str | None:
    rows = run.ask(ask="alarms")["alarms"]
    return next((str(row["text"]) for row in rows if row["present"] and row["tag"] == tag), None)


def _held(run: RunProcess) -> bool:
    units = run.ask(ask="status")["units"]
    return all(units[name]["state"] in ("Held", "Stopped") for name in UNITS)


def _moving(pair: Pair) -> list[str]:
    """Zones in which something moves in the safe wait."""
    end_s, found = time.monotonic() + WATCHED_S, set[str]()
    while time.monotonic() < end_s:
        found |= set(pair.talk.seen()["moving"])
        time.sleep(0.05)
    return sorted(found)


def _refusal(run: RunProcess) -> str | None:
    """Why a person's unhold is refused while the disk fails."""
    try:
        return run.command("sowing", "unhold")
    except LinectlError as error:
        return str(error)


def _until(run: RunProcess, what: str, within_s: float, true: Callable[[], Any]) -> Any:
    end_s = time.monotonic() + within_s
    while not (found := true()):
        if time.monotonic() > end_s:
            raise AssertionError(f"no {what} within {within_s:g} s: {Pair.why_it_stands(run)}")
        time.sleep(0.1)
    return found

"""Kill, start again, hold the ledger against the bodies, answer, carry on; again and again."""

from __future__ import annotations

import contextlib
import json
import random
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

from kills.attendant import Attendant
from kills.disks import Disk
from kills.held_against import Record, differences, read_record
from kills.orders import ASKED, BEFORE, KINDS, PHASES, SIGNED, TRAVEL, Order
from kills.processes import Nursery, PlantProcess, RunProcess
from kills.quick_site import begin_ledger, stock, write_site
from kills.talk import tell_what_is_new
from linectl.errors import LinectlError
from linectl.ledger.verify import verify

Cell = tuple[str, str]
Row = dict[str, Any]

TYPICAL_MS = {
    "feed": 1_000, "convey": 4_800, "process": 3_000, "reserve": 12_000, "pick": 1_500,
    "insert": 1_500, "stroke": 1_500, "transfer": 3_100, "eject": 1_500, "put": 1_400,
    "handover": 4_500,
}  # fmt: skip
"""From intent to done on this site, about: deaths in mid-travel are drawn from it."""
IN_COMMIT_MS = 1.5
"""A commit takes up to about so long here: half the deaths around it are drawn from it."""
ORDERS_AT_ONCE = 20
COMING_BACK = 0.04
"""Share of the controllers that are killed before they have judged."""
REST_S = 1.3
"""By then every device's watchdog (1 s) has acted: what a dead controller left on is off."""
ROUND_S = 0.5
SECOND_LOOK_S = 0.4
WITHIN_S = 90.0
"""No order met by then: killed as it stands."""
MAGAZINE_EVERY_S = 60.0


def draw(wanted: Counter[Cell], chance: random.Random) -> list[Order]:
    """Orders for the next controller, from the cells that still want deaths."""
    cells = [cell for cell, count in wanted.items() if count > 0]
    chosen = chance.sample(cells, min(ORDERS_AT_ONCE, len(cells)))
    return [_order(kind, phase, chance) for kind, phase in chosen]


def _order(kind: str, phase: str, chance: random.Random) -> Order:
    delay_ms = 0.0
    if phase == TRAVEL:
        delay_ms = chance.uniform(0, TYPICAL_MS[kind])
    elif phase in (BEFORE, SIGNED) and chance.random() < 0.5:
        delay_ms = chance.uniform(0, IN_COMMIT_MS)
    return Order(kind, phase, chance.choice((0, 0, 1, 2)), delay_ms)


def phase_of(death: Row, record: Record) -> str:
    """The phase it really died in: a commit may have got through before the end."""
    kind, phase = death["order"][:2]
    move = record.moves.get(death["number"])
    if kind == "reserve":  # intended and done in one transaction
        return str(phase) if (move is None) is (phase in (BEFORE, SIGNED)) else ASKED
    if phase == BEFORE:
        return BEFORE if move is None else ASKED
    if phase == SIGNED:
        return SIGNED if move is not None and not move.done else "done on disk"
    return str(phase) if move is not None and not move.done else "done on disk"


class Pair:
    """One plant that is kept, and one controller after the other on the same ledger."""

    def __init__(self, folder: Path, lanes: str, seed: int, disk: Disk | None = None) -> None:
        """lanes: full, or holes (a part of the slots, anywhere, and now and then a lane that a
        person lets advance empty). disk: where the ledger lies, beside the rest if left out."""
        self._chance = random.Random(seed)
        self.lanes = lanes
        self._folder = folder
        self._site_folder = folder / "site"
        self.site = write_site(self._site_folder)
        self._file = folder / "plant.json"
        self.disk = disk
        self.ledger = (folder if disk is None else disk.folder) / "ledger.sqlite3"
        slots = stock(self.site, 1.0 if lanes == "full" else 0.5, self._chance)
        begin_ledger(self.ledger, self.site, slots)
        self.plant = PlantProcess(self._site_folder, self._file, seed)
        self.talk = self.plant.talk
        self.nursery = Nursery() if disk is None else None
        self.talk.stock(slots)
        self._violations = 0
        self.stood: dict[str, Any] = {}
        """What was said when no order was met in time."""
        self._refilled_s = 0.0
        self._settled: set[int] = set()
        """Open moves that were found not done: they stay open, and are not under way."""

    def close(self) -> None:
        if self.nursery is not None:
            self.nursery.close()
        self.plant.close()

    def start(self, orders: Iterable[Order] = ()) -> RunProcess:
        """A controller on the ledger as it is."""
        return RunProcess(
            self._site_folder, self._file, self.ledger, self.talk.port, list(orders),
            beside=self._folder, nursery=self.nursery,
            environ=self.disk.environ if self.disk is not None else {},
        )  # fmt: skip

    def record(self) -> Record:
        """The ledger as it is on disk, told to the plant where the dead teller had not."""
        record = read_record(self.ledger, self._settled)
        tell_what_is_new(self.talk, record.moves)
        return record

    def come_back(self, orders: Callable[[], list[Order]]) -> tuple[RunProcess, Row]:
        """Start again and judge; what was found, before anything moves."""
        run = self.start(orders())
        while (said := run.ready()) is None:
            self.record()
            run = self.start(orders())
        ready_s = time.monotonic() - run.began_s
        time.sleep(max(0.0, REST_S - ready_s))
        row: Row = {"ready_s": round(ready_s, 2), "questions": said["questions"]}
        row["judged"] = said["moves"]
        self._settled |= {m["number"] for m in said["moves"] if m["verdict"] == "not_done"}
        row["moved"] = self.talk.seen()["moving"]
        row["differences"], row["between"] = self.compare()
        alarms = run.ask(ask="alarms")["alarms"]
        row["alarms"] = [alarm["text"] for alarm in alarms if alarm["present"]]
        attendant = Attendant(run, self.talk, self.ledger)
        attendant.answer(said["questions"])
        if said["questions"]:
            row["after_answers"], _ = self.compare()
        row["moved"] += self.talk.seen()["moving"]
        row["acts"] = list(attendant.acts)
        self._attendant = attendant
        return run, row

    @property
    def acts(self) -> list[str]:
        """What the attendant of the present controller has had to do."""
        return self._attendant.acts

    def die_coming_back(self, chance: random.Random) -> None:
        """A controller that is killed before it has judged, or just then."""
        run = self.start()
        time.sleep(chance.uniform(0.5, 8.0))
        run.kill()

    def compare(self) -> tuple[list[str], int]:
        """Differences between ledger and bodies, and how many gutters are under way."""
        for last in (False, False, True):
            record = read_record(self.ledger, self._settled)
            found = differences(record.stands, self.talk.seen()["places"], record.open())
            told = [str(one) for one in found if not one.under_way]
            if not told or last:
                break
            time.sleep(SECOND_LOOK_S)  # what has just been judged may just be written
        return told, len(found) - len(told)

    def until_death(self, run: RunProcess) -> Row | None:
        """Tend the line until the controller's orders are met; what they were. None: not met."""
        if self.lanes == "holes" and self._chance.random() < 0.3:
            self._advance(run)
        while not run.dead():
            if time.monotonic() - run.began_s > WITHIN_S:
                self.stood = self.why_it_stands(run)
                run.kill()
                return None
            self.tend_once()
            begun_s = time.monotonic()
            while not run.dead() and time.monotonic() - begun_s < ROUND_S:
                time.sleep(0.02)
        death = run.death()
        assert death is not None, f"the controller ended by itself: {run.said()}"
        return death

    def tend_once(self) -> None:
        """One look round, and what it leads to."""
        self._refill()
        with contextlib.suppress(LinectlError):  # it may just have been killed
            self._attendant.round()

    @staticmethod
    def why_it_stands(run: RunProcess) -> dict[str, Any]:
        """What the controller says of itself, for who reads the results."""
        try:
            status = run.ask(ask="status")
        except LinectlError as error:
            return {"error": str(error)}
        units = {name: (unit["state"], unit["reason"]) for name, unit in status["units"].items()}
        return {
            "units": units,
            "alarms": [(alarm["tag"], alarm["text"]) for alarm in status["alarm_list"]],
            "lanes": [(row["state"], row["programme"], row["filled"]) for row in status["lanes"]],
        }

    def _advance(self, run: RunProcess) -> None:
        lane = self._chance.choice(self.site.file.lanes).id
        with contextlib.suppress(LinectlError):
            run.command("", "advance-empty", str(lane))

    def _refill(self) -> None:
        now_s = time.monotonic()
        if now_s - self._refilled_s > MAGAZINE_EVERY_S:
            self._refilled_s = now_s
            for station in ("magazine", "fill", "seed"):
                self.talk.do("refill", station)

    def at_the_end(self) -> Row:
        """With the controller stopped or dead: the ledger against the bodies, and verified."""
        self.record()
        found, between = self.compare()
        verdict = verify(str(self.ledger))
        row: Row = {"lanes": self.lanes, "differences": found, "between": between}
        row["verified"] = None if verdict.first is None else str(verdict.first)
        row["moves"], row["boots"] = verdict.moves, verdict.boots
        row["violations"] = self.new_violations()
        return row

    def new_violations(self) -> list[Row]:
        """What the auditor has seen since the last call."""
        found = self.talk.violations()
        new, self._violations = found[self._violations :], len(found)
        return new


def killed(
    pair: Pair,
    orders: Callable[[], list[Order]],
    more: Callable[[], bool],
    coming_back: float = 0.0,
) -> Iterator[Row]:
    """Deaths, and what was found after each; `orders` are those of the next controller.

    coming_back: share of the controllers that are killed once more before they have judged.
    """
    chance = random.Random(f"coming back {pair.ledger}")
    run, _ = pair.come_back(orders)
    try:
        while more():
            row = _death(pair, run)
            if chance.random() < coming_back:
                row |= {"kind": "any", "phase": "coming back"}
                pair.die_coming_back(chance)
                row |= _left(pair.record())
            run, found = pair.come_back(orders)
            yield row | found | {"violations": pair.new_violations()}
        run.stop()
    finally:
        if not run.dead():
            run.kill()


def _death(pair: Pair, run: RunProcess) -> Row:
    """Tend the line until the controller is dead; what it died in."""
    death = pair.until_death(run)
    row: Row = {"lanes": pair.lanes, "kind": "any", "phase": "unordered"}
    row["killed_ms"] = pair.talk.seen()["now_ms"]
    row["acts_before"] = list(pair.acts)
    record = pair.record()
    if death is None:
        row["stood"] = pair.stood
    else:
        row |= {"kind": death["order"][0], "phase": phase_of(death, record)}
        row |= {"order": death["order"], "move": death["move"]}
    return row | _left(record)


def _left(record: Record) -> Row:
    """What the record has as open."""
    return {
        "open": [list(move) for move in record.open()],
        "uncertain": sorted(record.uncertain(), key=str),
    }


def wanted_from(rows: Iterable[Row], each: int, kinds: Iterable[str] = KINDS) -> Counter[Cell]:
    """How many deaths each cell still wants."""
    wanted = Counter({(kind, phase): each for kind in kinds for phase in PHASES})
    for row in rows:
        wanted[row["kind"], row["phase"]] -= 1
    return wanted


def read_rows(path: Path) -> list[Row]:
    """The results file; empty if there is none."""
    if not path.exists():
        return []
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]

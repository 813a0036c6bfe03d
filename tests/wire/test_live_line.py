"""The live controller on real wires: with a line that does as the test says, and with the line."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from linectl.errors import UsageError
from linectl.field.outputs import safe_value
from linectl.field.wiring import Field, Reach, reach_in, read_endpoints
from linectl.image import Command, Event, Frame, Move, Start, Value
from linectl.line import Line
from linectl.registers.budget import Budget
from linectl.runtime.live import Live
from linectl.runtime.standing import standing
from linectl.site.model import Site
from linectl.site.roles import LEVEL_ROLES, LIFT_ROLES, RUN_ROLES, STATION_ROLES

pytestmark = pytest.mark.wire

Eventually = Callable[..., float]
ROLES = (*STATION_ROLES.values(), RUN_ROLES, LIFT_ROLES, LEVEL_ROLES)
MOVING = {role.name for roles in ROLES for role in roles if role.moves} - {"grip"}


class Obedient:
    """A line without logic: outputs as the test demands while every device is good."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self.outputs: list[Value] = [
            safe_value(p) if p.direction == "out" else False for p in site.points
        ]
        self.written: list[int] = []
        self.asks: list[int] = []
        self.demand: dict[int, Value] = {}
        self.seen: dict[int, Value] = {}
        self.good: dict[int, bool] = {}
        self.events: list[Event] = []
        self.durable = 0
        self.fails = False
        self._site = site

    def scan(self, frame: Frame, now: int) -> bool:
        if self.fails:
            raise ZeroDivisionError("a defect")
        self.seen.update(frame.values)
        self.good.update(frame.quality)
        self.durable = self.durable if frame.durable is None else frame.durable
        for command in frame.commands:
            data: dict[str, Any] = {"accepted": command.name == "start", "why": None}
            self.events.append(Event(now, "command", command.unit, command.name, data))
        bad = not self.good or not all(self.good.values())
        self.written = []
        for index, value in self.demand.items():
            wanted = safe_value(self._site.points[index]) if bad else value
            if self.outputs[index] != wanted:
                self.outputs[index] = wanted
                self.written.append(index)
        return bool(self.written)

    def take_events(self) -> list[Event]:
        events, self.events = self.events, []
        return events

    def take_moves(self) -> list[Move]:
        return []

    def status(self, now: int) -> dict[str, Any]:
        return {"edition": "none", "units": {}, "alarms": 0, "forced": 0, "bypassed": 0}

    def why(self, name: str, now: int) -> list[dict[str, Any]]:
        raise UsageError(f"no station {name}")


class Record:
    """A ledger that is always quick."""

    def __init__(self) -> None:
        self.events: list[Event] = []
        self.last = 0

    def put(self, moves: Sequence[Move], events: Sequence[Event]) -> None:
        self.last += len(moves)
        self.events += events

    def durable(self) -> int:
        return self.last

    def fault(self) -> None: ...


class Questions:
    """Stands for the control socket."""

    def __init__(self) -> None:
        self.asked: list[tuple[dict[str, Any], Callable[[dict[str, Any]], None]]] = []

    def poll(self) -> list[tuple[dict[str, Any], Callable[[dict[str, Any]], None]]]:
        asked, self.asked = self.asked, []
        return asked


class Running:
    """A live controller in a thread."""

    def __init__(
        self, site: Site, line: Any, reach: dict[str, Reach], clock: Callable[[], int]
    ) -> None:
        self.line = line
        self.record = Record()
        self.questions = Questions()
        self.statuses: list[dict[str, Any]] = []
        self.field = Field(site, clock, reach)
        self.live = Live(
            site, line, self.field, self.record, clock, self.questions, self.statuses.append
        )
        self.error: ZeroDivisionError | None = None
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="scan")
        self._thread.start()

    def _run(self) -> None:
        try:
            self.live.run(self._stop)
        except ZeroDivisionError as error:
            self.error = error

    def end(self) -> None:
        self._stop.set()
        self._thread.join()

    def ended(self) -> bool:
        return not self._thread.is_alive()


@pytest.fixture
def run(clock: Callable[[], int]) -> Iterator[Callable[..., Running]]:
    begun: list[Running] = []

    def begin(site: Site, line: Any, reach: dict[str, Reach]) -> Running:
        begun.append(Running(site, line, reach, clock))
        return begun[-1]

    yield begin
    for running in begun:
        running.end()


def test_inputs_come_in_and_outputs_go_out(
    small: Site, serve: Any, run: Any, eventually: Eventually
) -> None:
    served = serve(small)
    line = Obedient(small)
    running = run(small, line, reach_in(served.endpoints, small))
    eventually(lambda: bool(running.statuses))
    status = running.statuses[0]
    assert {"site", "pid", "edition", "units", "buses", "alarms", "forced"} <= set(status)
    assert [(bus["name"], bus["up"]) for bus in status["buses"]] == [("io", True), ("drives", True)]
    eye, run_bit = small.index("fill.exit_eye"), small.index("fill.run")
    served.plant.values[eye] = True
    eventually(lambda: line.seen.get(eye) is True, 0.5)
    line.demand[run_bit] = True
    eventually(lambda: served.plant.values[run_bit] is True, 1)
    running.end()
    assert served.plant.values[run_bit] is False
    assert running.error is None
    assert running.live.scans > 20


def test_a_defect_in_a_scan_ends_safe_and_is_told(
    small: Site, serve: Any, run: Any, eventually: Eventually
) -> None:
    served = serve(small)
    line = Obedient(small)
    running = run(small, line, reach_in(served.endpoints, small))
    doser = small.index("fill.doser")
    line.demand[doser] = True
    eventually(lambda: served.plant.values[doser] is True, 2)
    line.fails = True
    eventually(running.ended, 2)
    assert isinstance(running.error, ZeroDivisionError)
    assert served.plant.values[doser] is False


def test_questions_are_answered_after_the_scan_that_heard_them(
    small: Site, serve: Any, run: Any, eventually: Eventually
) -> None:
    running = run(small, Obedient(small), reach_in(serve(small).endpoints, small))
    said: list[dict[str, Any]] = []
    running.questions.asked = [
        ({"ask": "command", "unit": "sowing", "name": "start", "by": "anna"}, said.append),
        ({"ask": "command", "unit": "sowing", "name": "dance"}, said.append),
        ({"ask": "status"}, said.append),
        ({"ask": "why", "name": "fill.exit_ey"}, said.append),
        ({"ask": "weather"}, said.append),
    ]
    eventually(lambda: len(said) == 5, 1)
    assert [answer.get("accepted") for answer in said[:2]] == [True, False]
    assert said[2]["site"] == "small"
    assert said[3] == {"error": "no station fill.exit_ey; nearest valid name: fill.exit_eye"}
    assert "cannot be asked 'weather'" in said[4]["error"]


class Follower(Obedient):
    """Outputs follow an input: what is measured is the way, not the logic."""

    def __init__(self, site: Site, cause: int, effects: Sequence[int]) -> None:
        super().__init__(site)
        self._cause, self._effects = cause, effects

    def scan(self, frame: Frame, now: int) -> bool:
        for index, level in frame.values:
            if index == self._cause:
                self.demand.update(dict.fromkeys(self._effects, level))
        return super().scan(frame, now)


def test_a_reaction_takes_no_longer_than_the_budget_says(
    small: Site, serve: Any, run: Any, eventually: Eventually
) -> None:
    """An eye on TCP to a drive on the serial line, from register to register of the plant."""
    served = serve(small)
    cause, effect = small.index("sowing.estop_ok"), small.index("turnout.run")
    every_run = [point.index for point in small.points if point.tag.endswith(".run")]
    running = run(small, Follower(small, cause, every_run), reach_in(served.endpoints, small))
    eventually(lambda: bool(running.statuses), 6)
    took_ms: list[float] = []
    values = served.plant.values
    for trial in range(24):
        time.sleep(0.05 + 0.013 * (trial % 8))  # at another phase of the polls each time
        values[cause] = level = trial % 2 == 0
        start_s = time.monotonic()
        while values[effect] is not level:
            assert time.monotonic() - start_s < 2
            time.sleep(0.001)
        took_ms.append((time.monotonic() - start_s) * 1000)
    worst_ms = Budget(small).reaction(small.points[cause], small.points[effect]).worst_ms
    # A machine busy with other things holds some trials up; the wire itself holds up none.
    assert sorted(took_ms)[len(took_ms) // 2] <= worst_ms


class PlantProcess:
    """`linectl plant` as a process of its own."""

    def __init__(self, file: Path) -> None:
        site = Path(__file__).parents[2] / "config" / "small"
        command = [sys.executable, "-m", "linectl.cli", "plant", str(site), "--json"]
        command += ["--lanes", "full", "--file", str(file)]
        self._process = subprocess.Popen(command, stdout=subprocess.PIPE)
        assert self._process.stdout is not None
        self.endpoints = json.loads(self._process.stdout.readline())

    def kill(self) -> None:
        self._process.kill()
        self._process.wait()
        if self._process.stdout:
            self._process.stdout.close()


@pytest.fixture
def plant_process(tmp_path: Path) -> Iterator[Callable[[], PlantProcess]]:
    begun: list[PlantProcess] = []

    def begin() -> PlantProcess:
        begun.append(PlantProcess(tmp_path / "plant.json"))
        return begun[-1]

    yield begin
    for process in begun:
        process.kill()


def moving(site: Site, line: Line) -> set[str]:
    """Outputs on that set something in motion; a gripper's jaws apart, which carry nothing far."""
    return {
        point.tag
        for point in site.points
        if point.direction == "out"
        and point.is_bool
        and point.tag.rpartition(".")[2] in MOVING
        and line.outputs[point.index] != safe_value(point)
    }


def test_the_plant_killed_half_way_and_come_back(
    small: Site, run: Any, plant_process: Any, eventually: Eventually, tmp_path: Path
) -> None:
    plant = plant_process()
    line = Line(small, Start(slots=standing(small, 1.0)))
    running = run(small, line, read_endpoints(tmp_path / "plant.json", small))
    live = running.live

    def tell(*names: str) -> None:
        for name in names:
            for unit in ("sowing", "harvest"):
                live.command(Command(unit, name, "", "the test"))
            time.sleep(0.2)

    def states() -> list[str]:
        return [unit.state for unit in line.units]

    eventually(lambda: bool(running.statuses), 6)
    time.sleep(0.5)
    tell("reset", "start")
    eventually(lambda: states() == ["Execute", "Execute"], 15)
    eventually(lambda: bool(moving(small, line)), 10)

    plant.kill()
    eventually(lambda: states() == ["Aborted", "Aborted"], 1.5)
    assert moving(small, line) == set()
    said: list[dict[str, Any]] = []

    def all_down() -> bool:
        """Each bus notices in its own time: the units abort with the first."""
        running.questions.asked = [({"ask": "status"}, said.append)]
        eventually(lambda: not running.questions.asked, 1)
        return bool(said) and not any(bus["up"] for bus in said[-1]["buses"])

    eventually(all_down, 1.5)
    status = said[-1]
    assert any("silent" in alarm["text"] for alarm in status["alarm_list"])
    assert all(d["last"] for bus in status["buses"] for d in bus["devices"])

    again = plant_process()
    assert again.endpoints["endpoints"] == plant.endpoints["endpoints"]
    eventually(lambda: all(snapshot.good for snapshot in running.field.snapshots()), 6)
    end_s = time.monotonic() + 3
    while time.monotonic() < end_s:
        assert moving(small, line) == set()
        assert states() == ["Aborted", "Aborted"]
        time.sleep(0.01)

    tell("clear", "reset", "start")
    live.command(Command("", "interlock-reset", "", "the test"))
    tell("clear", "reset", "start")
    eventually(lambda: any(state in ("Starting", "Execute") for state in states()), 5)
    assert live.missed <= live.scans // 10

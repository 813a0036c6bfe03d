"""What led to a trip is kept: five seconds before, two after, and through a killed process."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from linectl.image import Event, Frame
from linectl.ledger import Ledger
from linectl.ledger.trips import read_trip, read_trips
from linectl.line import Line
from linectl.runtime.live import Live
from linectl.runtime.trip_record import AFTER_MS, BEFORE_MS, TripRecorder
from linectl.site.load import load_site

ROOT = Path(__file__).parents[2]
SITE = load_site(ROOT / "config" / "small")
EYE, GUARD = SITE.index("fill.entry_eye"), SITE.index("guard_seed.closed")
RUN = SITE.index("fill.run")
TOLD = {"number": 1, "began_ms": 10_000, "what": "Sowing aborted", "ended": False}


def trip(number: int = 1, began_ms: int = 10_000, **more) -> Event:
    told = {**TOLD, "number": number, "began_ms": began_ms, **more}
    return Event(began_ms, "trip", "sowing", "", told)


class Feed:
    """A recorder fed by hand; what it hands over, in order."""

    def __init__(self, keep=None) -> None:
        self.rows = []
        self.outputs = [False] * len(SITE.points)
        self.recorder = TripRecorder(SITE, self.outputs, keep or self.rows.append)

    def scan(self, now, values=(), quality=(), written=(), events=()):
        frame = Frame(values=list(values), quality=list(quality))
        self.recorder.take(now, frame, written, self.outputs, events)


@pytest.fixture
def guard_opened(tmp_path, shift):
    """Makes a line whose guard at the seeder is opened after 100 s, with its ledger's file."""
    runs = []

    def make(name="line", **options):
        path = str(tmp_path / f"{name}.sqlite3")
        run = shift("small", ledger=path, **options).run("100s")
        runs.append(run)
        run.do("open", "seed")
        return path, run

    yield make
    for run in runs:
        assert run.outcome["trips"]  # and the ledger is closed


def test_the_seconds_around_an_opened_guard_are_in_the_ledgers_file(guard_opened):
    path, run = guard_opened()
    run.run("110s")
    (listed,) = read_trips(path, "small")
    kept = read_trip(path, "small", listed.id)
    window, began = kept.window, kept.told["began_ms"]
    assert kept.complete and kept.told["first"] == ["guard_seed"]
    assert kept.wall_ms == run.rehearsal.ledger.started_ms + began
    assert (window["from_ms"], window["to_ms"]) == (began - BEFORE_MS, began + AFTER_MS)
    times = [at for at, _, _ in (*window["changes"], *window["outputs"])]
    assert min(times) < began - 1_000 and began + 500 < max(times)
    assert all(window["from_ms"] <= at <= window["to_ms"] for at in times)
    assert [began, "guard_seed.closed", False] in window["changes"]
    assert [began, "seed.pump", False] in window["outputs"]
    assert set(window["before"]) == {p.tag for p in SITE.points if p.direction == "in"}


def test_what_the_window_begins_with_and_its_changes_give_the_state_at_its_end(guard_opened):
    path, run = guard_opened()
    run.run("100010ms")
    (told,) = run.line.first_out.records("sowing")
    run.rehearsal.run(told["began_ms"] + AFTER_MS)
    inputs, outputs = run.line.inputs, list(run.line.outputs)
    on = {p.tag: inputs.on[p.index] for p in SITE.points if p.direction == "in" and p.is_bool}
    run.run("110s")
    window = read_trip(path, "small", 1).window
    state = {**window["before"], **window["outputs_before"]}
    for _, tag, value in sorted((*window["changes"], *window["outputs"]), key=lambda row: row[0]):
        state[tag] = value
    assert {tag: state[tag] for tag in on} == on
    out = [p for p in SITE.points if p.direction == "out"]
    assert {p.tag: state[p.tag] for p in out} == {p.tag: outputs[p.index] for p in out}


def test_leaping_and_every_tick_keep_the_same_record(guard_opened):
    kept = []
    for every_tick in (False, True):
        path, run = guard_opened(str(every_tick), every_tick=every_tick)
        run.run("104s")
        found = read_trip(path, "small", 1)
        kept.append((found.told, found.window, found.complete))
    assert kept[0] == kept[1]


KILLED = """
import sys, time
from linectl.ledger import Ledger, LedgerWriter
from linectl.ledger.trips import read_trips
from linectl.runtime.trip_record import TripRecorder
from linectl.image import Event, Frame
from linectl.site.load import load_site

site, path = load_site("config/small"), sys.argv[1]
writer = LedgerWriter(Ledger.open(path, site))
outputs = [False] * len(site.points)
recorder = TripRecorder(site, outputs, writer.keep_trip)
guard, eye = site.index("guard_seed.closed"), site.index("fill.entry_eye")
all_good = [(p.index, True) for p in site.points if p.direction == "in"]
recorder.take(0, Frame(values=[(guard, True), (eye, False)], quality=all_good), (), outputs, ())
for now in range(100, 10_000, 100):
    recorder.take(now, Frame(values=[(eye, now % 200 == 0)]), (), outputs, ())
told = {"number": 1, "began_ms": 10_000, "what": "Sowing aborted", "ended": False}
trip = Event(10_000, "trip", "sowing", "", told)
recorder.take(10_000, Frame(values=[(guard, False)]), (), outputs, [trip])
while not read_trips(path, "small"):
    time.sleep(0.01)
print("on disk", flush=True)
sys.stdin.read()
"""


def test_a_process_killed_within_the_two_seconds_leaves_the_five_before(tmp_path):
    path = str(tmp_path / "line.sqlite3")
    command = [sys.executable, "-c", KILLED, path]
    pipe = subprocess.PIPE
    with subprocess.Popen(command, cwd=ROOT, stdin=pipe, stdout=pipe, text=True) as process:
        said = process.stdout.readline()
        process.kill()
    assert said == "on disk\n"
    kept = read_trip(path, "small", 1)
    assert not kept.complete
    assert kept.window["from_ms"] == 5_000 and kept.window["before"]["guard_seed.closed"] is True
    times = [at for at, tag, _ in kept.window["changes"] if tag == "fill.entry_eye"]
    assert times == list(range(5_000, 10_000, 100))
    assert kept.window["changes"][-1] == [10_000, "guard_seed.closed", False]
    ledger = Ledger.open(path, SITE)  # the next boot begins in order
    assert ledger.boot == 2 and len(read_trips(path, "small")) == 1
    ledger.close()


def test_a_trip_is_handed_over_in_the_scan_that_sees_it_and_again_when_its_window_is_whole():
    feed = Feed()
    feed.scan(9_000, [(EYE, True)], [(EYE, True)])
    feed.scan(10_000, [(GUARD, False)], written=[RUN], events=[trip()])
    assert [row.complete for row in feed.rows] == [False]
    assert [entry.at for entry in feed.rows[0].window.entries] == [9_000, 10_000]
    feed.scan(11_000, [(EYE, False)])
    assert len(feed.rows) == 1
    feed.scan(60_000, [(EYE, True)])  # after a leap: what came later does not belong to it
    assert [row.complete for row in feed.rows] == [False, True]
    assert [entry.at for entry in feed.rows[1].window.entries] == [9_000, 10_000, 11_000]
    assert feed.rows[1].window.to_ms == 12_000


def test_what_is_older_than_five_seconds_is_the_state_that_the_window_begins_with():
    feed = Feed()
    feed.scan(1_000, [(EYE, True)], [(EYE, True)])
    feed.scan(4_999, [(EYE, False)])
    feed.scan(5_000, [(EYE, True)])
    feed.scan(10_000, events=[trip()])
    window = feed.rows[0].window
    assert (window.values[EYE], window.good[EYE]) == (False, True)
    assert [entry.at for entry in window.entries] == [5_000]


def test_the_line_that_ends_within_the_two_seconds_keeps_what_it_has():
    feed = Feed()
    feed.scan(10_000, events=[trip()])
    feed.recorder.close(10_700)
    assert [(row.complete, row.window.to_ms) for row in feed.rows] == [
        (False, 10_000), (False, 10_700),
    ]  # fmt: skip


def test_a_later_word_on_a_trip_alters_its_record_and_not_its_window(tmp_path):
    path = str(tmp_path / "line.sqlite3")
    ledger = Ledger.open(path, SITE)
    feed = Feed(ledger.keep_trip)
    feed.scan(10_000, [(GUARD, False)], [(GUARD, True)], events=[trip()])
    feed.scan(13_000)
    feed.scan(90_000, events=[Event(90_000, "trip", "sowing", "", {**TOLD, "ended": True})])
    kept = read_trip(path, "small", 1)
    assert kept.told["ended"] and kept.complete
    assert kept.window["changes"] == [[10_000, "guard_seed.closed", False]]
    ledger.close()


@pytest.mark.parametrize(("invert", "raw", "said"), [(False, 1, True), (True, 1, False)])
def test_an_inverted_point_is_kept_as_its_tag_says_it(tmp_path, invert, raw, said):
    points = list(SITE.points)
    points[GUARD] = points[GUARD].model_copy(update={"invert": invert})
    site = SITE.model_copy(update={"points": tuple(points)})
    path = str(tmp_path / "line.sqlite3")
    ledger = Ledger.open(path, site)
    recorder = TripRecorder(site, [False] * len(points), ledger.keep_trip)
    frame = Frame(values=[(GUARD, raw)], quality=[(GUARD, True)])
    recorder.take(10_000, frame, (), [], [trip()])
    recorder.take(11_000, Frame(quality=[(GUARD, False)]), (), [], ())
    recorder.close(11_000)
    assert read_trip(path, "small", 1).window["changes"] == [
        [10_000, "guard_seed.closed", said],
        [11_000, "guard_seed.closed", None],
    ]
    ledger.close()


class Idle:
    """A ledger that has nothing to do."""

    def put(self, moves, events) -> None: ...

    def durable(self) -> int:
        return 0

    def fault(self) -> None: ...


class AfterTwo:
    """Lets the controller scan twice."""

    def __init__(self) -> None:
        self.asked = 0

    def is_set(self) -> bool:
        self.asked += 1
        return self.asked > 2


def test_the_live_controller_hands_over_what_its_line_tells_and_closes_it_at_the_end(no_field):
    line, rows = Line(SITE), []
    line.emit(trip(began_ms=10))
    recorder = TripRecorder(SITE, line.outputs, rows.append, started_ms=1_700_000_000_000)
    live = Live(SITE, line, no_field, Idle(), lambda: 10, trips=recorder)
    live.run(AfterTwo())
    assert [(row.number, row.complete) for row in rows] == [(1, False), (1, False)]
    assert rows[0].window.to_ms == 10
    assert live.status()["trips"] == []  # its line knows of none: the word was put into its mouth

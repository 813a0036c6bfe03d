"""`remap` and `tune` as a person types them: the diff first, both or neither, one step back."""

from __future__ import annotations

import shutil
import threading

import pytest

from linectl.commission.changes_record import read_changes
from linectl.runtime.control import ControlServer
from linectl.site.load import load_site
from linectl.site.tunable import tunables, tuned

REMAP = ("remap", "tamp.press_down", "61", "--note", "AE4:12", "--why", "channel burned")


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    tmp_path.chmod(0o700)
    shutil.copytree("config/small", tmp_path / "small")
    return tmp_path / "small"


class Running:
    """A controller of that folder whose units are as told, and which takes every command."""

    def __init__(self, folder, **units: str) -> None:
        self.units = units
        self.asked: list[dict] = []
        self.refuses = ""
        self.digest = ""
        self._server = ControlServer(folder)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._scan)
        self._thread.start()

    def _scan(self) -> None:
        while not self._stop.wait(0.002):
            for request, reply in self._server.poll():
                self.asked.append(request)
                reply(self._answer(request))

    def _answer(self, request):
        if request["ask"] == "command":
            return {"accepted": not self.refuses, "why": self.refuses or None}
        if request["ask"] == "points":
            return {
                "site_digest": self.digest, "now_ms": 0, "scan_ms": 10, "number": 0, "lost": False,
                "points": {}, "changes": [],
            }  # fmt: skip
        units = {name: {"state": state, "mode": "production"} for name, state in self.units.items()}
        return {"units": units, "alarm_list": [], "bypass_list": [], "force_list": []}

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        self._server.close()


@pytest.fixture
def running(folder):
    made: list[Running] = []

    def start(**units: str) -> Running:
        made.append(Running(folder, **units))
        return made[0]

    yield start
    for one in made:
        one.close()


def remap(linectl, folder, *more, by="anna"):
    command, *rest = REMAP
    return linectl(command, folder, *rest, *(("--by", by) if by else ()), *more)


def test_remap_shows_the_diff_writes_keeps_and_undoes(linectl, folder):
    before = (folder / "io.csv").read_bytes()
    said = remap(linectl, folder, "--yes")
    assert said.code == 0
    assert "-tamp.press_down,io_sower,discrete,28," in said.out
    assert "+tamp.press_down,io_sower,discrete,61," in said.out
    assert "Mind: its 24 V group is still AE2" in said.err
    assert (folder / "io.csv.previous").read_bytes() == before
    undone = linectl("remap", folder, "--undo", "--why", "back", "--by", "ben", "--yes", "--json")
    assert undone.json["old"].startswith("discrete 61") and undone.json["start_anew"] is False
    assert (folder / "io.csv").read_bytes() == before
    rows, _ = read_changes(folder)
    assert [(row.kind, row.by, row.reopens) for row in rows] == [
        ("remap", "anna", "tamp.press_down"), ("undo", "ben", "tamp.press_down"),
    ]  # fmt: skip


def test_remap_does_nothing_before_its_caution_has_been_read(linectl, folder):
    before = (folder / "io.csv").read_bytes()
    said = remap(linectl, folder)
    assert said.code == 2 and "CAUTION: wiring. Lock out" in said.err and "say --yes" in said.err
    assert (folder / "io.csv").read_bytes() == before and not (folder / "changes.csv").exists()


def test_remap_wants_a_name(linectl, folder):
    said = remap(linectl, folder, "--yes", by="")
    assert said.code == 2 and "--by" in said.err


def test_remap_is_refused_while_a_unit_is_not_stopped(linectl, folder, running):
    before = (folder / "io.csv").read_bytes()
    running(sowing="Stopped", harvest="Idle")
    said = remap(linectl, folder, "--yes")
    assert said.code == 2 and "wiring changes only in Stopped, and harvest is Idle" in said.err
    assert (folder / "io.csv").read_bytes() == before


def test_remap_in_stopped_says_that_the_controller_must_be_started_anew(linectl, folder, running):
    running(sowing="Stopped", harvest="Stopped")
    said = remap(linectl, folder, "--yes")
    assert said.code == 0 and "start it anew before anything is tried" in said.out


def test_remap_says_what_check_would_refuse(linectl, folder):
    said = linectl(
        "remap", folder, "tamp.press_down", "27", "--why", "x", "--by", "anna", "--yes"
    )  # fmt: skip
    assert said.code == 1 and "is taken by tamp.press_up" in said.err


PRESS = "stations.tamp.press_timeout"


def tune(linectl, folder, *what):
    return linectl("tune", folder, *what, "--why", "cold oil", "--by", "anna", "--yes")


def test_tune_writes_the_file_where_no_controller_runs(linectl, folder):
    before = (folder / "site.yaml").read_text()
    said = tune(linectl, folder, PRESS, "6s")
    assert said.code == 0 and "No controller runs" in said.out
    assert (folder / "site.yaml").read_text() == before.replace(
        "    press_timeout: 5s", "    press_timeout: 6s"
    )
    rows, _ = read_changes(folder)
    assert [(r.kind, r.what, r.old, r.new, r.by, r.reopens) for r in rows] == [
        ("tune", PRESS, "5s", "6s", "anna", "")
    ]
    said = tune(linectl, folder, "--undo")
    assert said.code == 0 and (folder / "site.yaml").read_text() == before
    assert tune(linectl, folder, "--undo").code == 2


def test_tune_changes_file_and_controller(linectl, folder, running):
    controller = running(sowing="Execute", harvest="Execute")
    controller.digest = load_site(folder).digest
    told = []

    def follow(request):
        answer = Running._answer(controller, request)
        if request["ask"] == "command":
            told.append((request["name"], request["argument"], request["by"]))
            controller.digest = tuned(load_site(folder), load_site(folder), PRESS, "6s").digest
        return answer

    controller._answer = follow
    said = linectl(
        "tune", folder, PRESS, "6s", "--why", "x", "--by", "anna", "--yes", "--json"
    )  # fmt: skip
    assert said.code == 0 and said.json["running"] is True
    assert told == [("tune", f"{PRESS} 6s", "anna")]
    assert load_site(folder).digest == controller.digest == said.json["site_digest"]


def test_tune_changes_neither_where_the_controller_refuses(linectl, folder, running):
    controller = running(sowing="Execute", harvest="Execute")
    controller.digest = load_site(folder).digest
    controller.refuses = f"{PRESS} 6s is outside 4s to 5s"
    before = (folder / "site.yaml").read_bytes()
    said = tune(linectl, folder, PRESS, "6s")
    assert said.code == 2 and "refuses: stations.tamp.press_timeout 6s is outside" in said.err
    assert (folder / "site.yaml").read_bytes() == before
    assert not (folder / "changes.csv").exists()


def test_tune_takes_the_controller_back_where_the_record_cannot_be_kept(linectl, folder, running):
    controller = running(sowing="Execute", harvest="Execute")
    digests = [tuned(load_site(folder), load_site(folder), PRESS, v).digest for v in ("5s", "6s")]
    controller.digest = digests[0]

    def follow(request):
        if request["ask"] == "command":
            controller.digest = digests[request["argument"].endswith("6s")]
        return Running._answer(controller, request)

    controller._answer = follow
    (folder / "changes.csv").mkdir()
    before = (folder / "site.yaml").read_bytes()
    said = tune(linectl, folder, PRESS, "6s")
    assert said.code == 3 and "is put back as it was" in said.err
    assert controller.digest == digests[0]
    assert (folder / "site.yaml").read_bytes() == before


def test_tune_is_refused_where_the_controller_runs_with_other_files(linectl, folder, running):
    running(sowing="Execute", harvest="Execute").digest = "another"
    said = tune(linectl, folder, PRESS, "6s")
    assert said.code == 2 and "was started with other files" in said.err


@pytest.mark.parametrize(
    ("path", "value", "says"),
    [
        (PRESS, "7s", "outside 4s to 6s"),
        ("calibration.drum", "{}", "linectl calibrate writes it"),
        (PRESS, "5s", "is 5s already"),
    ],
)
def test_tune_refuses_in_words(linectl, folder, path, value, says):
    said = tune(linectl, folder, path, value)
    assert said.code in (1, 2) and says in said.err


def test_tune_says_what_check_would_refuse(linectl, folder):
    with (folder / "site.yaml").open("a") as file:
        file.write("tuning: {share: 0.9}\n")
    said = tune(linectl, folder, PRESS, "1s")
    assert said.code == 1 and "shorter than its own motion" in said.err


def test_tune_list_names_the_bounds(linectl, folder):
    said = linectl("tune", folder, "--list", "--json")
    rows = {row["path"]: row for row in said.json["tunable"]}
    assert rows[PRESS] == {
        "path": PRESS, "value": "5s", "unit": "ms", "least": 4000, "most": 6000
    }  # fmt: skip
    assert rows["calibration.drum.factor"]["least"] is None
    assert "lanes.2.grow.timeout" in linectl("tune", folder, "--list").out


@pytest.mark.parametrize(
    ("path", "value", "file", "old", "new"),
    [
        ("lanes.2.lift.timeout", "7s", "site.yaml", None, "timeout: 7s}"),
        ("calibration.drum.factor", "1.02", "calibration.yaml", "0.992 # of a", "1.02  # of a"),
    ],
)
def test_tune_keeps_comments_and_all_other_lines(linectl, folder, path, value, file, old, new):
    before = (folder / file).read_text().splitlines()
    assert tune(linectl, folder, path, value).code == 0
    after = (folder / file).read_text().splitlines()
    ((was, now),) = [pair for pair in zip(before, after, strict=True) if pair[0] != pair[1]]
    assert new in now and (old is None or now == was.replace(old, new))
    assert tunables(load_site(folder))[path].text == value


def test_tune_of_an_inherited_value_goes_into_the_sites_own_file(linectl, tmp_path, folder):
    child = tmp_path / "child"
    child.mkdir()
    (child / "site.yaml").write_text("extends: ../small\nname: child # ours\n")
    for path, value in ((PRESS, "6s"), ("crops.rocket.water_ml", "540")):
        assert tune(linectl, child, path, value).code == 0
        assert tunables(load_site(child))[path].text == value
    assert (child / "site.yaml").read_text() == (
        "extends: ../small\nname: child # ours\nstations:\n  tamp:\n    press_timeout: 6s\n"
    )
    assert (child / "crops.yaml").read_text() == "crops:\n  rocket:\n    water_ml: 540\n"
    assert tune(linectl, child, "lanes.2.lift.timeout", "7s").code == 0
    now = tunables(load_site(child))
    assert now["lanes.2.lift.timeout"].text == "7s" and now["lanes.2.grow.timeout"].text == "6s"

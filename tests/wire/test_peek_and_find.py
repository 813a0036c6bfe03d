"""S19: `peek` and `find` on real sockets and pseudo-terminals, as a technician calls them."""

from __future__ import annotations

import json
import os
import signal
import threading
from pathlib import Path

import pytest

from linectl.commission.peek import peek
from linectl.commission.talk import wire_to
from linectl.commission.where import bus_of_site
from linectl.runtime.control import ControlServer
from linectl.site.load import load_site

pytestmark = pytest.mark.wire
ROOT = Path(__file__).parents[2]


@pytest.fixture
def served(serve, small, tmp_path):
    """The small site's registers, served; the infeed carriage stands at 1500 mm."""
    running = serve(small, file=tmp_path / "plant.json")
    running.file = tmp_path / "plant.json"
    running.plant.values[small.index("infeed.position")] = 1500
    running.plant.values[small.index("seed.speed")] = 300
    return running


SITE = "config/small"


def test_a_register_on_a_serial_line_is_read_and_shown_both_ways(linectl, served):
    said = linectl("peek", SITE, "axis_infeed", "infeed.position", "--at", served.file)
    assert (said.code, said.err) == (0, "")
    for word in ("input 1 (reference 30002)", "05DC", "CDAB", "98304000", "1500 mm", "as mapped"):
        assert word in said.out


def test_a_display_gives_the_cells_of_the_io_list(linectl, served):
    said = linectl(
        "peek", SITE, "axis_infeed", "1", "--table", "input", "--display", "1500",
        "--at", served.file, "--json",
    )  # fmt: skip
    told = json.loads(said.out)
    assert told["fits"][0]["cells"] == {"address": "1", "type": "u32", "word_order": "big"}
    assert told["both_ways"] == "input 1 (reference 30002)"
    assert [cell["asked"] for cell in told["cells"]] == [False, True, False, False]
    assert [cell["error"] for cell in told["cells"]] == [None, None, None, "refused_2"]


def test_coils_over_tcp_show_the_point_and_its_neighbours(linectl, served):
    said = linectl("peek", SITE, "io_sower", "guard_fill.closed", "--at", served.file)
    assert said.code == 0
    assert "discrete" in said.out
    assert "sowing.beacon_on" in said.out
    assert "guard_seed.closed" in said.out


def test_an_address_that_the_device_has_not_ends_with_1_and_what_to_check(linectl, served):
    said = linectl("peek", SITE, "belts_sower", "6", "--at", served.file)
    assert said.code == 1
    assert "exception 2" in said.out
    assert "one too high" in said.out


def test_a_silent_device_ends_with_3_and_a_sentence(linectl, served):
    served.plant.silent.add("axis_infeed")
    said = linectl("peek", SITE, "axis_infeed", "0", "--at", served.file)
    assert (said.code, said.out) == (3, "")
    assert "holding 0 (reference 40001)" in said.err
    assert "Check next" in said.err


@pytest.mark.parametrize("late_ms", [46, 60, 110, 140])
def test_a_late_answer_is_never_shown_as_another_registers(served, small, late_ms):
    """Time-out 50 ms and as much of lateness: the line is kept quiet for twice that."""
    served.server.late_ms["axis_infeed"] = late_ms
    true = {0: 0, 1: 0, 2: 1500}
    place = bus_of_site(small, "drives", served.file)
    wire = wire_to("drives", place.bus, place.reach)
    wire.open()
    try:
        look = peek(small, "axis_infeed", "1", wire, table="input")
        cells = {cell.address: cell.word for cell in look.cells if cell.word is not None}
        kinds = {cell.heard.kind for cell in look.cells if cell.heard} - {"", "refused_2"}
    finally:
        wire.close()
    assert cells == {at: true[at] for at in cells}
    assert kinds <= {"late", "silent"}
    if late_ms > place.bus.timeout_ms:
        assert kinds == {"late"}
        assert "answering time" in look.checks[0]


def test_watching_looks_again_until_interrupted(linectl, served, monkeypatch):
    monkeypatch.setattr("linectl.cli.peek.WATCH_S", 0.05)
    threading.Timer(1.0, os.kill, (os.getpid(), signal.SIGINT)).start()
    said = linectl("peek", SITE, "meter", "0", "--table", "input", "--at", served.file, "--watch")
    assert said.code == 130
    assert said.out.count("meter: unit 31") > 2


@pytest.mark.parametrize("command", [("peek", SITE, "axis_infeed", "0"), ("find", SITE, "drives")])
def test_the_bus_of_a_running_controller_is_left_alone(linectl, served, command):
    controller = ControlServer(ROOT / SITE)
    try:
        said = linectl(*command, "--at", served.file)
    finally:
        controller.close()
    assert (said.code, said.out) == (3, "")
    assert "runs (process" in said.err
    assert "linectl status" in said.err


def test_what_hangs_on_a_serial_line_is_found(linectl, served):
    said = linectl(
        "find", SITE, "drives", "--units", "20-22,31", "--at", served.file, "--json"
    )  # fmt: skip
    told = json.loads(said.out)
    assert said.code == 0
    assert [(u["unit"], u["device"]) for u in told["units"]] == [
        (21, "axis_infeed"), (22, "axis_outfeed"), (31, "meter"),
    ]  # fmt: skip
    axis = {t["table"]: t for t in told["units"][0]["tables"]}
    assert axis["input"]["readable"] == [[0, 2]]
    assert axis["holding"]["readable"] == [[0, 1]]
    assert told["echo"] is False
    assert told["units"][0]["latency"]["max_ms"] > 0
    assert not served.plant.written


def test_what_hangs_on_a_network_is_found_without_a_site(linectl, served, small):
    port = served.port("io")
    said = linectl(
        "find", "--host", "127.0.0.1", "--port", port, "--units", "1-3", "--window", "0-63",
        "--timeout", "100ms", "--json",
    )  # fmt: skip
    told = json.loads(said.out)
    assert [(u["unit"], u["device"]) for u in told["units"]] == [(1, None), (2, None)]
    tables = {t["table"]: t for t in told["units"][0]["tables"]}
    named = [p.address for p in small.points if (p.device, p.table) == ("io_sower", "discrete")]
    assert tables["discrete"]["readable"] == [[0, min(63, max(named))]]
    assert told["site"] is None


def test_the_most_registers_per_read_of_a_served_device_are_found(linectl, serve, small, tmp_path):
    """The belts' drive with six registers of which it gives three at once."""
    folder = tmp_path / "site"
    folder.mkdir()
    for file in (ROOT / SITE).iterdir():
        (folder / file.name).write_bytes(file.read_bytes())
    text = (folder / "site.yaml").read_text()
    (old,) = (line for line in text.splitlines() if line.strip().startswith("belts_sower:"))
    assert "max_read_registers: 64}" in old
    new = old.replace("max_read_registers: 64", "max_read_registers: 3, gaps: true")
    (folder / "site.yaml").write_text(text.replace(old, new))
    file = tmp_path / "plant.json"
    serve(load_site(folder), file=file)
    said = linectl(
        "find", folder, "drives", "--units", "11", "--at", file, "--out", tmp_path / "belt.yaml"
    )
    assert said.code == 0, said.err
    profile = (tmp_path / "belt.yaml").read_text()
    assert "\nmax_read_registers: 3\n" in profile
    assert '  input: ["0-5"]' in profile
    # and such a profile is used by the site instead of its own key
    text = text.replace(old, old.replace(", max_read_registers: 64", ", profile: ../belt.yaml"))
    (folder / "site.yaml").write_text(text)
    assert load_site(folder).file.devices["belts_sower"].max_read_registers == 3


def test_a_profile_that_is_there_already_is_not_overwritten(linectl, served, tmp_path):
    kept = tmp_path / "belt.yaml"
    kept.write_text("# corrected by hand\n")
    said = linectl("find", SITE, "drives", "--at", served.file, "--out", kept)
    assert said.code == 2
    assert "corrected by hand" in said.err
    assert kept.read_text() == "# corrected by hand\n"


def test_a_line_on_which_nothing_answers_ends_with_3_and_what_to_check(linectl, served):
    said = linectl("find", SITE, "drives", "--units", "1-2", "--at", served.file)
    assert said.code == 3
    assert "nothing answers among units 1–2" in said.out
    assert "termination" in said.out


class Terminal:
    """A person at a keyboard, who types one line for each question."""

    def __init__(self, *lines):
        self._lines = [*lines]

    def isatty(self):
        return True

    def readline(self, *_):
        return self._lines.pop(0) + "\n" if self._lines else ""


def _written(served):
    return [index for index, _ in served.plant.written]


def test_writing_needs_the_devices_name_typed_and_writes_back_what_was_read(
    linectl, served, small, monkeypatch
):
    monkeypatch.setattr("sys.stdin", Terminal("belts_sower"))
    said = linectl("find", SITE, "drives", "--units", "11", "--at", served.file, "--allow-writes")
    assert said.code == 0
    assert "Lock the machine out first" in said.err
    assert "linectl is no safety function" in " ".join(said.err.split())
    assert "magazine.run (stops when lost)" in said.err
    assert "function 6 taken, function 16 taken" in said.out
    assert served.plant.values[small.index("seed.speed")] == 300


def test_any_other_word_leaves_the_device_alone(linectl, served, monkeypatch):
    monkeypatch.setattr("sys.stdin", Terminal("yes"))
    said = linectl("find", SITE, "drives", "--units", "11", "--at", served.file, "--allow-writes")
    assert said.code == 0
    assert "write:" not in said.out
    assert _written(served) == []


def test_writing_is_never_allowed_to_a_script(linectl, served):
    said = linectl("find", SITE, "drives", "--at", served.file, "--allow-writes")
    assert said.code == 2
    assert "only at a terminal" in said.err


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((), "name SITE and BUS, or --port"),
        ((SITE,), "io, drives"),
        ((SITE, "drive"), "drives"),
        ((SITE, "drives", "--host", "192.0.2.1"), "not both"),
        (("--port", "/dev/none", "--units", "0"), "0 speaks to all"),
        (("--port", "/dev/none", "--window", "9-70000"), "none past 65535"),
        (("--port", "/dev/none", "--parity", "evn"), "--parity 'evn'"),
    ],
)
def test_what_cannot_be_meant_is_wrong_use_in_a_sentence(linectl, arguments, said):
    told = linectl("find", *arguments)
    assert told.code == 2
    assert said in told.err


def test_a_port_that_is_not_there_is_told(linectl):
    told = linectl("find", "--port", "/dev/serial/by-id/none")
    assert told.code == 3
    assert "/dev/serial/by-id/none" in told.err

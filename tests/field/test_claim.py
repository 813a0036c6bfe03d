"""S29: of two controllers on the same devices of this computer the second one is refused."""

from __future__ import annotations

import os
import socket
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from linectl.errors import Unreachable
from linectl.field import claim
from linectl.field.claim import claimed, ends_of
from linectl.field.lock_file import held_by, hold, holder, let_go
from linectl.field.wiring import Reach

IO = {"io": Reach("127.0.0.1", 5020)}


@pytest.fixture(autouse=True)
def locks(tmp_path, monkeypatch):
    """A folder for locks of this test's own, open to everybody as the real one is."""
    folder = tmp_path / "locks"
    folder.mkdir()
    folder.chmod(0o1777)
    monkeypatch.setattr(claim, "FOLDERS", (tmp_path / "missing", folder))
    return folder


def test_a_second_controller_on_a_bus_is_told_bus_end_process_site_and_ledger(tmp_path):
    with claimed(IO, str(tmp_path / "north"), "north.sqlite3"):
        with pytest.raises(Unreachable) as refused, claimed(IO, "south", "south.sqlite3"):
            pass
        text = str(refused.value)
        assert text.startswith("bus io at 127.0.0.1:5020: another controller drives it (process ")
        for said in (
            f"process {os.getpid()} of user ",
            " since 20",
            f"site {tmp_path / 'north'}",
            f"ledger {Path.cwd() / 'north.sqlite3'}",
            "Stop that one first. Nothing was started.",
        ):
            assert said in text
        assert refused.value.exit_code == 3
    with claimed(IO, "south", "south.sqlite3"):
        pass


def test_of_several_buses_one_in_use_is_enough_and_the_others_are_let_go(locks):
    other = {"drives": Reach("127.0.0.1", 5021)}
    with claimed(IO, "north", ":memory:"):
        with pytest.raises(Unreachable, match="bus io"), claimed({**other, **IO}, "south", "s"):
            pass
        with claimed(other, "south", "south.sqlite3"):
            assert len(list(locks.iterdir())) == 2
    assert list(locks.iterdir()) == []


def test_two_buses_of_one_site_may_share_an_end():
    with claimed({**IO, "gateway": Reach("127.0.0.1", 5020)}, "north", ":memory:"):
        pass


def names(host, port):
    return {end.name for end in ends_of({"bus": Reach(host, port)})}


def test_an_end_is_known_by_every_name_it_is_called(monkeypatch):
    assert names("LocalHost.", 502) & names("127.0.0.1", 502) == {"tcp 127.0.0.1 502"}
    assert names("::ffff:127.0.0.1", 502) >= names("127.0.0.1", 502)
    assert names("127.0.0.1", 502).isdisjoint(names("127.0.0.1", 503))

    def no_name_server(*arguments, **options):
        raise socket.gaierror("it does not answer")

    monkeypatch.setattr(socket, "getaddrinfo", no_name_server)
    assert names("north-plc", 502) == {"tcp north-plc 502"}


def test_a_serial_port_is_the_same_behind_a_link_and_under_another_node(tmp_path):
    main, port = os.openpty()
    path = os.ttyname(port)
    by_id = tmp_path / "usb-adapter"
    by_id.symlink_to(path)
    number = os.stat(path).st_rdev
    device = f"serial device {os.major(number)}:{os.minor(number)}"
    assert names("", str(by_id)) == names("", path) == {f"serial {path}", device}
    with (
        claimed({"tools": Reach("", path)}, "north", ":memory:"),
        pytest.raises(Unreachable, match=rf"bus rs485 at {by_id}"),
        claimed({"rs485": Reach("", str(by_id))}, "south", ":memory:"),
    ):
        pass
    os.close(main)
    os.close(port)
    assert names("", str(tmp_path / "unplugged")) == {f"serial {tmp_path / 'unplugged'}"}


HOLDER = """
import os, sys
from pathlib import Path
from linectl.field import claim
from linectl.field.wiring import Reach
claim.FOLDERS = (Path(sys.argv[1]),)
with claim.claimed({"io": Reach("127.0.0.1", 5020)}, "north", "north.sqlite3"):
    print("held", flush=True)
    sys.stdin.read()
"""


def test_a_killed_controller_holds_nothing(locks):
    with subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(locks)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as other:
        assert other.stdout.readline() == "held\n"
        with pytest.raises(Unreachable, match=f"process {other.pid} "), claimed(IO, "s", "s"):
            pass
        other.kill()
        other.wait()
    assert len(list(locks.iterdir())) == 1  # its file is still there
    with claimed(IO, "south", "south.sqlite3"):
        pass


def test_another_users_controller_can_take_over_what_is_left(locks):
    with claimed(IO, "north", ":memory:"):
        modes = [stat.S_IMODE(path.stat().st_mode) for path in locks.iterdir()]
    assert modes == [0o666]


def test_a_file_that_cannot_be_written_into_locks_all_the_same(tmp_path):
    path = tmp_path / "io.lock"
    path.write_text("")
    path.chmod(0o444)
    first = hold(path, "first")
    assert hold(path, "second") is None
    let_go(path, first)
    assert not path.exists()


def test_a_link_or_a_pipe_in_place_of_a_lock_is_refused_and_left_alone(tmp_path, locks):
    victim = tmp_path / "victim"
    victim.write_text("of value")
    with claimed(IO, "north", ":memory:"):
        (name,) = [path.name for path in locks.iterdir()]
    (locks / name).symlink_to(victim)
    with pytest.raises(Unreachable, match="remove what is no lock"), claimed(IO, "s", ":memory:"):
        pass
    assert victim.read_text() == "of value"
    (locks / name).unlink()
    os.mkfifo(locks / name)
    with pytest.raises(Unreachable, match="no ordinary file"), claimed(IO, "s", ":memory:"):
        pass


def test_a_lock_whose_file_was_removed_by_its_holder_is_not_taken_for_a_lock(tmp_path, monkeypatch):
    path = tmp_path / "io.lock"
    first = hold(path, "first")
    really_open = os.open
    opened = []

    def slow_open(*arguments):
        number = really_open(*arguments)
        if not opened:
            let_go(path, first)  # between our open and our lock
        opened.append(number)
        return number

    monkeypatch.setattr(os, "open", slow_open)
    second = hold(path, "second")
    monkeypatch.undo()
    assert len(opened) > 1
    assert held_by(path) == "second"
    assert hold(path, "third") is None
    second.close()


def test_where_no_folder_for_locks_is_nothing_starts(tmp_path, monkeypatch):
    monkeypatch.setattr(claim, "FOLDERS", (tmp_path,))
    tmp_path.chmod(0o755)
    with pytest.raises(Unreachable, match=r"mode 1777.*Nothing was started"), claimed(IO, "s", "s"):
        pass


def test_what_a_lock_file_says_is_told_without_its_control_characters(tmp_path):
    path = tmp_path / "io.lock"
    path.write_bytes(b"process 7\x1b[2J of\nsomebody" + b"x" * 1000)
    assert held_by(path).startswith("process 7 [2J of somebodyxx")
    assert len(held_by(path)) == 500
    path.write_text("4711")
    assert held_by(path) == "process 4711"
    path.write_text("")
    assert held_by(path) == held_by(tmp_path / "none") == "unknown"
    assert holder(site="", ledger="x").endswith(" UTC, ledger x")

"""Asking a running controller: considered once a scan, never waited for by it."""

from __future__ import annotations

import json
import os
import socket
import threading

import pytest

from linectl.errors import NoController, Unreachable
from linectl.runtime import control
from linectl.runtime.control import ControlServer, ask, socket_path

pytestmark = pytest.mark.wire


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A site folder, with a runtime folder of the test's own."""
    runtime = tmp_path / "run"
    runtime.mkdir(mode=0o700)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(runtime))
    site = tmp_path / "small"
    site.mkdir()
    return site


@pytest.fixture
def server(folder):
    server = ControlServer(folder)
    yield server
    server.close()


class Scans:
    """Stands for the scan: answers what has been queued, as often as it is told to."""

    def __init__(self, server):
        self.server = server
        self.seen = []
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run)

    def _run(self):
        while not self._stop.wait(0.002):
            for request, reply in self.server.poll():
                self.seen.append(request)
                reply({"heard": request})

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, *_):
        self._stop.set()
        self._thread.join()


def test_each_request_gets_its_own_reply(folder, server):
    with Scans(server):
        for name in ("fill", "seed"):
            answer = ask(folder, {"ask": "why", "name": name})
            assert answer == {"heard": {"ask": "why", "name": name}}


def test_requests_wait_for_a_scan_in_order_of_arrival(folder, server):
    link = _connect(folder)
    link.sendall(b'{"ask": "status"}\n{"ask": "command"')
    link.sendall(b', "unit": "sowing", "name": "stop"}\n')
    taken = []
    while len(taken) < 2:
        taken += server.poll()
    assert [request["ask"] for request, _ in taken] == ["status", "command"]
    for number, (_, reply) in enumerate(taken):
        reply({"number": number})
    assert [json.loads(line) for line in _lines(link, 2)] == [{"number": 0}, {"number": 1}]
    link.close()


def test_without_a_controller_the_message_says_how_to_start_one(folder):
    with pytest.raises(NoController, match=f"start one with: linectl run {folder}"):
        ask(folder, {"ask": "status"})


def test_a_socket_left_by_a_killed_controller_is_taken_over(folder):
    path = socket_path(folder)
    stale = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    stale.bind(str(path))
    stale.close()
    with pytest.raises(NoController, match="linectl run"):
        ask(folder, {"ask": "status"})
    server = ControlServer(folder)
    with Scans(server):
        assert ask(folder, {"ask": "status"})
    server.close()
    assert not path.exists()


def test_a_second_controller_of_the_site_is_told_who_holds_it(folder, server):
    with pytest.raises(Unreachable, match=rf"process {os.getpid()}\).*Nothing was started"):
        ControlServer(folder)


def test_another_site_of_the_same_name_is_another_controller(folder, server, tmp_path):
    other = tmp_path / "elsewhere" / "small"
    other.mkdir(parents=True)
    second = ControlServer(other)
    second.close()


def test_a_scan_that_stands_is_said_to_stand(folder, server):
    with pytest.raises(NoController, match="did not answer within"):
        ask(folder, {"ask": "status"}, timeout_s=0.05)


def test_more_requests_than_the_limit_are_refused_at_once(folder, server, monkeypatch):
    monkeypatch.setattr(control, "REQUESTS_MAX", 2)
    link = _connect(folder)
    link.sendall(b'{"ask": "status"}\n' * 3)
    assert "ask again" in json.loads(_lines(link, 1)[0])["error"]
    assert len(server.poll()) == 2
    link.close()


@pytest.mark.parametrize("line", [b"hello\n", b"[1]\n", b'{"unit": "sowing"}\n', b"\xff\xfe\n"])
def test_what_is_no_request_is_answered_and_never_reaches_the_scan(folder, server, line):
    link = _connect(folder)
    link.sendall(line)
    assert "one JSON object a line" in json.loads(_lines(link, 1)[0])["error"]
    assert server.poll() == []
    link.close()


def test_a_client_that_left_costs_the_scan_nothing(folder, server):
    link = _connect(folder)
    link.sendall(b'{"ask": "status"}\n')
    taken = []
    while not taken:
        taken = server.poll()
    link.close()
    taken[0][1]({"late": True})
    with Scans(server):
        assert ask(folder, {"ask": "status"})


def test_an_endless_line_ends_its_connection(folder, server):
    link = _connect(folder)
    with pytest.raises(OSError):  # reset or broken pipe, as the system likes
        for _ in range(100):
            link.sendall(b"x" * 65_536)
    link.close()


def test_a_runtime_folder_that_others_can_enter_is_refused(folder, monkeypatch):
    runtime = control.runtime_folder()
    runtime.chmod(0o755)
    with pytest.raises(Unreachable, match="chmod 700"):
        socket_path(folder)


def _connect(folder):
    link = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    link.settimeout(10)
    link.connect(str(socket_path(folder)))
    return link


def _lines(link, count):
    heard = b""
    while heard.count(b"\n") < count:
        heard += link.recv(65_536)
    return heard.splitlines()

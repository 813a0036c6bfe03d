"""Sites as a person breaks them, and a running controller that answers as it is told to."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from linectl.runtime.control import ControlServer

ROOT = Path(__file__).parents[2]


@pytest.fixture
def broken_site(tmp_path):
    """A copy of the small site with one timer below zero and one misspelt key."""
    folder = tmp_path / "broken"
    folder.mkdir()
    for file in (ROOT / "config/small").iterdir():
        (folder / file.name).write_bytes(file.read_bytes())
    text = (folder / "site.yaml").read_text()
    text = text.replace("    hopper_l: 200", "    hopper_l: 200\n    hoper_l: 3").replace(
        "takt: 30s", "takt: 0s"
    )
    (folder / "site.yaml").write_text(text)
    return folder


class Controller:
    """A running controller that answers what the test wants, and remembers what it was asked.

    `answer` is the one answer to everything, or says what to answer to a request.
    """

    def __init__(self):
        self.answer = {}
        self.asked = []
        self._server = ControlServer(ROOT / "config/small")
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._scan)
        self._thread.start()

    def _scan(self):
        while not self._stop.wait(0.002):
            for request, reply in self._server.poll():
                self.asked.append(request)
                reply(self.answer(request) if callable(self.answer) else self.answer)

    def close(self):
        self._stop.set()
        self._thread.join()
        self._server.close()


@pytest.fixture
def answering(monkeypatch, tmp_path):
    tmp_path.chmod(0o700)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    controller = Controller()
    yield controller
    controller.close()

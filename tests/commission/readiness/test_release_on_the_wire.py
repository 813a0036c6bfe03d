"""S44: a running controller refuses dry cycle and production until the list is done; what is signed
then is taken up without a new start."""

from __future__ import annotations

import queue
import threading
import time

import pytest

from linectl.commission.readiness.release import ReleaseLook
from linectl.field.wiring import reach_in
from linectl.runtime.control import ask
from linectl.runtime.live import control_site
from linectl_sim.serve import serve

pytestmark = pytest.mark.wire
PATIENCE_S = 30


@pytest.fixture
def running(done, tmp_path, tmp_path_factory, monkeypatch):
    """The line on the plant model, as `run` controls it: the list is looked at."""
    runtime = tmp_path_factory.mktemp("r")
    runtime.chmod(0o700)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(runtime))
    ends, told = threading.Event(), queue.Queue()
    site, look = done.site, ReleaseLook(done.folder, lambda: done.now, lambda: True)
    threads = [threading.Thread(target=serve, args=(site, 1, ends), kwargs={"announce": told.put})]
    threads[0].start()

    def begin():
        reach = reach_in(told.get(timeout=PATIENCE_S), site)
        controls = threading.Event()
        options = {"ledger": str(tmp_path / "line.sqlite3"), "reach": reach}
        options |= {"site_folder": done.folder, "on_status": lambda status: controls.set()}
        threads.append(
            threading.Thread(
                target=control_site, args=(site, ends), kwargs=options | {"release": look}
            )
        )
        threads[1].start()
        assert controls.wait(PATIENCE_S)

    yield begin
    ends.set()
    for thread in threads:
        thread.join(PATIENCE_S)
        assert not thread.is_alive()


def test_production_comes_once_the_last_item_is_signed_without_a_new_start(done, running):
    def status():
        return ask(done.folder, {"ask": "status"})

    def command(name, argument="", unit="sowing"):
        asked = {"ask": "command", "unit": unit, "name": name, "argument": argument, "by": "a"}
        answer = ask(done.folder, asked)
        return "taken" if answer["accepted"] else answer["why"]

    def told_at_last(wanted, *asked):
        """A busy machine keeps a device silent for a moment, which aborts: a person clears it."""
        end_s = time.monotonic() + PATIENCE_S
        while wanted not in (answer := command(*asked)):
            assert time.monotonic() < end_s, answer
            command("interlock-reset", unit="")
            command("clear")
            command("reset")
            time.sleep(0.05)

    done.withdraw("area_clear")
    running()
    told = status()
    assert {unit["mode"] for unit in told["units"].values()} == {"maintenance"}
    assert told["commissioning"] == {"released": False, "overrides": [], "note": ""}
    for mode in ("dry_cycle", "production"):
        assert "next area_clear: not signed" in told["release"][mode]
        told_at_last("next area_clear: not signed", "mode", mode)
    done.status = told
    done.sign("area_clear")
    end_s = time.monotonic() + PATIENCE_S
    while status()["release"]:
        assert time.monotonic() < end_s
        time.sleep(0.05)
    assert status()["commissioning"]["released"]
    for asked in (("mode", "production"), ("start",)):
        told_at_last("taken", *asked)

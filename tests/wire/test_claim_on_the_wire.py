"""S33: a claim in a served device: a controller on another computer is seen, and who it is."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from linectl.errors import Unreachable
from linectl.field import device_claim
from linectl.field.device_claim import CONTESTED, NOBODY, Mark
from linectl.field.wiring import Field, reach_in
from linectl.runtime.live import control_site
from linectl.site.model import Site

pytestmark = pytest.mark.wire

Eventually = Callable[..., float]
AT = 90
NORTH, SOUTH = Mark(0xC0000207, 4711), Mark(0xC0000208, 815)  # 192.0.2.7 and .8: RFC 5737


@pytest.fixture
def claiming(small: Site) -> Site:
    """The small site with registers for a claim in one device."""
    devices = dict(small.file.devices)
    devices["io_sower"] = devices["io_sower"].model_copy(update={"claim": str(AT)})
    return small.model_copy(update={"file": small.file.model_copy(update={"devices": devices})})


@pytest.fixture
def runs_on(monkeypatch: pytest.MonkeyPatch) -> Callable[[Mark], None]:
    """Whose controller a field that is made from now on is."""

    def of(mark: Mark) -> None:
        monkeypatch.setattr(device_claim, "own_mark", lambda towards: mark)

    return of


def state(field: Field) -> tuple[bool, str]:
    """Whether io_sower is good, and its quality."""
    (found,) = [d for bus in field.health() for d in bus.devices if d.name == "io_sower"]
    return found.good, found.quality


def remark(field: Field) -> str:
    told = {remark.tag: remark.text for snap in field.snapshots() for remark in snap.remarks}
    return told.get("io_sower.claimed", "")


def stands(served: Any) -> tuple[int, ...]:
    kept = served.server.devices["io_sower"]._claim
    return tuple(kept.get(at, 0) for at in range(AT, AT + 4))


class Sent:
    """Takes what a field sends on bus io."""

    def __init__(self) -> None:
        self.to_io: list[bytes] = []

    def frame(self, bus: str, at_s: float, sent: bool, data: bytes) -> None:
        if sent and bus == "io":
            self.to_io.append(data)


def is_write_to_io_sower(frame: bytes) -> bool:
    """Unit 1, and a function that writes: after the seven bytes of MBAP."""
    return frame[6] == 1 and frame[7] in (5, 6, 15, 16)


def test_a_controller_on_another_computer_writes_nothing_to_a_claimed_device_and_says_who_has_it(
    claiming: Site, serve: Any, field_on: Any, scan_on: Any, eventually: Eventually, runs_on: Any,
    clock: Any, tmp_path_factory: Any, monkeypatch: pytest.MonkeyPatch, request: Any,
) -> None:  # fmt: skip
    served = serve(claiming)
    reach = reach_in(served.endpoints, claiming)
    runs_on(NORTH)
    north = field_on(served)
    scan_on(claiming, north)
    eventually(lambda: state(north)[0])

    runs_on(SOUTH)
    folder: Path = tmp_path_factory.mktemp("r")
    folder.chmod(0o700)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(folder))
    with pytest.raises(Unreachable, match=r"192\.0\.2\.7 \(process 4711\), and its beat moves"):
        control_site(
            claiming, threading.Event(), ledger=str(folder / "south.sqlite3"), reach=reach,
            site_folder=folder, trace=folder / "south.trace",
        )  # fmt: skip
    with open(folder / "south.trace", encoding="utf-8") as trace:
        frames = [found for found in map(json.loads, trace) if isinstance(found, list)]
    sent = [bytes.fromhex(data) for _, bus, ours, data in frames if bus == "io" and ours]
    assert {frame[6] for frame in sent} == {1, 2}
    assert [frame for frame in sent if is_write_to_io_sower(frame)] == []

    seen = Sent()
    south = Field(claiming, clock, reach, tracer=seen)
    request.addfinalizer(south.stop)
    south.start()
    scan_on(claiming, south)
    eventually(lambda: "192.0.2.7" in remark(south))
    eventually(lambda: "its beat moves" in remark(south))
    assert state(south) == (False, "claimed")
    before = stands(served)
    eventually(lambda: stands(served) != before)  # north goes on
    assert len(seen.to_io) > 10
    assert [frame for frame in seen.to_io if is_write_to_io_sower(frame)] == []

    assert north.stop() == []
    eventually(lambda: state(south)[0], 8)
    assert remark(south) == ""
    assert any(is_write_to_io_sower(frame) for frame in seen.to_io)


def test_where_another_has_written_over_our_claim_nobody_writes_and_the_watchdog_acts(
    claiming: Site, serve: Any, field_on: Any, scan_on: Any, eventually: Eventually, runs_on: Any
) -> None:
    served = serve(claiming)
    horn = claiming.index("sowing.horn")
    runs_on(NORTH)
    north = field_on(served)
    demand = scan_on(claiming, north)
    eventually(lambda: state(north)[0])
    demand.put(sowing__horn=True)
    eventually(lambda: served.plant.values[horn] is True)
    served.server.devices["io_sower"]._claim = dict(enumerate(SOUTH.cells(7), AT))
    eventually(lambda: state(north) == (False, "claimed"))
    assert "another controller writes to io_sower" in remark(north)
    assert "192.0.2.8 (process 815)" in remark(north)
    eventually(lambda: served.plant.values[horn] is False)  # by its own watchdog
    assert stands(served) == CONTESTED
    time.sleep(0.7)  # more than a beat
    assert stands(served) == CONTESTED


def test_a_claim_is_given_back_at_the_end(
    claiming: Site, serve: Any, field_on: Any, scan_on: Any, eventually: Eventually
) -> None:
    served = serve(claiming)
    field = field_on(served)
    scan_on(claiming, field)
    eventually(lambda: state(field)[0])
    assert stands(served) != NOBODY
    assert field.stop() == []
    assert stands(served) == NOBODY

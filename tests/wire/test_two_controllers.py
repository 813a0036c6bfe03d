"""S29: of two controllers as processes on one plant the second is refused, with who is first."""

from __future__ import annotations

import shutil

import pytest
from processes import PATIENCE_S, ROOT, object_of, process

from linectl.field.claim import claimed
from linectl.field.wiring import reach_in
from linectl.site.load import load_site

pytestmark = pytest.mark.wire


def test_a_second_controller_is_refused_until_the_first_is_gone(tmp_path, tmp_path_factory):
    """Site, ledger and runtime folder are its own; only the end of the bus is common to both."""
    at = tmp_path / "plant.json"
    sites = {name: tmp_path / name for name in ("north", "south")}
    for folder in sites.values():
        shutil.copytree(ROOT / "config" / "small", folder)

    def run(name):
        ledger = tmp_path / f"{name}.sqlite3"
        arguments = ("run", sites[name], "--at", at, "--ledger", ledger, "--json")
        return process(*arguments, runtime=tmp_path_factory.mktemp(name))

    plant = process("plant", "config/small", "--json", "--file", at, runtime=tmp_path)
    with plant as served:
        reach = reach_in(object_of(served), load_site(sites["south"]))
        with run("north") as first:
            assert object_of(first)["pid"] == first.pid
            with run("south") as second:
                out, err = second.communicate(timeout=PATIENCE_S)
            assert (second.returncode, out) == (3, "")
            ends = [f"{host}:{port}" if host else port for host, port in reach.values()]
            assert any(f"at {end}: another controller drives it" in err for end in ends)
            north = (str(sites["north"]), str(tmp_path / "north.sqlite3"))
            for said in (f"process {first.pid} of user ", *north):
                assert said in err
            assert not (tmp_path / "south.sqlite3").exists()
            assert first.poll() is None
            first.kill()
            first.wait(PATIENCE_S)
        with claimed(reach, "south", "south.sqlite3"):
            pass  # nothing holds them: a third controller would start now

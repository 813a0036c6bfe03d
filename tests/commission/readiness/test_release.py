"""The look at the list for a running controller, and what the scan takes of it."""

from __future__ import annotations

import datetime as dt

import pytest

from linectl.commission.readiness import acts
from linectl.commission.readiness.kernel_clock import clock_is_kept
from linectl.commission.readiness.release import ReleaseLook
from linectl.runtime.control import socket_path
from linectl.runtime.release import Released, ReleaseWatch


@pytest.fixture
def look(done):
    return ReleaseLook(done.folder, lambda: done.now, lambda: done.clock_kept)


def test_what_is_signed_meanwhile_is_released_without_a_new_start(done, look):
    done.withdraw("area_clear")
    assert set(look(None).refused) == {"dry_cycle", "production"}
    done.sign("area_clear")
    assert look(done.status) == Released()


def test_an_override_ends_by_the_clock_though_no_file_changes(done, look):
    done.clock_kept = False
    done.withdraw("clock_set")
    act = acts.override(
        done.list(), "clock_set", done.now, by="ben", why="the antenna comes", for_ms=3_600_000
    )
    assert look(None).refused == {}
    assert look(None).overrides == (
        f"overridden by ben: clock_set until {act.until[:16]} (the antenna comes)",
    )
    done.now += dt.timedelta(hours=1)
    assert "clock_set" in look(None).refused["production"]
    assert look(None).overrides == ()


def test_a_calibration_runs_out_with_its_day_though_no_file_changes(done, look):
    assert look(None).refused == {}
    done.now = done.now.replace(year=2027, month=5, day=31)
    assert "production" in look(None).refused


def test_files_that_cannot_be_read_release_nothing_until_they_can(done, look):
    assert look(None).refused == {}
    text = (done.folder / "site.yaml").read_text(encoding="utf-8")
    (done.folder / "site.yaml").write_text("name: [", encoding="utf-8")
    refused = look(None).refused
    assert set(refused) == {"dry_cycle", "production"}
    assert "cannot be read" in refused["production"]
    (done.folder / "site.yaml").write_text(text, encoding="utf-8")
    assert look(None).refused == {}


def test_files_are_read_again_only_when_one_of_them_has_changed(done, look):
    look(None)
    kept = look._kept
    look(done.status)
    assert look._kept is kept
    done.withdraw("area_clear")
    look(None)
    assert look._kept is not kept


def test_the_scan_is_told_a_release_once_and_again_when_it_changes(tmp_path):
    found = [Released({"production": "why"}), Released({"production": "why"}, ("told",))]
    watch = ReleaseWatch(lambda status: found[0], tmp_path)
    assert watch.take() is None  # the line has begun with it
    watch.found = found[1]
    assert watch.take() is None
    watch.found = Released()
    assert watch.take() == {}
    assert watch.take() is None


def test_a_controller_that_does_not_answer_its_own_question_releases_nothing(tmp_path, monkeypatch):
    tmp_path.chmod(0o700)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    watch = ReleaseWatch(lambda status: Released(), tmp_path)
    assert not socket_path(tmp_path).exists()
    assert set(watch._found().refused) == {"dry_cycle", "production"}


def test_the_kernel_says_whether_something_keeps_its_clock():
    assert clock_is_kept() in (True, False, None)

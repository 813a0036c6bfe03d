"""`linectl run` tells what it does; that it cannot tell is no reason to stop."""

from __future__ import annotations

import contextlib

from linectl.cli.run import Untroubled
from linectl.cli.screen import say_json

STATUS = {"site": "small", "units": {}}


def test_a_full_disk_under_the_output_does_not_end_the_controller(capsys):
    with open("/dev/full", "w", encoding="utf-8") as full:
        tell = Untroubled(say_json)
        with contextlib.redirect_stdout(full):
            tell(STATUS)
            tell(STATUS)
    assert capsys.readouterr().err.count("the line goes on untold") == 1


def test_as_long_as_it_can_be_told_it_is(capsys):
    tell = Untroubled(say_json)
    tell(STATUS)
    tell(STATUS)
    assert capsys.readouterr().out.count('"site": "small"') == 2

"""`linectl run` tells what it does; that it cannot tell is no reason to stop, nor to wait."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys

from linectl.cli.screen import say_json
from linectl.cli.telling import Telling

STATUS = {"site": "small", "units": {}}
NOBODY_READS = """
import os, sys, time
from linectl.cli.telling import Telling
from linectl.cli.screen import say_json

begun_s = time.monotonic()
with Telling(say_json) as tell:
    for _ in range(1000):
        tell({"site": "x" * 10_000})
    os.write(2, b"told %d" % (time.monotonic() - begun_s < 2.0))
sys.exit(7)
"""


def test_a_full_disk_under_the_output_does_not_end_the_controller(capsys):
    with (
        open("/dev/full", "w", encoding="utf-8") as full,
        contextlib.redirect_stdout(full),
        Telling(say_json) as tell,
    ):
        tell(STATUS)
        tell(STATUS)
    assert capsys.readouterr().err.count("the line goes on untold") == 1


def test_as_long_as_it_can_be_told_it_is(capsys):
    with Telling(say_json) as tell:
        tell(STATUS)
        tell(STATUS)
    assert capsys.readouterr().out.count('"site": "small"') == 2


def test_a_pipe_that_nobody_empties_delays_neither_the_scan_nor_the_end():
    out, into = os.pipe()
    try:
        command = [sys.executable, "-c", NOBODY_READS]
        done = subprocess.run(command, stdout=into, stderr=subprocess.PIPE, timeout=30, check=False)
    finally:
        os.close(into)
        os.close(out)
    assert (done.returncode, done.stderr) == (7, b"told 1")

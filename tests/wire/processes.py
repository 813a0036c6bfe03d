"""`linectl` as a process of its own, and what it prints: for tests that need two of them."""

from __future__ import annotations

import json
import os
import select
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PATIENCE_S = 30


@contextmanager
def process(*arguments, runtime):
    """`linectl` in a process of its own; ended by its own id if the test leaves it running."""
    command = [sys.executable, "-m", "linectl.cli", *map(str, arguments)]
    environment = {**os.environ, "XDG_RUNTIME_DIR": str(runtime)}
    with subprocess.Popen(
        command,
        cwd=ROOT,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as started:
        try:
            yield started
        finally:
            if started.poll() is None:
                started.kill()


def object_of(started):
    """The next JSON line that the process prints."""
    assert select.select([started.stdout], [], [], PATIENCE_S)[0], "it said nothing"
    line = started.stdout.readline()
    return json.loads(line) if line else pytest.fail(started.stderr.read())

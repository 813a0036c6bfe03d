"""Lives with power cuts on the shipped sites, and the person who brings the line back."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from cutting.person import answering

from linectl.site.load import load_site

CONFIG = Path(__file__).parents[2] / "config"


@pytest.fixture(scope="session")
def person(attendant) -> Callable[..., Any]:
    """The tests' attendant, who also answers what a line asks when it comes back."""
    return answering(attendant)


@pytest.fixture(scope="session")
def small():
    return load_site(CONFIG / "small")


@pytest.fixture
def disk() -> Iterator[Path]:
    """A folder in memory where there is one: what is tried is what is told, not how fast."""
    memory = Path("/dev/shm")
    folder = Path(tempfile.mkdtemp(dir=memory if os.access(memory, os.W_OK) else None))
    yield folder
    shutil.rmtree(folder)

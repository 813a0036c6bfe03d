"""What stands for the wires where a test has none."""

from __future__ import annotations

import pytest


class NoField:
    """A field without devices: nothing comes, nothing goes."""

    def start(self) -> None: ...

    def stop(self):
        return ()

    def snapshots(self):
        return ()

    def publish(self, outputs, changed) -> None: ...

    def claimed_by_others(self) -> None: ...

    def health(self):
        return ()

    def failure(self):
        return None


@pytest.fixture
def no_field():
    return NoField()

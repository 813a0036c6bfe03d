"""The faults the plant can play, by tag or part."""

from __future__ import annotations

from linectl_sim.machine import Machine


class Faults:
    """Starts and repairs faults."""

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self.late: dict[str, int] = {}

    def start(self, part: str, kind: str) -> None:
        """A fault befalls a part now."""
        raise NotImplementedError

    def repair(self, part: str, kind: str | None = None) -> None:
        """The fault is put right now."""
        raise NotImplementedError

"""The command line: one small module per command; it prints and exits, and decides nothing."""

from linectl.cli import (
    check,
    command,
    compare,
    find,
    frames,
    hole,
    peek,
    plant,
    rehearse,
    resolved,
    run,
    schema,
    sheet,
    status,
    why,
)
from linectl.cli.app import main

__all__ = [
    "check",
    "command",
    "compare",
    "find",
    "frames",
    "hole",
    "main",
    "peek",
    "plant",
    "rehearse",
    "resolved",
    "run",
    "schema",
    "sheet",
    "status",
    "why",
]

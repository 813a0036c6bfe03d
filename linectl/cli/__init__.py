"""The command line: one small module per command; it prints and exits, and decides nothing."""

from linectl.cli import (
    bypass,
    check,
    command,
    compare,
    find,
    force,
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
    "bypass",
    "check",
    "command",
    "compare",
    "find",
    "force",
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

"""What a serial port is and who has it: stable names, the adapter's latency timer, the owner.

Linux: `/dev/serial/by-id` keeps a name over unplugging, `latency_timer` of a USB adapter holds
received bytes back (16 ms unless set), `/proc` tells which process has a port open.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

STABLE = "/dev/serial/by-id/"
LATENCY_MS_MAX = 2
"""A USB adapter that holds bytes back for longer is worth a word."""


def owners(path: str) -> list[str]:
    """Other processes that have the port open: `terminal (process 4711)`; those we may see."""
    real = os.path.realpath(path)
    found = []
    for folder in Path("/proc").glob("[0-9]*/fd"):
        process = folder.parent
        if process.name == str(os.getpid()):
            continue
        with contextlib.suppress(OSError):  # it ended, or it is not ours to look into
            if any(os.path.realpath(handle) == real for handle in folder.iterdir()):
                name = (process / "comm").read_text(encoding="utf-8").strip()
                found.append(f"{name} (process {process.name})")
    return found


def latency_ms(path: str, sysfs: Path = Path("/sys")) -> int | None:
    """The adapter's latency timer, ms; None if it has none."""
    name = Path(os.path.realpath(path)).name
    file = sysfs / "class" / "tty" / name / "device" / "latency_timer"
    try:
        return int(file.read_text(encoding="ascii"))
    except (OSError, ValueError):
        return None


def remarks(path: str, sysfs: Path = Path("/sys")) -> list[str]:
    """What is worth a word about a port that works, and what to do about it."""
    said = []
    found = latency_ms(path, sysfs)
    if found is not None and found > LATENCY_MS_MAX:
        name = Path(os.path.realpath(path)).name
        said.append(
            f"the adapter at {path} holds bytes back for up to {found} ms: every answer comes that "
            f"much later; as root: echo 1 > /sys/class/tty/{name}/device/latency_timer, "
            "and a udev rule keeps it"
        )
    if (stable := stable_name(path)) is not None:
        said.append(f"{path} may name another adapter after the next start; {stable} will not")
    return said


def stable_name(path: str, folder: Path = Path(STABLE)) -> str | None:
    """The name under `/dev/serial/by-id` of a port that was given another; None if it has none."""
    if path.startswith(STABLE):
        return None
    real = os.path.realpath(path)
    with contextlib.suppress(OSError):
        for link in sorted(folder.iterdir()):
            if os.path.realpath(link) == real:
                return str(link)
    return None


def why_not(path: str) -> str:
    """Why a port could not be opened, as far as can be seen."""
    if not os.path.exists(path):
        return "there is no such port: is the adapter plugged in?"
    if not os.access(path, os.R_OK | os.W_OK):
        return "this user may not use it: add the user to the group that owns the port"
    if held := owners(path):
        return f"{', '.join(held)} holds it: end that first"
    return "it refuses the line's speed or parity, or another program holds it"

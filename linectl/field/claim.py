"""One controller drives a device: each end of a bus is locked on this computer before any frame.

The locks lie in one folder for all users, so that another user's controller is seen as well. They
end with their process. They are seen by programs on this computer only, and only outside
containers of their own; what another computer does, no lock here can tell.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import socket
import stat
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import NamedTuple

from linectl.errors import Unreachable
from linectl.field.lock_file import held_by, hold, holder, let_go
from linectl.field.wiring import Reach

FOLDERS = (Path("/run/lock"), Path("/tmp"))
"""Lock files go to the first that everybody may write into: the same one for every user, which a
TMPDIR or a user's runtime folder would not be."""


class End(NamedTuple):
    """One end of a bus. name: the same however the site's file calls it. bus: ours on it."""

    name: str
    bus: str
    where: str


def ends_of(reach: Mapping[str, Reach]) -> list[End]:
    """Every end of the buses, each once and in one order for all; a bus can have several names.

    A TCP end counts by the host's name as written and by each of its addresses (asked of the
    system, which may take seconds for a name). A serial port counts by its path behind all
    links and by its device number, so that /dev/serial/by-id/... and /dev/ttyUSB0 are one.
    """
    found: dict[str, End] = {}
    for bus, (host, port) in reach.items():
        names = _tcp_names(host, int(port)) if host else _serial_names(str(port))
        where = f"{host}:{port}" if host else str(port)
        for name in names:
            found.setdefault(name, End(name, bus, where))
    return [found[name] for name in sorted(found)]


def _tcp_names(host: str, port: int) -> set[str]:
    host = host.lower().rstrip(".")
    names = {f"tcp {host} {port}"}
    with contextlib.suppress(OSError, UnicodeError):  # no such name now: by the name alone
        for *_, address in socket.getaddrinfo(host, port, type=socket.SOCK_STREAM):
            names.add(f"tcp {str(address[0]).removeprefix('::ffff:')} {port}")
    return names


def _serial_names(path: str) -> set[str]:
    whole = os.path.realpath(path)
    names = {f"serial {whole}"}
    with contextlib.suppress(OSError):
        found = os.stat(whole)
        if stat.S_ISCHR(found.st_mode):
            names.add(f"serial device {os.major(found.st_rdev)}:{os.minor(found.st_rdev)}")
    return names


def lock_folder() -> Path:
    """Where the locks of this computer are. Raises Unreachable if there is no such folder."""
    for folder in FOLDERS:
        with contextlib.suppress(OSError):
            if folder.stat().st_mode & stat.S_IWOTH:
                return folder
    raise Unreachable(
        f"no folder for locks: {' or '.join(map(str, FOLDERS))} must be one that every user may"
        " write into (mode 1777). Nothing was started."
    )


@contextmanager
def claimed(reach: Mapping[str, Reach], site_folder: str, ledger: str) -> Iterator[None]:
    """Hold every end of `reach` for this process. Raises Unreachable, which says who has one."""
    told = holder(site=os.path.realpath(site_folder), ledger=_whole(ledger))
    folder = lock_folder()
    with ExitStack() as stack:
        for end in ends_of(reach):
            stack.enter_context(_one(folder / _file_name(end.name), end, told))
        yield


@contextmanager
def _one(path: Path, end: End, told: str) -> Iterator[None]:
    try:
        handle = hold(path, told)
    except OSError as error:
        raise Unreachable(
            f"bus {end.bus} at {end.where}: its lock {path} cannot be taken"
            f" ({error.strerror or error}); free space there, or remove what is no lock."
            " Nothing was started."
        ) from error
    if handle is None:
        raise Unreachable(
            f"bus {end.bus} at {end.where}: another controller drives it ({held_by(path)});"
            " two on the same devices would undo each other's outputs. Stop that one first."
            " Nothing was started."
        )
    try:
        yield
    finally:
        let_go(path, handle)


def _whole(ledger: str) -> str:
    return ledger if ledger == ":memory:" else os.path.realpath(ledger)


def _file_name(name: str) -> str:
    """Readable, and different for different names."""
    mark = hashlib.sha256(name.encode()).hexdigest()[:12]
    return f"linectl-{re.sub(r'[^A-Za-z0-9.-]+', '-', name)[:60]}-{mark}.lock"

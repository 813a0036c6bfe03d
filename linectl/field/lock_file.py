"""A locked file that says who holds it; the kernel lets it go when its process dies, however."""

from __future__ import annotations

import contextlib
import datetime as dt
import fcntl
import os
import pwd
import socket
import stat
from pathlib import Path
from typing import IO

TEXT_MAX = 500
"""Longest text about a holder that is passed on; the file may be anybody's."""
TRIES = 10
"""A file that is replaced under our hands more often than this is somebody's mischief."""
MODE = 0o666
"""Whoever holds it next, another user perhaps, writes its own name into it. To keep others out of a
lock is a matter of the folder."""
FLAGS = os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC


def holder(**about: str) -> str:
    """This process for people: number, user, computer, since when, and what `about` adds."""
    try:
        user = pwd.getpwuid(os.getuid()).pw_name
    except KeyError:
        user = f"number {os.getuid()}"
    now = dt.datetime.now(dt.UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
    what = "".join(f", {name} {value}" for name, value in about.items() if value)
    return f"process {os.getpid()} of user {user} on {socket.gethostname()} since {now}{what}"


def hold(path: Path, told: str) -> IO[str] | None:
    """Lock `path` for this process and write `told` into it; None if another holds it.

    The file is made if it is missing. Close it to let go; the file stays, see `let_go`. Raises
    OSError if it cannot be opened or is no ordinary file.
    """
    for _ in range(TRIES):
        handle = _open(path)
        try:
            if not _lock(handle):
                handle.close()
                return None
            if _is_still(path, handle):
                _write(handle, told)
                return handle
        except BaseException:
            handle.close()
            raise
        handle.close()  # its holder has removed it meanwhile: another one may be there by now
    raise OSError(f"{path} is replaced all the time")


def held_by(path: Path) -> str:
    """What the holder of `path` has written about itself; "unknown" if nothing can be read."""
    try:
        with open(os.open(path, os.O_RDONLY | FLAGS), encoding="utf-8", errors="replace") as file:
            text = file.read(TEXT_MAX).strip()
    except OSError:
        return "unknown"
    text = "".join(c if c.isprintable() else " " for c in text)
    return f"process {text}" if text.isdigit() else text or "unknown"


def let_go(path: Path, handle: IO[str]) -> None:
    """Remove the file, if this user may, and give the lock back. Never raises OSError."""
    with contextlib.suppress(OSError):
        if _is_still(path, handle):
            path.unlink()
    handle.close()


def _open(path: Path) -> IO[str]:
    """Without O_CREAT where the file is there: in a folder that everybody may write into, Linux
    refuses that for another user's file (fs.protected_regular)."""
    for _ in range(TRIES):
        try:
            return _ordinary(path, os.open(path, os.O_RDWR | FLAGS), "r+")
        except FileNotFoundError:
            pass
        except PermissionError:
            return _ordinary(path, os.open(path, os.O_RDONLY | FLAGS), "r")
        with contextlib.suppress(FileExistsError):
            number = os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | FLAGS, MODE)
            os.fchmod(number, MODE)  # whatever the umask takes away
            return _ordinary(path, number, "r+")
    raise OSError(f"{path} comes and goes")


def _ordinary(path: Path, number: int, mode: str) -> IO[str]:
    if not stat.S_ISREG(os.fstat(number).st_mode):
        os.close(number)
        raise OSError(f"{path} is no ordinary file")
    return open(number, mode, encoding="utf-8", errors="replace")


def _lock(handle: IO[str]) -> bool:
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _is_still(path: Path, handle: IO[str]) -> bool:
    try:
        return os.path.samestat(os.stat(path, follow_symlinks=False), os.fstat(handle.fileno()))
    except FileNotFoundError:
        return False


def _write(handle: IO[str], told: str) -> None:
    """The lock is what counts: on a full disk the holder is just not told."""
    if not handle.writable():
        return
    with contextlib.suppress(OSError):
        os.ftruncate(handle.fileno(), 0)
        os.pwrite(handle.fileno(), told.encode(), 0)

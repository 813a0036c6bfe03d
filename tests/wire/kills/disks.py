"""File systems that fail when they are told to: full, read-only, with I/O errors.

Each way is the truest that this machine allows; where nothing better is to be had the process is
limited in how long its files may be, so that no trial is ever left out.
"""

from __future__ import annotations

import contextlib
import errno
import os
import resource
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Protocol

SHIM = Path(__file__).with_name("fails.c")
SIZE = "3m"
"""Of the small disk: a ledger with its log fits in several times over."""


class Disk(Protocol):
    """A folder for a ledger, and how it fails. `pid`: the controller that writes there."""

    how: str
    """In words, for the results."""
    folder: Path
    environ: dict[str, str]
    """Beside the controller's own environment."""
    lasts: bool
    """It fails for the next controller too, until it is mended."""

    def fail(self, pid: int) -> None: ...

    def mend(self, pid: int | None) -> None: ...


class SmallDisk:
    """A file system of its own in memory, that a file beside the ledger fills up."""

    def __init__(self, folder: Path) -> None:
        self.how = "full (a file system in memory)"
        self.folder = folder
        self.environ: dict[str, str] = {}
        self.lasts = True
        self._ballast = folder / "ballast"

    def fail(self, pid: int) -> None:
        """Fill it to the last byte."""
        with open(self._ballast, "ab", buffering=0) as handle:
            for size in (65_536, 4_096, 512, 1):
                with contextlib.suppress(OSError):
                    while handle.write(bytes(size)) == size:
                        pass

    def mend(self, pid: int | None) -> None:
        """Somebody makes room."""
        self._ballast.unlink(missing_ok=True)


@contextmanager
def small_disk(folder: Path) -> Iterator[Disk | None]:
    """A small file system, mounted; None where that may not be (`unshare -rm` before the whole
    command gives the right to a user who is not root)."""
    folder.mkdir(parents=True, exist_ok=True)
    if not _works(["mount", "-t", "tmpfs", "-o", f"size={SIZE}", "tmpfs", str(folder)]):
        yield None
        return
    try:
        yield SmallDisk(folder)
    finally:
        _works(["umount", "-l", str(folder)])


def _works(command: list[str]) -> bool:
    try:
        return subprocess.run(command, capture_output=True, check=False).returncode == 0
    except OSError:
        return False


class Shim:
    """The ledger's files give the error that a flag file names."""

    def __init__(self, folder: Path, library: Path, number: int, calls: str) -> None:
        what = {"w": "writing", "s": "syncing"}[calls]
        self.how = f"{os.strerror(number)} ({what})"
        self.folder = folder
        self.lasts = True
        self._flag = folder.parent / "flag"
        self._says = f"{number} {calls}"
        self.environ = {
            "LD_PRELOAD": str(library),
            "LINECTL_FAIL_FLAG": str(self._flag),
            "LINECTL_FAIL_MARK": f"{folder}/",
        }

    def fail(self, pid: int) -> None:
        draft = self._flag.with_suffix(".part")
        draft.write_text(self._says)
        draft.replace(self._flag)

    def mend(self, pid: int | None) -> None:
        self._flag.unlink(missing_ok=True)


def shim(folder: Path, number: int, calls: str) -> Disk | None:
    """The shim, compiled; None without a C compiler."""
    compiler = shutil.which("cc")
    folder.mkdir(parents=True, exist_ok=True)
    library = folder.parent / "fails.so"
    if compiler is None:
        return None
    built = [compiler, "-shared", "-fPIC", "-O1", "-o", str(library), str(SHIM), "-ldl"]
    return Shim(folder, library, number, calls) if _works(built) else None


class Limit:
    """No file of the process may be longer than a byte: what every system can do. Python ignores
    SIGXFSZ, so that it is an error of the write."""

    def __init__(self, folder: Path) -> None:
        self.how = "files limited to a byte"
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self.environ: dict[str, str] = {}
        self.lasts = False

    def fail(self, pid: int) -> None:
        _, hard = resource.prlimit(pid, resource.RLIMIT_FSIZE)
        resource.prlimit(pid, resource.RLIMIT_FSIZE, (1, hard))

    def mend(self, pid: int | None) -> None:
        if pid is not None:
            _, hard = resource.prlimit(pid, resource.RLIMIT_FSIZE)
            resource.prlimit(pid, resource.RLIMIT_FSIZE, (hard, hard))


WAYS = ("full", "read-only", "error in writing", "error in syncing", "limited")


@contextmanager
def disk(way: str, folder: Path) -> Iterator[Disk]:
    """A disk that can fail that way, or the nearest that can be had here."""
    with contextlib.ExitStack() as open_:
        made: Disk | None = None
        if way == "full":
            made = open_.enter_context(small_disk(folder / "disk"))
            made = made or shim(folder / "disk", errno.ENOSPC, "w")
        elif way == "read-only":
            made = shim(folder / "disk", errno.EROFS, "w")
        elif way == "error in writing":
            made = shim(folder / "disk", errno.EIO, "w")
        elif way == "error in syncing":
            made = shim(folder / "disk", errno.EIO, "s")
        yield made or Limit(folder / "limited")

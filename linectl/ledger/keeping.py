"""Files that must be whole: written beside, on disk before they take their name, with a checksum.

A checksum file is what `sha256sum -c` reads: `HEX  NAME`, in the folder of the file it names.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from linectl.errors import LedgerBroken, LedgerUnreachable

CHUNK = 1 << 20
MARK = ".sha256"
PARTIAL = ".partial"


@contextmanager
def writing(path: Path) -> Iterator[None]:
    """What the disk refuses is said for people. Raises LedgerUnreachable."""
    try:
        yield
    except OSError as error:
        raise LedgerUnreachable(
            f"{error.filename or path}: it cannot be written ({error.strerror});"
            " is there room, may this user write there?"
        ) from error


def free_name(folder: Path, stem: str, suffix: str) -> Path:
    """`STEM.SUFFIX` in a folder, or with a number if that is taken: nothing is written over."""
    for number in range(1, 1000):
        name = folder / f"{stem}{'' if number == 1 else f'-{number}'}{suffix}"
        if not name.exists():
            return name
    raise LedgerUnreachable(f"{folder}/{stem}{suffix}: a thousand of them; clear some away")


def digest_of(path: Path) -> str:
    """SHA-256 of a file, as hexadecimal digits. Raises LedgerUnreachable."""
    found = hashlib.sha256()
    try:
        with path.open("rb") as file:
            while block := file.read(CHUNK):
                found.update(block)
    except OSError as error:
        raise LedgerUnreachable(f"{path}: it cannot be read ({error.strerror})") from error
    return found.hexdigest()


def sync(path: Path) -> None:
    """A file's or folder's content is on the disk when this returns."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def put_in_place(partial: Path, path: Path) -> str:
    """`partial` becomes `path`, with its checksum beside it; returns the digest.

    The checksum goes first: killed in between, there is no file of that name, which was free.
    """
    sync(partial)
    digest = digest_of(partial)
    mark = mark_of(path)
    text = mark.with_name(mark.name + PARTIAL)
    text.write_text(f"{digest}  {path.name}\n", encoding="utf-8")
    sync(text)
    os.replace(text, mark)
    os.replace(partial, path)
    sync(path.parent)
    return digest


def mark_of(path: Path) -> Path:
    """Where a file's checksum is."""
    return path.with_name(path.name + MARK)


def check_mark(path: Path) -> str:
    """The digest of a file that fits its checksum.

    Raises LedgerUnreachable: no file, or no checksum beside it; LedgerBroken: they differ.
    """
    mark = mark_of(path)
    if not path.is_file():
        raise LedgerUnreachable(f"{path}: there is no such file; name a backup")
    try:
        told = mark.read_text(encoding="utf-8").split()
    except OSError as error:
        raise LedgerUnreachable(
            f"{mark}: it cannot be read ({error.strerror}); a backup is taken with its checksum"
            " beside it: bring both"
        ) from error
    found = digest_of(path)
    if not told or told[0].lower() != found:
        raise LedgerBroken(
            f"{path}: it is not the file that {mark.name} was written for (SHA-256 {found});"
            " it was damaged or altered since: take another backup. Nothing was altered."
        )
    return found

"""Writes a file whole or not at all, and keeps the one that stood there before."""

from __future__ import annotations

import os
import shutil
import tempfile
from pathlib import Path

from linectl.errors import Unreachable


def write_whole(path: Path, content: bytes) -> Path | None:
    """Puts `content` in the place of `path`; where the previous file is kept, None without one.

    The new file is on the disk under another name before it takes the name; a power cut leaves the
    old or the new one. Rights are those of the old file. Raises Unreachable if it cannot be done.
    """
    kept = path.with_name(path.name + ".previous")
    try:
        found = path.exists()
        if found:
            _put(kept, path.read_bytes(), like=path)
        _put(path, content, like=path if found else None)
    except OSError as error:
        raise Unreachable(
            f"{path} cannot be written: {error.strerror or error}. It is as it was"
        ) from None
    return kept if found else None


def _put(path: Path, content: bytes, like: Path | None) -> None:
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        if like is not None:
            shutil.copymode(like, name)
        os.replace(name, path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
    _sync_folder(path.parent)


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)

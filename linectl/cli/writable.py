"""Files that a command will write at its end: tried before it begins, so that no shift is lost."""

from __future__ import annotations

from pathlib import Path

from linectl.errors import Unreachable, UsageError


def will_be_written(path: Path) -> None:
    """Raises UsageError for a path that cannot be a file, Unreachable if it may not be written.

    Nothing that stands in the file is touched.
    """
    if path.is_dir():
        raise UsageError(f"{path}: is a folder; name a file in it")
    if not path.parent.is_dir():
        raise UsageError(f"{path}: there is no folder {path.parent}; make it first")
    existed = path.exists()
    try:
        with path.open("ab"):
            pass
    except OSError as error:
        raise Unreachable(f"{path}: cannot be written ({error.strerror})") from error
    if not existed:
        path.unlink()

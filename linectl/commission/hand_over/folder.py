"""The folder of a hand-over: written whole or not at all, with the digest of every file in it.

`digests.sha256` is in the form that `sha256sum --check` reads (GNU coreutils manual, sha2
utilities): the digest, two spaces, the name.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path

from linectl.errors import Unreachable, UsageError

DIGESTS = "digests.sha256"
MODE = 0o755
_LINE = re.compile(r"([0-9a-f]{64})  (\S.*)")


def digests_of(files: Mapping[str, bytes]) -> dict[str, str]:
    """SHA-256 of each file, by name in order."""
    return {name: hashlib.sha256(files[name]).hexdigest() for name in sorted(files)}


def digest_list(files: Mapping[str, bytes]) -> bytes:
    """The text of `digests.sha256`."""
    lines = (f"{digest}  {name}\n" for name, digest in digests_of(files).items())
    return "".join(lines).encode()


def may_be_taken(out: Path) -> None:
    """Raises UsageError unless `out` is free, empty, or holds an earlier hand-over and nothing
    else: each of its files as its own list says."""
    if not out.parent.is_dir():
        raise UsageError(f"{out}: there is no folder {out.parent}; make it first")
    if not out.exists():
        return
    if not out.is_dir():
        raise UsageError(f"{out}: is a file; name a folder")
    if out.is_symlink():
        raise UsageError(f"{out}: is a link; name the folder itself")
    known = _listed(out)
    for path in sorted(out.rglob("*")):
        name = path.relative_to(out).as_posix()
        if path.is_dir() or (name == DIGESTS and known):
            continue
        if name not in known:
            raise UsageError(
                f"{out}: holds other things ({name}), which are not written over; name a folder"
                " that is not there yet"
            )
        if hashlib.sha256(path.read_bytes()).hexdigest() != known[name]:
            raise UsageError(
                f"{out}: {name} has been altered since it was handed over; name another folder"
            )


def write_folder(out: Path, files: Mapping[str, bytes]) -> str:
    """Writes the files with their list in the place of `out`; the digest of the list.

    They are on the disk under another name before the folder takes its own. Raises UsageError as
    `may_be_taken` does, Unreachable if they cannot be written; then nothing has changed.
    """
    may_be_taken(out)
    listing = digest_list(files)
    try:
        made = Path(tempfile.mkdtemp(prefix=f".{out.name}.", dir=out.parent))
        try:
            for name, content in {**files, DIGESTS: listing}.items():
                _put(made / name, content)
            made.chmod(MODE)
            _take_place(made, out)
        except BaseException:
            shutil.rmtree(made, ignore_errors=True)
            raise
    except OSError as error:
        raise Unreachable(
            f"{out}: cannot be written ({error.strerror or error}); nothing has changed"
        ) from error
    return hashlib.sha256(listing).hexdigest()


def _listed(out: Path) -> dict[str, str]:
    """What an earlier hand-over's list says: name → digest; nothing if there is no such list."""
    try:
        lines = (out / DIGESTS).read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        return {}
    found = [_LINE.fullmatch(line) for line in lines]
    return {one[2]: one[1] for one in found if one is not None}


def _put(path: Path, content: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def _take_place(made: Path, out: Path) -> None:
    """The new folder takes the name; the earlier one is away only once it has."""
    if not out.exists():
        made.rename(out)
        return
    old = made.with_name(made.name + ".old")
    out.rename(old)
    try:
        made.rename(out)
    except OSError:
        old.rename(out)
        raise
    shutil.rmtree(old, ignore_errors=True)

"""A change of a site's file that is thought out and not yet made: shown as a diff, written whole.

Undoing is one step: the file that stood there before takes the place again.
"""

from __future__ import annotations

import codecs
import difflib
from dataclasses import dataclass
from pathlib import Path

from linectl.commission.whole_file import write_whole
from linectl.errors import UsageError

KEPT = ".previous"
"""What `write_whole` adds to the name of the file that stood there before."""


@dataclass(frozen=True)
class FileEdit:
    """What a file says, and what it is to say."""

    path: Path
    before: str
    """Empty if there is no file yet."""
    after: str
    encoding: str = "utf-8"

    @property
    def data(self) -> bytes:
        """What the file is to hold."""
        return self.after.encode(self.encoding)

    @property
    def diff(self) -> str:
        """What would change, as a unified diff; empty if nothing would."""
        lines = difflib.unified_diff(
            self.before.splitlines(),
            self.after.splitlines(),
            str(self.path),
            f"{self.path} (new)",
            lineterm="",
            n=1,
        )
        return "\n".join(lines)

    def write(self) -> Path | None:
        """Makes the change; where the previous file is kept.

        Raises Unreachable if it cannot be written, UsageError if the file says something else by
        now than it did when the change was thought out.
        """
        if self.after == self.before:
            return None
        if text_of(self.path, self.encoding) != self.before:
            raise UsageError(
                f"{self.path} was changed by somebody else meanwhile: nothing is written; look at"
                " it, then ask again"
            )
        return write_whole(self.path, self.data)


def text_of(path: Path, encoding: str = "utf-8") -> str:
    """The file's text; empty if there is none. Raises UsageError if it is not so encoded."""
    try:
        return path.read_bytes().decode(encoding)
    except FileNotFoundError:
        return ""
    except UnicodeDecodeError as error:
        raise UsageError(
            f"{path}: is not {encoding.upper()} text (byte {error.start}); save it as UTF-8"
        ) from None


def undoing(path: Path) -> FileEdit:
    """The change that puts the file before the last change back. Raises UsageError without one."""
    kept = path.with_name(path.name + KEPT)
    if not kept.exists():
        raise UsageError(f"{path}: there is no {kept.name} to go back to")
    encoding = encoding_of(path)
    return FileEdit(path, text_of(path, encoding), text_of(kept, encoding), encoding)


def encoding_of(path: Path) -> str:
    """How a file's text is encoded, by its byte order mark, which counts as part of the text."""
    try:
        with path.open("rb") as file:
            mark = file.read(2)
    except FileNotFoundError:
        mark = b""
    return {codecs.BOM_UTF16_LE: "utf-16-le", codecs.BOM_UTF16_BE: "utf-16-be"}.get(mark, "utf-8")

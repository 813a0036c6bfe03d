"""Every exception of linectl, in one tree.

    LinectlError                  exit code
    ├── SiteError                     1      the site's files are wrong (carries every finding)
    ├── UsageError                    2      the call was wrong (an unknown tag, a bad duration)
    ├── Unreachable                   3      a device, port, file or ledger could not be reached
    │   ├── LinkDown                         no connection to a bus
    │   ├── Silent                           a device did not answer in time
    │   ├── DeviceRefused                    a device answered with a Modbus exception
    │   ├── ForeignAnswer                    an answer that is not to the question asked
    │   ├── LedgerUnreachable                the ledger cannot be opened, read or written
    │   ├── PlantMissing                     no plant model is installed
    │   └── NoController                     no running controller answers for this site
    ├── OutOfRange                    1      a value does not fit the register it should go to
    ├── Illegal                       1      a state table was given an event it does not have
    └── LedgerBroken                  1      the ledger contradicts itself

A message answers: what happened; where (file and line, or device and address); what was
expected and what came; what to do next.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


class LinectlError(Exception):
    """Root of the tree. `exit_code` is what the command line returns."""

    exit_code = 1


@dataclass(frozen=True)
class Finding:
    """One thing wrong in a site's files: where, which key, what is wrong, what would be right."""

    file: str
    line: int
    key: str
    message: str
    hint: str | None = None

    def __str__(self) -> str:
        hint = f" ({self.hint})" if self.hint else ""
        return f"{self.file}:{self.line}: {self.key}: {self.message}{hint}"


class SiteError(LinectlError):
    """A site's files are wrong. `findings` holds all of them, in file and line order."""

    def __init__(self, findings: Sequence[Finding]) -> None:
        self.findings = tuple(findings)
        super().__init__("\n".join(str(finding) for finding in self.findings))


class UsageError(LinectlError):
    """The call itself was wrong: an unknown name, a value that cannot be read."""

    exit_code = 2


class Unreachable(LinectlError):
    """Something outside the program could not be reached."""

    exit_code = 3


class LinkDown(Unreachable):
    """No connection to a bus: refused, unplugged, not yet open."""


class Silent(Unreachable):
    """A device did not answer within its time-out."""


class DeviceRefused(Unreachable):
    """A device answered with a Modbus exception; `code` is the exception code."""

    def __init__(self, message: str, code: int) -> None:
        self.code = code
        super().__init__(message)


class ForeignAnswer(Unreachable):
    """What came does not fit the question. `kind` says how: crc (damaged), short (the rest did not
    come), foreign (another unit, or two answers), stale (another function or length: a late
    answer), stray (before the question), echo (our own bytes, damaged)."""

    def __init__(self, message: str, kind: str = "foreign") -> None:
        self.kind = kind
        super().__init__(message)


class LedgerUnreachable(Unreachable):
    """The ledger's file cannot be opened, read or written."""


class PlantMissing(Unreachable):
    """No plant model is installed under the entry point `linectl.plant`."""


class NoController(Unreachable):
    """No running controller of the site answers."""


class OutOfRange(LinectlError):
    """A value does not fit the register type it should be written as."""


class Illegal(LinectlError):
    """A state table was given an event that it does not have in its present state."""


class LedgerBroken(LinectlError):
    """The ledger's record contradicts itself."""

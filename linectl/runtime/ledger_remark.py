"""What the ledger's writer says of its disk, as a remark to the line: it becomes an alarm."""

from __future__ import annotations

from linectl.image import Frame, Remark

LEDGER = "ledger"
DO = "mend what the text names; the record goes on by itself with all that waits; then unhold"


class LedgerRemark:
    """Remembers what the line was told of the disk; tells what is new."""

    def __init__(self) -> None:
        self._told: str | None = None

    def tell(self, fault: str | None, frame: Frame) -> None:
        """Put into the frame that the disk fails, fails in another way, or works again."""
        if fault == self._told:
            return
        self._told = fault
        remark = None if fault is None else Remark(f"{LEDGER}.disk", "high", fault, DO)
        frame.remarks.append((f"{LEDGER}.disk", remark))

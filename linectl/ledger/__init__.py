"""What must survive a power cut: gutters, places, lots, moves and events, in SQLite."""

from linectl.ledger.record import Ledger
from linectl.ledger.writer import LedgerWriter

__all__ = ["Ledger", "LedgerWriter"]

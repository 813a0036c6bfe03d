"""Coming back: what the record says and the sensors show decides what became of each move."""

from linectl.line.recovery.recovery import Recovery

__all__ = ["Recovery"]

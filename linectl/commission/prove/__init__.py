"""The interlock proof: every cell of the cause-and-effect matrix tripped on the plant model."""

from linectl.commission.prove.proving import Asked, prove

__all__ = ["Asked", "prove"]

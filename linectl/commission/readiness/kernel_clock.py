"""Whether something keeps this computer's clock: the kernel's own word, adjtimex(2).

adjtimex returns TIME_ERROR while the clock is not synchronised, and sets STA_UNSYNC in its status
(adjtimex(2), Linux). Reading it (modes 0) alters nothing and needs no right.
"""

from __future__ import annotations

import ctypes
import ctypes.util

TIME_ERROR = 5
STA_UNSYNC = 0x0040
_ROOM = 256
"""Bytes beyond the fields that are read: the whole structure has some 200."""


class _Timex(ctypes.Structure):
    """The head of struct timex, with room for the rest of it."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_byte * _ROOM),
    )


def clock_is_kept() -> bool | None:
    """True if the kernel's clock is synchronised, False if not, None where nobody says."""
    try:
        adjtimex = ctypes.CDLL(ctypes.util.find_library("c"), use_errno=True).adjtimex
    except (OSError, AttributeError):
        return None  # no such call on this system
    told = _Timex(modes=0)
    state = adjtimex(ctypes.byref(told))
    if state < 0:
        return None  # a container may forbid it
    return state != TIME_ERROR and not told.status & STA_UNSYNC

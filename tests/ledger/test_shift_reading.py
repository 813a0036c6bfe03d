"""Stretches of the record are found by time, in tables of any length, with rows pruned or not."""

from __future__ import annotations

from bisect import bisect_left

from hypothesis import given
from hypothesis import strategies as st

from linectl.ledger.by_time import _bisect

ROWS = st.dictionaries(st.integers(1, 300), st.integers(0, 50), min_size=1, max_size=60)


@given(ROWS, st.integers(-1, 52))
def test_the_first_row_at_or_after_a_time_is_found_across_gaps(rows, at_ms):
    keys = sorted(rows)
    times = sorted(rows.values())  # ledger time rises with the rows
    asked: list[int] = []

    def row_from(key: int) -> tuple[int, int]:
        asked.append(key)
        place = bisect_left(keys, key)
        return keys[place], times[place]

    found = _bisect(keys[0], keys[-1] + 1, row_from, at_ms)
    taken = [time for key, time in zip(keys, times, strict=True) if key >= found]
    assert taken == [time for time in times if time >= at_ms]
    assert len(asked) <= 10, "halving, not walking"

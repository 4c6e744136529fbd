"""Which hours readings touch, for many rows at once: the same as one row after the other."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from service.work.conditions import hours_touched

rows = st.lists(
    st.tuples(st.integers(0, 10**7), st.integers(-(10**6), 10**6), st.integers(0, 200)), max_size=60
)


@given(rows)
def test_each_hour_from_the_first_to_the_last(rows: list[tuple[int, int, int]]) -> None:
    zone, first, more = np.array(rows, dtype=np.int64).reshape(-1, 3).T
    assert hours_touched(zone, first, first + more) == {
        (zone, hour) for zone, first, more in rows for hour in range(first, first + more + 1)
    }

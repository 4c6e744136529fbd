"""Gaps, gluts, young seedlings, space."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.agronomy.evenness import (
    Standing,
    Stay,
    Waiting,
    harvest_spacing,
    overfull,
    too_young,
)

NEVER = 1e9


@pytest.mark.parametrize(
    ("harvests", "was", "expected"),
    [
        ([0, 7, 14, 21], None, None),
        ([0, 7, 18, 25], None, ("gap", 7, 18)),
        ([0, 7, 17, 24], None, None),  # 10 of 7 days
        ([0, 7, 17, 24], "gap", ("gap", 7, 17)),
        ([0, 7, 16, 23], "gap", None),
        ([0, 7, 9, 16], None, ("glut", 7, 9)),
        ([0, 7, 10.5, 17], None, None),
        ([0, 7, 10.5, 17], "glut", ("glut", 7, 10.5)),
        ([0, 40, 80], None, None),  # beyond the horizon, and the first is over
        ([5], None, None),
    ],
)
def test_spacing(harvests: list[float], was: str | None, expected: tuple[str, float, float] | None) -> None:
    now = 41.0 if harvests == [0, 40, 80] else 1.0
    horizon = 28.0 if harvests != [0, 40, 80] else -2.0
    found = harvest_spacing(harvests, 7.0, now, horizon, was)  # type: ignore[arg-type]
    assert (found and (found.kind, found.first, found.second)) == expected


@given(st.lists(st.floats(0, 60), max_size=12), st.floats(2, 14))
def test_what_begins_also_stays(harvests: list[float], interval: float) -> None:
    begun = harvest_spacing(harvests, interval, 0.0, 28.0, None)
    if begun is not None:
        assert harvest_spacing(harvests, interval, 0.0, 28.0, begun.kind) is not None


def test_sites_that_fall_free_too_early_for_seedlings() -> None:
    standing = [Standing(100.0, 3.0), Standing(100.0, 10.0)]
    young = Waiting("B2", 90.0, opens=7.0, closes=10.0)
    (found,) = too_young([young], standing, 200.0, 0.0)
    assert (found.code, found.free, found.days) == ("B2", 3.0, 4.0)
    assert too_young([Waiting("B2", 90.0, 4.0, 8.0)], standing, 200.0, 0.0) == []
    assert len(too_young([Waiting("B2", 90.0, 4.5, 8.0)], standing, 200.0, 0.0, ["B2"])) == 1
    # Sites that stand free anyway are no news, but a transplant that is planned is.
    assert too_young([young], standing, 400.0, 0.0) == []
    planned = Waiting("B2", 90.0, 7.0, 10.0, planned=2.0)
    (found,) = too_young([planned], standing, 400.0, 0.0)
    assert (found.free, found.planned) == (2.0, True)


def test_batches_take_sites_in_turn() -> None:
    standing = [Standing(100.0, 3.0), Standing(100.0, 10.0)]
    waiting = [Waiting("B2", 90.0, 2.0, 6.0), Waiting("B3", 90.0, 20.0, 24.0)]
    (found,) = too_young(waiting, standing, 200.0, 0.0)
    assert (found.code, found.free) == ("B3", 10.0)
    assert too_young(waiting, [Standing(200.0, NEVER)], 200.0, 0.0) == waiting[2:]  # nothing falls free


def test_space_that_runs_over() -> None:
    stays = [Stay(60.0, 0.0, 8.0), Stay(50.0, 5.0, 15.0)]
    found = overfull(stays, 100.0, 1.0, 21.0, was=False)
    assert found is not None
    assert (found.first, found.peak, found.over) == (5.0, 110.0, 10.0)
    assert overfull(stays, 110.0, 1.0, 21.0, was=False) is None
    assert overfull(stays, 112.0, 1.0, 21.0, was=True) is not None
    assert overfull(stays, 114.0, 1.0, 21.0, was=True) is None
    assert overfull(stays, 100.0, 1.0, 3.0, was=False) is None  # not within the horizon
    assert overfull(stays, 100.0, 9.0, 21.0, was=False) is None  # over


@given(
    st.lists(st.tuples(st.floats(1, 50), st.floats(0, 20), st.floats(0.1, 20)), max_size=8),
    st.floats(1, 200),
)
def test_the_peak_is_what_a_day_by_day_count_finds(
    rows: list[tuple[float, float, float]], capacity: float
) -> None:
    stays = [Stay(amount, begins, begins + lasts) for amount, begins, lasts in rows]
    found = overfull(stays, capacity, 0.0, 40.0, was=False)
    loads = [
        sum(s.amount for s in stays if s.begins <= day < s.ends) for day in (0.0, *(s.begins for s in stays))
    ]
    assert (found is None) == (max(loads) <= capacity)
    if found is not None:
        assert found.peak == pytest.approx(max(loads))

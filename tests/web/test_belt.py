"""The belt: where batches lie, on how many tracks, and where gaps and gluts are."""

from __future__ import annotations

import itertools
from datetime import UTC, date, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from service.web.belt import LONGEST_DAYS, Belt, lay
from service.work.line import LineBatch, Span

NOW = datetime(2026, 9, 14, 6, tzinfo=UTC)


def at(days: float | None) -> datetime | None:
    """Return a moment so many days ahead."""
    return None if days is None else NOW + timedelta(days=days)


def batch(
    number: int, *harvest: float | None, stage: str = "channels", opens: float = -5, closes: float = -3
) -> LineBatch:
    """Return a batch whose harvest has these 10, 50 and 90 % points, in days."""
    span = Span(*(at(d) for d in harvest)) if harvest else None
    return LineBatch(
        id=number, code=f"B{number}", crop="Basil", succession_id=1, succession="Basil", stage=stage,
        seeded_on=date(2026, 8, 1), plants=100, cuts=0, leaves=4.0, fresh_g=10.0, emergence=None,
        window_open=Span(at(opens), at(opens), at(opens)), window_close=Span(at(closes), at(closes), at(closes)),
        transplant=None, harvest=span, last_harvest=None, not_within_days=None, forecast_at=NOW, reasons=[],
    )  # fmt: skip


def laid(*batches: LineBatch, interval: float = 7.0) -> Belt:
    """Lay batches of one succession."""
    return lay(batches, NOW, {1: interval}, {1: "Basil"})


def test_a_batch_lies_where_its_forecast_puts_it() -> None:
    """Its range is its length, and the door is at the end."""
    belt = laid(batch(1, 12, 14, 18), batch(2, 24, 27, 30))
    assert belt.days == 28
    first, second = belt.lanes[0].laid
    assert (round(first.near, 6), round(first.middle, 6), round(first.far, 6)) == (12, 14, 18)
    assert belt.along(14) == 50.0
    assert (belt.along(0), belt.along(-3), belt.along(28)) == (100.0, 100.0, 0.0)
    assert (second.open_ended, second.far) == (True, 28.0), "what lies beyond the belt's end is cut there"


def test_the_window_lies_between_nursery_and_channels() -> None:
    """Days before harvest at which seedlings enter and leave it, of those that are still in the nursery."""
    (lane,) = laid(
        batch(1, 28, 30, 33, stage="nursery", opens=6, closes=8), batch(2, 4, 5, 6, opens=-30)
    ).lanes
    assert (lane.window_near, lane.window_far) == (22.0, 24.0)


def test_gaps_and_gluts_are_found() -> None:
    """More than one and a half intervals without a harvest; less than half of one between two."""
    belt = laid(batch(1, 6, 7, 8), batch(2, 8, 9, 10), batch(3, 9, 10, 11), batch(4, 27, 30, 33))
    (gap,), (glut,) = ([s for _, s in found] for found in (belt.gaps, belt.gluts))
    assert (round(gap.near), round(gap.far), round(gap.days)) == (10, 30, 20)
    assert (round(glut.near), round(glut.far), glut.harvests) == (7, 10, 3)
    assert laid(batch(1, 20, 25, 30)).gaps[0][1].near == 0.0, "until the first harvest there is a gap too"
    even = laid(*(batch(n, 7 * n - 1, 7 * n, 7 * n + 1) for n in range(1, 6)))
    assert (even.gaps, even.gluts) == ([], [])


def test_what_is_not_foreseen_is_named_beside_the_belt() -> None:
    """Without a forecast, without a harvest within the horizon, or far beyond the belt's end."""
    belt = laid(
        batch(1), batch(2, 50, None, None), batch(3, 80, LONGEST_DAYS + 1, None), batch(4, 3, 4, None)
    )
    assert [b.id for b in belt.unforeseen] == [1, 2]
    assert [b.id for b in belt.later] == [3]
    assert [i.batch.id for lane in belt.lanes for i in lane.laid] == [4]


@given(st.lists(st.tuples(st.floats(-20, 150), st.floats(0, 20), st.floats(0, 30)), max_size=60))
def test_nothing_is_lost_and_nothing_overlaps(points: list[tuple[float, float, float]]) -> None:
    """Each batch is somewhere, names on one track keep apart, and all stay on the belt."""
    belt = laid(*(batch(n, middle - a, middle, middle + b) for n, (middle, a, b) in enumerate(points)))
    items = [i for lane in belt.lanes for i in lane.laid]
    assert sorted([i.batch.id for i in items] + [b.id for b in (*belt.later, *belt.unforeseen)]) == list(
        range(len(points))
    )
    for lane in belt.lanes:
        for track in range(lane.tracks):
            rooms = sorted((i.centre - i.half, i.centre + i.half) for i in lane.laid if i.track == track)
            assert all(before[1] <= after[0] for before, after in itertools.pairwise(rooms))
            assert all(low >= -1e-9 and high <= belt.days + 1e-9 for low, high in rooms)
    for _, stretch in (*belt.gaps, *belt.gluts):
        assert stretch.near <= stretch.far

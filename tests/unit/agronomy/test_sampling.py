"""From samples to hours: by hand, against a second-by-second reference, and by law."""

from bisect import bisect_left, bisect_right
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from service.agronomy import sampling

SAMPLINGS = ("instant", "mean", "change", "total")
HOUR = 3600
INTERVAL = 600.0  # so that samples up to 1500 s apart are joined, and a change holds for 2400 s


def hours_of(times, values, way, hours=1, first=0.0, interval=INTERVAL):
    return sampling.hourly(times, values, way, interval, first, hours)


def assert_same(found, expected, rtol=1e-9, atol=1e-6):
    for name in sampling.HourlySums._fields:
        assert_allclose(getattr(found, name), getattr(expected, name), rtol=rtol, atol=atol, err_msg=name)


# --------------------------------------------------------------------------- by hand


def test_instant_runs_straight_between_samples():
    """From 0 to 6 over an hour in six steps."""
    sums = hours_of(np.arange(7) * 600.0, np.arange(7.0), "instant")
    assert_allclose(sums.integral, 3.0 * HOUR)
    assert_allclose(sums.covered_s, HOUR)
    assert (sums.mean[0], sums.minimum[0], sums.maximum[0]) == (3.0, 0.0, 6.0)


def test_instant_is_cut_at_the_border_between_samples():
    """10 at 55 min and 20 at 65 min: 15 at the hour."""
    sums = hours_of([3300.0, 3900.0], [10.0, 20.0], "instant", hours=2)
    assert_allclose(sums.integral, [12.5 * 300.0, 17.5 * 300.0])
    assert_allclose(sums.covered_s, [300.0, 300.0])
    assert_allclose(sums.minimum, [10.0, 15.0])
    assert_allclose(sums.maximum, [15.0, 20.0])


@pytest.mark.parametrize(("gap", "covered"), [(1500.0, 1500.0), (1501.0, 0.0)])
@pytest.mark.parametrize("way", ["instant", "total"])
def test_a_gap_above_two_and_a_half_intervals_is_not_measured(way, gap, covered):
    sums = hours_of([0.0, gap], [1.0, 1.0], way)
    assert_allclose(sums.covered_s, covered)
    assert np.isnan(sums.mean[0]) == (covered == 0.0)


def test_one_instant_alone_says_nothing_of_time():
    sums = hours_of([1800.0], [5.0], "instant")
    assert (sums.integral[0], sums.covered_s[0]) == (0.0, 0.0)
    assert np.isnan([sums.mean[0], sums.minimum[0], sums.maximum[0]]).all()


def test_a_mean_holds_over_the_interval_before_it():
    """Stamped at the hour it belongs to the hour before; stamped at 5 min past, to both."""
    sums = hours_of([3600.0, 3900.0 + 600.0], [8.0, 2.0], "mean", hours=2)
    assert_allclose(sums.integral, [8.0 * 600.0, 2.0 * 600.0])
    sums = hours_of([3900.0], [4.0], "mean", hours=2)
    assert_allclose(sums.integral, [4.0 * 300.0, 4.0 * 300.0])
    assert_allclose(sums.covered_s, [300.0, 300.0])


def test_means_that_come_early_do_not_overlap():
    sums = hours_of([600.0, 800.0], [1.0, 10.0], "mean")
    assert_allclose(sums.covered_s, 800.0)
    assert_allclose(sums.integral, 600.0 + 10.0 * 200.0)


def test_a_change_holds_until_the_next():
    sums = hours_of([0.0, 1200.0, 1800.0], [1.0, 2.0, 3.0], "change")
    assert_allclose(sums.integral, 1.0 * 1200.0 + 2.0 * 600.0 + 3.0 * 1800.0)
    assert_allclose(sums.covered_s, HOUR)
    assert (sums.minimum[0], sums.maximum[0]) == (1.0, 3.0)


def test_a_change_holds_no_longer_than_four_intervals():
    sums = hours_of([3000.0], [7.0], "change", hours=3)
    assert_allclose(sums.covered_s, [600.0, 1800.0, 0.0])
    assert_allclose(sums.integral, [7.0 * 600.0, 7.0 * 1800.0, 0.0])


def test_a_change_at_the_border_belongs_to_the_hour_that_begins():
    sums = hours_of([1800.0, 3600.0], [1.0, 9.0], "change", hours=2)
    assert sums.maximum[0] == 1.0
    assert sums.minimum[1] == sums.maximum[1] == 9.0


def test_a_total_arrives_evenly_between_samples():
    """From 100 to 106 over ten minutes, half in each hour."""
    sums = hours_of([3300.0, 3900.0], [100.0, 106.0], "total", hours=2)
    assert_allclose(sums.integral, [3.0, 3.0])
    assert_allclose(sums.covered_s, [300.0, 300.0])
    assert_allclose(sums.mean, 0.01)


def test_a_total_that_falls_was_reset():
    """1200 by midnight, 5 by ten past: 5 arrived."""
    sums = hours_of([0.0, 600.0, 1200.0, 1800.0], [1190.0, 1200.0, 5.0, 8.0], "total")
    assert_allclose(sums.integral, 10.0 + 5.0 + 3.0)
    assert_allclose(sums.covered_s, 1800.0)
    assert sums.minimum[0] >= 0.0


def test_a_total_over_a_day_with_a_reset_at_midnight():
    """Five-minute totals of a day with 12 hours of light, twice: each day's hours sum to its last total."""
    times = np.arange(0.0, 2 * 24 * HOUR + 1, 300.0)
    of_day = np.mod(times, 24.0 * HOUR)
    total = 500.0 * np.clip((of_day - 6 * HOUR) / (12 * HOUR), 0.0, 1.0)
    sums = sampling.hourly(times, total, "total", 300.0, 0.0, 48)
    assert_allclose(sums.coverage, 1.0)
    assert_allclose(sums.integral.reshape(2, 24).sum(axis=1), 500.0)
    assert_allclose(sums.integral[6:18], 500.0 / 12.0)
    assert_allclose(sums.integral[[0, 5, 18, 23, 24]], 0.0)


def test_samples_outside_the_span_reach_into_it():
    sums = hours_of([-300.0, 300.0, 3300.0, 3900.0], [0.0, 2.0, 4.0, 8.0], "instant")
    assert_allclose(sums.covered_s, 600.0)
    assert_allclose(sums.integral, 1.5 * 300.0 + 5.0 * 300.0)


def test_samples_that_are_not_finite_are_left_out():
    times = [0.0, 600.0, 900.0, np.nan, 1200.0]
    found = hours_of(times, [1.0, 2.0, np.nan, 7.0, 3.0], "instant")
    assert_same(found, hours_of([0.0, 600.0, 1200.0], [1.0, 2.0, 3.0], "instant"))


def test_of_two_values_for_a_moment_the_highest_counts():
    found = hours_of([0.0, 600.0, 600.0, 1200.0], [1.0, 5.0, 2.0, 1.0], "instant")
    assert_same(found, hours_of([0.0, 600.0, 1200.0], [1.0, 5.0, 1.0], "instant"))


@pytest.mark.parametrize("way", SAMPLINGS)
def test_no_samples(way):
    sums = hours_of([], [], way, hours=3)
    assert_array_equal(sums.coverage, np.zeros(3))
    assert np.isnan(sums.mean).all()
    assert hours_of([0.0, 600.0], [1.0, 2.0], way, hours=0).integral.shape == (0,)


@pytest.mark.parametrize("way", SAMPLINGS)
def test_seconds_since_1970_do_as_well(way):
    """Float seconds of this century resolve a quarter of a microsecond."""
    rng = np.random.default_rng(3)
    times = np.sort(rng.uniform(-HOUR, 4 * HOUR, 60))
    values = np.cumsum(rng.uniform(0.0, 5.0, 60))
    origin = 1_790_000_000.0 // HOUR * HOUR
    found = hours_of(times + origin, values, way, hours=3, first=origin)
    assert_same(found, hours_of(times, values, way, hours=3), rtol=1e-6, atol=1e-3)


def test_what_makes_no_sense_is_refused():
    with pytest.raises(ValueError, match="'often' is not a way of sampling"):
        hours_of([0.0], [1.0], "often")
    with pytest.raises(ValueError, match="interval"):
        hours_of([0.0], [1.0], "mean", interval=0.0)
    with pytest.raises(ValueError, match="interval"):
        hours_of([0.0], [1.0], "mean", interval=float("nan"))
    with pytest.raises(ValueError, match="-1 is not a number of hours"):
        hours_of([0.0], [1.0], "mean", hours=-1)
    with pytest.raises(ValueError, match="do not go together"):
        hours_of([0.0, 1.0], [1.0], "mean")
    with pytest.raises(ValueError, match="do not go together"):
        hours_of([[0.0]], [[1.0]], "mean")


def test_reach():
    assert sampling.reach_s("instant", 60.0) == (150.0, 150.0)
    assert sampling.reach_s("total", 60.0) == (150.0, 150.0)
    assert sampling.reach_s("mean", 60.0) == (60.0, 0.0)
    assert sampling.reach_s("change", 60.0) == (0.0, 240.0)


def test_a_full_hour_has_no_more_than_its_seconds():
    """Pieces of very different lengths, whose rounded sum is now and then above 3600 s."""
    rng = np.random.default_rng(42)
    for _ in range(500):
        times = np.append(np.sort(np.exp(rng.uniform(-12.0, np.log(HOUR), 50))), HOUR)
        coverage = hours_of(times, np.ones(51), "mean", interval=5000.0).coverage
        assert coverage[0] <= 1.0
        assert coverage[0] == pytest.approx(1.0, rel=1e-12)


# --------------------------------------------------------------------------- second by second


def _second(samples, times, second, way):
    """Return the value at the start and the end of a second, by the definition; None: not measured."""
    after = bisect_right(times, second)  # the first sample later than the start
    before = after - 1
    if way == "mean":
        at = times[after] if after < len(times) else None
        return None if at is None or at - second > INTERVAL else (samples[at], samples[at])
    if before < 0:
        return None
    start = times[before]
    if way == "change":
        return None if second - start >= 4.0 * INTERVAL else (samples[start], samples[start])
    if after == len(times) or times[after] - start > 2.5 * INTERVAL:
        return None
    end = times[after]
    if way == "instant":
        slope = (samples[end] - samples[start]) / (end - start)
        return samples[start] + slope * (second - start), samples[start] + slope * (second + 1 - start)
    grown = samples[end] - samples[start] if samples[end] >= samples[start] else samples[end]
    return grown / (end - start), grown / (end - start)


def second_by_second(samples, way, hours):
    """Sum samples at whole seconds, a second at a time: exact, as nothing changes course within one."""
    times = sorted(samples)
    rows = []
    for hour in range(hours):
        seconds = [_second(samples, times, s, way) for s in range(hour * HOUR, (hour + 1) * HOUR)]
        known = [pair for pair in seconds if pair is not None]
        integral = sum((start + end) / 2.0 for start, end in known)
        flat = [value for pair in known for value in pair]
        if known:
            rows.append((integral, len(known), integral / len(known), min(flat), max(flat)))
        else:
            rows.append((0.0, 0, np.nan, np.nan, np.nan))
    return sampling.HourlySums(*np.array(rows, dtype=np.float64).T)


# Whole seconds, often on the border of an hour or next to it.
moments = st.one_of(
    st.integers(-HOUR, 3 * HOUR),
    st.sampled_from([0, 1, HOUR - 1, HOUR, HOUR + 1, 2 * HOUR - 1, 2 * HOUR, 2 * HOUR + 1]),
    st.integers(-6, 18).map(lambda n: 600 * n),
)
amounts = st.integers(-50, 1000).map(lambda n: n / 4.0)
totals = st.integers(0, 1000).map(lambda n: n / 4.0)


@pytest.mark.parametrize("way", SAMPLINGS)
@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_hours_are_those_of_the_second_by_second_reference(way, data):
    samples = data.draw(st.dictionaries(moments, totals if way == "total" else amounts, max_size=40))
    found = hours_of(list(samples), list(samples.values()), way, hours=2)
    assert_same(found, second_by_second(samples, way, 2))


# --------------------------------------------------------------------------- laws

# Microseconds, as they are stored.
moments_us = st.integers(-2 * HOUR * 10**6, 6 * HOUR * 10**6).map(lambda n: n / 1e6)
streams = st.dictionaries(moments_us, st.floats(0.0, 1000.0), max_size=60)
ways = st.sampled_from(SAMPLINGS)
intervals = st.floats(10.0, 4000.0)


@settings(deadline=None)
@given(streams, ways, intervals)
def test_coverage_and_mean_are_bounded(samples, way, interval):
    sums = hours_of(list(samples), list(samples.values()), way, 4, interval=interval)
    assert ((sums.coverage >= 0.0) & (sums.coverage <= 1.0)).all()
    measured = sums.covered_s > 0.0
    assert (sums.integral[~measured] == 0.0).all()
    assert np.isnan(sums.mean[~measured]).all()
    assert (sums.minimum[measured] <= sums.mean[measured]).all()
    assert (sums.mean[measured] <= sums.maximum[measured]).all()
    assert_allclose(sums.integral[measured], (sums.mean * sums.covered_s)[measured], rtol=1e-9, atol=1e-6)


@settings(deadline=None)
@given(streams, st.sampled_from(("instant", "mean", "change")), intervals)
def test_hours_lie_within_the_samples(samples, way, interval):
    sums = hours_of(list(samples), list(samples.values()), way, 4, interval=interval)
    if np.isfinite(sums.mean).any():
        assert np.nanmin(sums.minimum) >= min(samples.values()) - 1e-6
        assert np.nanmax(sums.maximum) <= max(samples.values()) + 1e-6


@settings(deadline=None)
@given(streams, ways, intervals, st.randoms(use_true_random=False), st.data())
def test_order_and_duplicates_do_not_matter(samples, way, interval, random, data):
    pairs = list(samples.items())
    again = data.draw(st.lists(st.sampled_from(pairs), max_size=10)) if pairs else []
    shuffled = pairs + again
    random.shuffle(shuffled)
    found = hours_of([t for t, _ in shuffled], [v for _, v in shuffled], way, 4, interval=interval)
    expected = hours_of(
        [t for t, _ in sorted(pairs)], [v for _, v in sorted(pairs)], way, 4, interval=interval
    )
    assert_same(found, expected, rtol=0.0, atol=0.0)


@settings(deadline=None)
@given(streams, ways, intervals, st.integers(0, 4))
def test_an_hour_is_the_same_in_any_span(samples, way, interval, split):
    times, values = list(samples), list(samples.values())
    whole = hours_of(times, values, way, 4, interval=interval)
    first = hours_of(times, values, way, split, interval=interval)
    second = hours_of(times, values, way, 4 - split, first=split * HOUR, interval=interval)
    parts = sampling.HourlySums(*(np.concatenate(pair) for pair in zip(first, second, strict=True)))
    assert_same(parts, whole, rtol=1e-7, atol=1e-3)


@settings(deadline=None)
@given(streams, st.sampled_from(("instant", "total")), intervals, st.data())
def test_integrals_add_over_a_split_at_any_sample(samples, way, interval, data):
    """Both parts hold the sample at which they meet."""
    if not samples:
        return
    times = sorted(samples)
    at = data.draw(st.integers(0, len(times) - 1))
    values = [samples[t] for t in times]
    whole = hours_of(times, values, way, 4, interval=interval)
    left = hours_of(times[: at + 1], values[: at + 1], way, 4, interval=interval)
    right = hours_of(times[at:], values[at:], way, 4, interval=interval)
    assert_allclose(left.integral + right.integral, whole.integral, rtol=1e-9, atol=1e-6)
    assert_allclose(left.covered_s + right.covered_s, whole.covered_s, rtol=1e-9, atol=1e-6)


@settings(deadline=None)
@given(streams, intervals)
def test_a_total_without_resets_sums_to_its_growth(samples, interval):
    """What the hours sum to is what the total grew by over the gaps that are short enough."""
    times = [t for t in sorted(samples) if 0.0 <= t <= 4.0 * HOUR]
    total = np.cumsum([samples[t] for t in times])
    sums = hours_of(times, total, "total", 4, interval=interval)
    limit = sampling.GAP_INTERVALS * interval
    grown = sum(b - a for (s, a), (e, b) in pairwise(zip(times, total, strict=True)) if e - s <= limit)
    assert_allclose(sums.integral.sum(), grown, rtol=1e-9, atol=1e-6)


@settings(deadline=None)
@given(streams, ways, intervals, moments_us, st.floats(0.0, 1000.0))
def test_a_sample_bears_on_nothing_beyond_its_reach(samples, way, interval, moment, value):
    with_it = {**samples, moment: value}
    before_s, after_s = sampling.reach_s(way, interval)
    one = hours_of(list(samples), list(samples.values()), way, 4, interval=interval)
    other = hours_of(list(with_it), list(with_it.values()), way, 4, interval=interval)
    borders = np.arange(4) * float(HOUR)
    apart = (borders + HOUR <= moment - before_s) | (borders >= moment + after_s)
    assert_same(*(sampling.HourlySums(*(column[apart] for column in sums)) for sums in (one, other)))


@settings(deadline=None)
@given(streams, ways, intervals)
def test_an_hour_is_known_from_the_samples_within_reach(samples, way, interval):
    """Which samples have to be read for the second hour."""
    before_s, after_s = sampling.reach_s(way, interval)
    times = sorted(samples)
    near = times[bisect_left(times, HOUR - after_s) : bisect_right(times, 2 * HOUR + before_s)]
    few = hours_of(near, [samples[t] for t in near], way, 1, first=HOUR, interval=interval)
    every = hours_of(times, [samples[t] for t in times], way, 1, first=HOUR, interval=interval)
    assert_same(few, every)


@pytest.mark.parametrize("way", SAMPLINGS)
def test_a_million_samples(way):
    """Two years at a minute: a steady value, or a steady growth, comes back in every hour."""
    times = np.arange(0.0, 2 * 365 * 24 * HOUR + 60.0, 60.0)
    values = times / 100.0 if way == "total" else np.full(times.size, 21.5)
    sums = sampling.hourly(times, values, way, 60.0, 0.0, 2 * 365 * 24)
    assert_array_equal(sums.coverage, np.ones(2 * 365 * 24))
    assert_allclose(sums.mean, 0.01 if way == "total" else 21.5, rtol=1e-9)

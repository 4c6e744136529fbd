"""Seeds: laws and refusals. Published values: tests/science/test_seeds.py."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from service.agronomy import seed

shares = st.floats(0.01, 0.99)
moistures = st.floats(3.0, 25.0)
store_temperatures = st.floats(-20.0, 40.0)


def test_emergence_takes_its_thermal_time():
    """At 12 °C above a base of 2: 50 degree-days are 5 days."""
    rate = seed.emergence_rate_per_hour(np.full(5 * 24, 12.0), 2.0, 22.0, 32.0, 50.0)
    assert rate.sum() == pytest.approx(1.0, rel=1e-12)


def test_nothing_emerges_in_cold_and_in_heat():
    assert_allclose(seed.emergence_rate_per_hour([0.0, 2.0, 32.0, 40.0], 2.0, 22.0, 32.0, 50.0), 0.0)


@pytest.mark.parametrize("thermal_time", [0.0, -5.0, float("nan")])
def test_thermal_time_must_be_positive(thermal_time):
    with pytest.raises(ValueError, match="thermal time"):
        seed.emergence_rate_per_hour(20.0, 2.0, 22.0, 32.0, thermal_time)


@settings(deadline=None)
@given(moistures, moistures, store_temperatures)
def test_moist_seed_ages_faster(one, other, temp):
    dry, moist = seed.longevity_sigma_days(sorted((one, other)), temp)
    assert dry >= moist > 0.0


@settings(deadline=None)
@given(moistures, st.floats(0.0, 40.0), st.floats(0.0, 40.0))
def test_warm_seed_ages_faster(moisture, one, other):
    cold, warm = seed.longevity_sigma_days(moisture, sorted((one, other)))
    assert cold >= warm > 0.0


@settings(deadline=None)
@given(shares, st.floats(0.0, 2000.0), st.floats(0.0, 2000.0), st.floats(50.0, 5000.0))
def test_viability_never_rises_and_times_add_up(initial, first, second, sigma):
    after_first = seed.viability(initial, first, sigma)
    after_both = seed.viability(initial, first + second, sigma)
    assert 0.0 <= after_both <= after_first <= initial + 1e-12
    if after_first > 1e-9:
        assert seed.viability(after_first, second, sigma) == pytest.approx(float(after_both), abs=1e-9)


@settings(deadline=None)
@given(shares, st.floats(50.0, 5000.0))
def test_viability_starts_where_it_was(initial, sigma):
    assert seed.viability(initial, 0.0, sigma) == pytest.approx(initial, rel=1e-9)


def test_viability_at_the_ends_stays():
    assert_allclose(seed.viability([0.0, 1.0], 500.0, 100.0), [0.0, 1.0])


def test_tolerance_is_the_same_for_germinated_and_not():
    """The table is printed for both halves: 99 with 2, 98 with 3, to 51 with 50."""
    upper = np.arange(51, 100)
    for replicates in (4, 2):
        assert_array_equal(
            seed.tolerated_range_percent(upper, replicates),
            seed.tolerated_range_percent(101 - upper, replicates),
        )


def test_tolerance_where_the_table_is_silent():
    assert np.isnan(seed.tolerated_range_percent([0.0, 1.0, 100.0])).all()
    assert np.isnan(seed.tolerated_range_percent([98.0, 99.0, 2.0, 3.0], replicates=2)).all()


def test_tolerance_of_a_mean_with_fractions_is_that_of_the_nearest_percent():
    assert_array_equal(seed.tolerated_range_percent([89.6, 90.25, 88.4]), [12.0, 12.0, 13.0])


@pytest.mark.parametrize("mean", [-1.0, 101.0, float("nan")])
def test_a_mean_is_a_percentage(mean):
    with pytest.raises(ValueError, match="between 0 and 100"):
        seed.tolerated_range_percent(mean)


def test_tolerance_is_for_four_or_two_replicates():
    with pytest.raises(ValueError, match="not 3"):
        seed.tolerated_range_percent(90.0, replicates=3)


def test_standards_are_percentages():
    assert all(0 < percent < 100 for percent in seed.FEDERAL_STANDARD_PERCENT.values())
    assert not {"basil", "coriander", "arugula"} & seed.FEDERAL_STANDARD_PERCENT.keys()


# --------------------------------------------------------------------------- heat after seeding


@given(
    temps=st.lists(st.floats(0.0, 45.0), min_size=1, max_size=100),
    start=st.floats(0.0, 60.0),
    limit=st.floats(20.0, 35.0),
)
def test_hot_hours_are_at_most_the_span_and_fall_with_the_limit(temps, start, limit):
    rows = np.array([temps, temps[::-1]])
    found = seed.hot_hours(rows, [start, start], limit)
    assert found.shape == (2, 2)
    assert ((found >= -1e-9) & (found <= seed.HEAT_SPAN_H + 1e-9)).all()
    assert (seed.hot_hours(rows, [start, start], limit + 1.0) <= found + 1e-9).all()
    early = seed.hot_hours(rows, [start], limit, 20.0)
    assert np.allclose(early + seed.hot_hours(rows, [start + 20.0], limit, 28.0), found[:1])


def test_hot_hours_by_hand():
    temps = np.full((1, 100), 20.0)
    temps[0, 10:20] = 30.0
    # Seeded half an hour into the heat, before it, after it, and before all that is known.
    assert seed.hot_hours(temps, [10.5, 0.0, 20.0, -45.0], 25.7)[:, 0].tolist() == [9.5, 10.0, 0.0, 0.0]
    assert seed.hot_hours(temps, [0.0], 30.0).item() == 0.0  # at the limit it is not too hot

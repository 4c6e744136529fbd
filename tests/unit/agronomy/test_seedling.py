"""Seedlings: leaf rate by temperature and light, and the sum over the last day."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from service.agronomy import seedling

LETTUCE = {"phyllochron_cd": 50.0, "base_c": 4.0, "optimum_c": 28.0, "ceiling_c": 35.0, "dli_half_mol": 3.0}

lights = st.floats(0.0, 80.0)
halves = st.floats(0.0, 20.0)


def test_a_leaf_takes_a_phyllochron_in_reference_light():
    """At 24 °C, 20 effective degrees: 50 degree-days are 60 hours."""
    rate = seedling.leaf_rate_per_hour(24.0, seedling.REFERENCE_DLI_MOL, **LETTUCE)
    assert rate * 60.0 == pytest.approx(1.0, rel=1e-12)


def test_three_to_four_leaves_on_day_eleven():
    """Mattson, trade article: 20 °C on the first day, then about 25 °C under about 250 µmol m-2 s-1 for 24 h.

    With the default phyllochron, which was derived from it, and 50 degree-days above 4 °C to emergence.
    """
    hours_after_emergence = 240.0 - (50.0 - 16.0) / 21.0 * 24.0
    leaves = hours_after_emergence * seedling.leaf_rate_per_hour(25.0, 21.6, **LETTUCE)
    assert 3.0 < leaves < 4.0


def test_light_factor_by_hand():
    """Half of the saturated rate at the half light, and one at the reference: 24/21 x D / (D + 3)."""
    assert_allclose(seedling.light_factor([3.0, 9.0, 21.0], 3.0), [12.0 / 21.0, 18.0 / 21.0, 1.0])


def test_leaves_still_appear_in_the_dark():
    assert_allclose(seedling.light_factor([0.0, -0.1], 3.0), seedling.LEAST_LIGHT_FACTOR)
    assert seedling.leaf_rate_per_hour(20.0, 0.0, **LETTUCE) > 0.0


def test_light_need_not_matter():
    assert_allclose(seedling.light_factor([0.0, 5.0, 40.0], 0.0), 1.0)


@settings(deadline=None)
@given(lights, lights, halves)
def test_light_factor_never_falls_with_light(one, other, half):
    low, high = seedling.light_factor(sorted((one, other)), half)
    assert seedling.LEAST_LIGHT_FACTOR <= low <= high <= 1.0 + half / seedling.REFERENCE_DLI_MOL


@settings(deadline=None)
@given(halves)
def test_light_factor_is_one_at_the_reference(half):
    assert seedling.light_factor(seedling.REFERENCE_DLI_MOL, half) == pytest.approx(1.0, rel=1e-12)


@settings(deadline=None)
@given(st.floats(-10.0, 50.0), lights, lights)
def test_leaf_rate_never_falls_with_light(temp, one, other):
    low, high = seedling.leaf_rate_per_hour(temp, sorted((one, other)), **LETTUCE)
    assert 0.0 <= low <= high


def test_no_leaves_in_cold_and_in_heat():
    assert_allclose(seedling.leaf_rate_per_hour([-5.0, 4.0, 35.0, 45.0], 21.0, **LETTUCE), 0.0)


def test_inputs_broadcast():
    assert seedling.leaf_rate_per_hour(np.full((3, 1), 20.0), np.full(24, 12.0), **LETTUCE).shape == (3, 24)


@pytest.mark.parametrize("phyllochron", [0.0, -1.0, float("nan")])
def test_a_phyllochron_must_be_positive(phyllochron):
    with pytest.raises(ValueError, match="phyllochron"):
        seedling.leaf_rate_per_hour(20.0, 21.0, **{**LETTUCE, "phyllochron_cd": phyllochron})


def test_light_of_half_the_rate_must_not_be_negative():
    with pytest.raises(ValueError, match="negative"):
        seedling.light_factor(10.0, -1.0)


def test_trailing_sum_by_hand():
    assert_allclose(seedling.trailing_sum([1.0, 2.0, 3.0, 4.0, 5.0], 3), [6.0, 6.0, 6.0, 9.0, 12.0])


def test_trailing_sum_of_less_than_a_whole_window():
    assert_allclose(seedling.trailing_sum([1.0, 3.0], 24), [48.0, 48.0])
    assert seedling.trailing_sum(np.empty((2, 0))).shape == (2, 0)


@settings(deadline=None)
@given(st.lists(st.floats(0.0, 10.0), min_size=1, max_size=80), st.integers(1, 30))
def test_trailing_sum_is_the_sum_of_the_last_hours(hourly, hours):
    found = seedling.trailing_sum(hourly, hours)
    for last in range(hours - 1, len(hourly)):
        assert found[last] == pytest.approx(sum(hourly[last - hours + 1 : last + 1]), abs=1e-9)


def test_trailing_sum_runs_along_the_last_axis():
    rows = np.arange(60.0).reshape(2, 30)
    found = seedling.trailing_sum(rows)
    assert found.shape == (2, 30)
    assert_allclose(found[1], seedling.trailing_sum(rows[1]))


def test_trailing_sum_needs_hours():
    with pytest.raises(ValueError, match="0 hours"):
        seedling.trailing_sum([1.0], 0)

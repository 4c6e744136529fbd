"""Thermal time: the response between its cardinal temperatures."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from service.agronomy import thermal

temperatures = st.floats(-50.0, 80.0)


@st.composite
def cardinals(draw):
    """Draw base, optimum and ceiling, at least half a degree apart."""
    base = draw(st.floats(-5.0, 15.0))
    optimum = base + draw(st.floats(0.5, 30.0))
    return base, optimum, optimum + draw(st.floats(0.5, 20.0))


def test_response_by_hand():
    """Base 4, optimum 28, ceiling 35: up by a degree a degree, down by 24 over 7."""
    temp = [-10.0, 4.0, 5.0, 16.0, 28.0, 31.5, 35.0, 50.0]
    assert_allclose(thermal.thermal_rate(temp, 4.0, 28.0, 35.0), [0.0, 0.0, 1.0, 12.0, 24.0, 12.0, 0.0, 0.0])


def test_without_a_ceiling_it_stays_as_at_the_optimum():
    assert_allclose(thermal.thermal_rate([10.0, 20.0, 60.0], 5.0, 20.0), [5.0, 15.0, 15.0])


def test_without_an_optimum_every_degree_counts():
    assert_allclose(thermal.thermal_rate([0.0, 10.0, 60.0], 5.0), [0.0, 5.0, 55.0])


@settings(deadline=None)
@given(temperatures, cardinals())
def test_rate_is_bounded(temp, cardinal):
    base, optimum, ceiling = cardinal
    rate = thermal.thermal_rate(temp, base, optimum, ceiling)
    assert 0.0 <= rate <= optimum - base
    if temp <= base or temp >= ceiling:
        assert rate == 0.0


@settings(deadline=None)
@given(temperatures, temperatures, cardinals())
def test_rate_rises_to_the_optimum_and_falls_after(one, other, cardinal):
    low, high = sorted((one, other))
    base, optimum, ceiling = cardinal
    at_low, at_high = thermal.thermal_rate(np.array([low, high]), base, optimum, ceiling)
    if high <= optimum:
        assert at_low <= at_high
    if low >= optimum:
        assert at_low >= at_high


@settings(deadline=None)
@given(temperatures, cardinals(), st.floats(0.0, 0.01))
def test_rate_has_no_jumps(temp, cardinal, step):
    base, optimum, ceiling = cardinal
    around = thermal.thermal_rate(np.array([temp, temp + step]), base, optimum, ceiling)
    steepest = max(1.0, (optimum - base) / (ceiling - optimum))
    assert abs(around[1] - around[0]) <= steepest * step + 1e-9


@pytest.mark.parametrize(
    ("base", "optimum", "ceiling"),
    [(10.0, 10.0, 20.0), (10.0, 5.0, 20.0), (5.0, 20.0, 20.0), (5.0, 20.0, 15.0), (5.0, math.inf, 30.0)],
)
def test_cardinal_temperatures_must_rise(base, optimum, ceiling):
    with pytest.raises(ValueError, match="must rise"):
        thermal.thermal_rate(20.0, base, optimum, ceiling)


def test_what_is_not_known_stays_so():
    assert np.isnan(thermal.thermal_rate(np.nan, 4.0, 28.0, 35.0))


def test_degree_days_by_hand():
    """A day at 14 and a day half at 4 and half at 24, above 4: 10 degree-days each."""
    steady = np.full(24, 14.0)
    swinging = np.repeat([4.0, 24.0], 12)
    assert_allclose(thermal.degree_days([steady, swinging], 4.0), [10.0, 10.0])


def test_degree_days_are_summed_after_the_response():
    """Half a day at 0 and half at 24: the mean of 12 would give 8."""
    assert thermal.degree_days(np.repeat([0.0, 24.0], 12), 4.0) == pytest.approx(10.0)


@settings(deadline=None)
@given(st.lists(temperatures, min_size=1, max_size=48), st.data())
def test_degree_days_add_up(hours, data):
    split = data.draw(st.integers(0, len(hours)))
    parts = thermal.degree_days(hours[:split], 4.0, 28.0, 35.0) + thermal.degree_days(
        hours[split:], 4.0, 28.0, 35.0
    )
    assert thermal.degree_days(hours, 4.0, 28.0, 35.0) == pytest.approx(float(parts), abs=1e-9)

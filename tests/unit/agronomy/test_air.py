"""Moist air: inverses and limits. Published values: tests/science/test_fao56.py."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from service.agronomy import air

temperatures = st.floats(-20.0, 50.0)
humidities = st.floats(0.01, 1.0)


@settings(deadline=None)
@given(temperatures, humidities)
def test_air_is_saturated_at_its_dew_point(temp, humidity):
    vapour = humidity * air.saturation_vapour_pressure_kpa(temp)
    dew_point = air.dew_point_c(temp, humidity)
    assert air.saturation_vapour_pressure_kpa(dew_point) == pytest.approx(float(vapour), rel=1e-9)
    assert dew_point <= temp + 1e-9
    assert air.relative_humidity(temp, vapour) == pytest.approx(humidity, rel=1e-12)


@settings(deadline=None)
@given(temperatures, humidities)
def test_deficit_and_vapour_make_up_saturation(temp, humidity):
    saturated = air.saturation_vapour_pressure_kpa(temp)
    deficit = air.vapour_pressure_deficit_kpa(temp, humidity)
    assert 0.0 <= deficit <= saturated
    assert deficit + humidity * saturated == pytest.approx(float(saturated), rel=1e-12)


@settings(deadline=None)
@given(temperatures)
def test_slope_is_the_derivative(temp):
    around = air.saturation_vapour_pressure_kpa(np.array([temp - 1e-3, temp + 1e-3]))
    assert air.saturation_slope_kpa_c(temp) == pytest.approx((around[1] - around[0]) / 2e-3, rel=1e-6)


@settings(deadline=None)
@given(temperatures, st.floats(60.0, 105.0))
def test_a_dry_and_a_wet_bulb_that_agree_stand_in_saturated_air(temp, pressure):
    found = air.vapour_pressure_psychrometer_kpa(temp, temp, pressure)
    assert found == air.saturation_vapour_pressure_kpa(temp)


def test_a_sensor_above_saturation_has_no_deficit():
    assert_allclose(air.vapour_pressure_deficit_kpa(20.0, [1.0, 1.05]), 0.0)


def test_dry_air_has_no_dew_point():
    assert np.isnan(air.dew_point_c(20.0, [0.0, -0.1])).all()


def test_inputs_broadcast():
    temp = np.array([[10.0], [20.0]])
    humidity = np.array([0.5, 0.7, 0.9])
    assert air.vapour_pressure_deficit_kpa(temp, humidity).shape == (2, 3)
    assert air.dew_point_c(temp, humidity).shape == (2, 3)

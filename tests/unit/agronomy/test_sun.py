"""The sun: shapes, limits and laws. Published values: tests/science/test_fao56.py and test_day_length.py."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from service.agronomy import sun

latitudes = st.floats(-90.0, 90.0)
longitudes = st.floats(-180.0, 180.0)
days = st.integers(1, 366)
epoch_days = st.integers(-20_000, 40_000)

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@pytest.mark.parametrize(
    ("moment", "expected"),
    [
        (datetime(1970, 1, 1, 0, tzinfo=UTC), 1),
        (datetime(1970, 1, 1, 23, tzinfo=UTC), 1),
        (datetime(1969, 12, 31, 23, tzinfo=UTC), 365),
        (datetime(2023, 12, 31, 23, tzinfo=UTC), 365),
        (datetime(2024, 2, 29, 12, tzinfo=UTC), 60),
        (datetime(2024, 12, 31, 0, tzinfo=UTC), 366),
        (datetime(2025, 1, 1, 0, tzinfo=UTC), 1),
    ],
)
def test_day_of_year_at_the_borders_of_years(moment, expected):
    assert sun.day_of_year((moment - EPOCH) / timedelta(hours=1)) == expected


@settings(deadline=None)
@given(st.integers(-20_000 * 24, 40_000 * 24), st.floats(0.0, 0.999))
def test_day_of_year_is_that_of_the_calendar(hour, fraction):
    expected = (EPOCH + timedelta(hours=hour)).timetuple().tm_yday
    assert sun.day_of_year(hour) == expected
    assert sun.day_of_year(hour + fraction) == expected


def test_day_of_year_keeps_the_shape_and_is_whole():
    found = sun.day_of_year(np.arange(0, 96, dtype=np.int64).reshape(4, 24))
    assert found.dtype == np.int64
    assert_array_equal(found, np.repeat([[1], [2], [3], [4]], 24, axis=1))


def test_inputs_broadcast():
    latitude = np.array([[-30.0], [0.0], [52.0]])
    day = np.arange(1, 367)
    for function in (
        sun.sunset_hour_angle_rad,
        sun.daylight_hours,
        sun.day_length_h,
        sun.extraterrestrial_radiation_mj,
    ):
        table = function(latitude, day)
        assert table.shape == (3, 366)
        assert table[2, 100] == pytest.approx(float(function(52.0, 101)), rel=1e-12)
    hour = np.arange(480_000, 480_048)
    table = sun.extraterrestrial_hourly_mj(latitude, 5.0, hour)
    assert table.shape == sun.sun_elevation_deg(latitude, 5.0, hour).shape == (3, 48)
    assert table[2, 12] == pytest.approx(float(sun.extraterrestrial_hourly_mj(52.0, 5.0, 480_012)), rel=1e-12)


def test_what_is_not_known_stays_so():
    assert np.isnan(sun.extraterrestrial_radiation_mj(np.nan, 100))
    assert np.isnan(sun.day_length_h(np.nan, 100))
    assert np.isnan(sun.extraterrestrial_hourly_mj(np.nan, 0.0, 480_000))


def test_polar_day_and_night():
    assert sun.daylight_hours(80.0, 172) == 24.0
    assert sun.daylight_hours(80.0, 355) == 0.0
    assert sun.day_length_h([90.0, -90.0], 172) == pytest.approx([24.0, 0.0])
    assert sun.extraterrestrial_radiation_mj(80.0, 355) == 0.0
    assert sun.extraterrestrial_radiation_mj(80.0, 172) > sun.extraterrestrial_radiation_mj(0.0, 172)


@settings(deadline=None)
@given(latitudes, days)
def test_day_length_and_radiation_are_bounded(latitude, day):
    assert 0.0 <= sun.daylight_hours(latitude, day) <= 24.0
    assert 0.0 <= sun.day_length_h(latitude, day) <= 24.0
    assert 0.0 <= sun.extraterrestrial_radiation_mj(latitude, day) <= 49.0


@settings(deadline=None)
@given(latitudes, days, st.floats(0.0, 18.0), st.floats(0.0, 18.0))
def test_a_lower_horizon_makes_no_shorter_day(latitude, day, one, other):
    higher, lower = sorted((one, other))
    assert sun.day_length_h(latitude, day, lower) >= sun.day_length_h(latitude, day, higher)


@settings(deadline=None)
@given(latitudes, days)
def test_day_and_night_share_out_by_hemisphere(latitude, day):
    """With the horizon at the sun's centre, the day in the south is the night in the north."""
    assert sun.daylight_hours(latitude, day) + sun.daylight_hours(-latitude, day) == pytest.approx(24.0)
    both = sun.day_length_h(latitude, day, 0.0) + sun.day_length_h(-latitude, day, 0.0)
    assert both == pytest.approx(24.0, abs=1e-6)


@settings(deadline=None)
@given(latitudes, longitudes, epoch_days)
def test_the_hours_of_a_utc_day_sum_to_the_day(latitude, longitude, day):
    hours = 24 * day + np.arange(24)
    hourly = sun.extraterrestrial_hourly_mj(latitude, longitude, hours)
    assert (hourly >= 0.0).all()
    daily = sun.extraterrestrial_radiation_mj(latitude, sun.day_of_year(hours[0]))
    assert_allclose(hourly.sum(), daily, rtol=1e-9, atol=1e-9)


@settings(deadline=None)
@given(latitudes, longitudes, st.integers(0, 500_000))
def test_an_hour_is_the_integral_of_the_elevation_within_it(latitude, longitude, hour):
    """Against a fine sum of the sine of the elevation: within 0.1 kJ m-2."""
    moments = hour + (np.arange(3600) + 0.5) / 3600.0
    sine = np.sin(np.radians(sun.sun_elevation_deg(latitude, longitude, moments)))
    distance = sun.inverse_relative_distance(sun.day_of_year(hour))
    expected = 60.0 * sun.SOLAR_CONSTANT * distance * np.maximum(sine, 0.0).mean()
    assert_allclose(sun.extraterrestrial_hourly_mj(latitude, longitude, hour), expected, atol=1e-4)


def test_noon_follows_the_longitude():
    """15 degrees of longitude are an hour; east sees the sun first. 21 June 2025, day 172."""
    hours = 24 * 20_260 + np.arange(24)
    at_greenwich = sun.extraterrestrial_hourly_mj(45.0, 0.0, hours)
    assert np.argmax(at_greenwich) in {11, 12}
    assert_allclose(sun.extraterrestrial_hourly_mj(45.0, 75.0, hours), np.roll(at_greenwich, -5), atol=1e-9)
    assert_allclose(sun.extraterrestrial_hourly_mj(45.0, -120.0, hours), np.roll(at_greenwich, 8), atol=1e-9)


def test_sun_elevation_at_noon_is_known_from_latitude_and_declination():
    day = sun.day_of_year(480_000)
    noon = 480_000 + 12.0 - sun.equation_of_time_h(day)
    expected = 90.0 - 52.0 + np.degrees(sun.declination_rad(day))
    assert sun.sun_elevation_deg(52.0, 0.0, noon) == pytest.approx(float(expected), abs=1e-4)


def test_clear_sky_and_sunshine():
    extraterrestrial = np.array([10.0, 40.0])
    assert_allclose(sun.clear_sky_radiation_mj(extraterrestrial, 0.0), [7.5, 30.0])
    assert_allclose(sun.clear_sky_radiation_mj(40.0, [0.0, 1000.0]), [30.0, 30.8])
    assert_allclose(sun.solar_radiation_mj(40.0, [0.0, 0.5, 1.0]), [10.0, 20.0, 30.0])
    assert_allclose(sun.solar_radiation_mj(40.0, 1.0, cloudy=0.2, sunny=0.6), 32.0)

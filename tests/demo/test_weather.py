"""The simulated weather has the light and the temperature of its climate."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from seed_demo.weather import DRY_SOUTHERN, OCEANIC, Climate, Weather, simulate_weather
from service.agronomy.light import light_mol_from_global_mj

# Extraterrestrial radiation of the middle of each month, January to December, MJ m-2 d-1: FAO Irrigation and
# Drainage Paper 56, eq. 21.
RA_50N = (8.9, 14.4, 22.2, 31.5, 38.5, 41.7, 40.2, 34.3, 25.6, 16.8, 10.2, 7.5)
RA_35N = (18.1, 23.2, 29.4, 35.9, 40.0, 41.6, 40.8, 37.5, 31.7, 25.1, 19.2, 16.7)
YEARS = 12


def years(climate: Climate) -> Weather:
    return simulate_weather(climate, date(2020, 1, 1), int(YEARS * 365.25), np.random.default_rng(4))


def by_month(weather: Weather, values: np.ndarray) -> np.ndarray:
    month = weather.epoch_hour.astype("datetime64[h]").astype("datetime64[M]").astype(int) % 12
    return np.array([values[month == m].mean() for m in range(12)])


@pytest.mark.parametrize(
    ("climate", "latitude_deg", "extraterrestrial_mj"),
    [(OCEANIC, 50.0, RA_50N), (DRY_SOUTHERN, 35.0, RA_35N)],
)
def test_light_outdoors_is_the_clearness_of_the_climate_month_by_month(
    climate: Climate, latitude_deg: float, extraterrestrial_mj: tuple[float, ...]
) -> None:
    weather = years(replace(climate, latitude_deg=latitude_deg))

    dli = light_mol_from_global_mj(by_month(weather, weather.global_w_m2) * 0.0864)

    expected = light_mol_from_global_mj(np.array(extraterrestrial_mj) * climate.clearness_mean)
    # The middle of a month is not its mean, and twelve years of weather still wander by some percent.
    np.testing.assert_allclose(dli, expected, rtol=0.08)


def test_no_hour_is_brighter_than_a_clear_sky_and_nights_are_dark() -> None:
    weather = years(OCEANIC)

    assert weather.global_w_m2.max() < 1030.0
    assert weather.global_w_m2.min() == 0.0
    midnight = weather.epoch_hour % 24 == 0
    assert not weather.global_w_m2[midnight].any()


def test_days_differ_and_remember_the_day_before() -> None:
    weather = years(OCEANIC)
    daily = weather.global_w_m2.reshape(-1, 24).mean(axis=1)
    day = np.arange(len(daily))
    season = np.poly1d(np.polyfit(np.cos(2 * np.pi * (day - 172) / 365.25), daily, 3))
    relative = daily / season(np.cos(2 * np.pi * (day - 172) / 365.25))

    assert 0.2 < relative.std() < 0.5
    assert 0.2 < np.corrcoef(relative[1:], relative[:-1])[0, 1] < 0.5


@pytest.mark.parametrize("climate", [OCEANIC, DRY_SOUTHERN])
def test_temperature_follows_the_year_and_the_day(climate: Climate) -> None:
    weather = years(climate)
    monthly = by_month(weather, weather.temp_c)

    assert monthly.mean() == pytest.approx(climate.temp_mean_c, abs=0.5)
    assert monthly.argmax() in {6, 7}
    assert monthly.argmin() in {0, 1}
    assert (monthly.max() - monthly.min()) / 2 == pytest.approx(climate.temp_swing_c, rel=0.15)
    hourly = weather.temp_c.reshape(-1, 24).mean(axis=0)
    assert 12 <= hourly.argmax() <= 16
    assert (hourly.max() - hourly.min()) / 2 == pytest.approx(climate.daily_swing_c, rel=0.15)


def test_the_same_generator_state_gives_the_same_weather() -> None:
    one, two = (simulate_weather(OCEANIC, date(2026, 5, 1), 30, np.random.default_rng(9)) for _ in range(2))

    np.testing.assert_array_equal(one.global_w_m2, two.global_w_m2)
    np.testing.assert_array_equal(one.temp_c, two.temp_c)

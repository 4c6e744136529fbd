"""Simulated weather outdoors: hourly global radiation and temperature.

The sun's geometry sets how much radiation can come in an hour; a daily clearness index, which follows its own
yesterday, sets how much of it does. Temperature is an annual wave, anomalies that last some days, and a daily
swing that is wider under a clear sky.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from service.agronomy.sun import extraterrestrial_hourly_mj

Array = NDArray[np.float64]

_EPOCH = date(1970, 1, 1)
_W_PER_MJ_HOUR = 1e6 / 3600.0
_CLEARNESS_RANGE = (0.08, 0.76)  # a dark overcast day, a day without a cloud
_YEAR_DAYS = 365.25
_WARMEST_HOUR = 15.0  # solar time


@dataclass(frozen=True, kw_only=True)
class Climate:
    """The weather to expect at a place on the northern hemisphere."""

    latitude_deg: float
    longitude_deg: float
    clearness_mean: float  # global over extraterrestrial radiation of a day, 0..1
    clearness_spread: float  # standard deviation between days
    clearness_memory: float  # correlation with the day before
    temp_mean_c: float
    temp_swing_c: float  # half the difference between the warmest and the coldest time of the year
    coldest_day: float = 22.0  # day of the year
    temp_spread_c: float = 2.2  # standard deviation of the anomalies
    temp_memory: float = 0.8  # correlation with the day before
    daily_swing_c: float = 4.0  # half the difference between day and night under an average sky


OCEANIC = Climate(
    latitude_deg=46.2,
    longitude_deg=-1.1,
    clearness_mean=0.45,
    clearness_spread=0.15,
    clearness_memory=0.35,
    temp_mean_c=12.6,
    temp_swing_c=7.4,
)
"""Oceanic west of Europe."""

DRY_SOUTHERN = Climate(
    latitude_deg=36.9,
    longitude_deg=-2.4,
    clearness_mean=0.60,
    clearness_spread=0.11,
    clearness_memory=0.30,
    temp_mean_c=15.5,
    temp_swing_c=7.5,
    daily_swing_c=5.5,
)
"""Dry south, at some height above the sea."""


@dataclass(frozen=True)
class Weather:
    """Conditions outdoors over whole hours."""

    epoch_hour: NDArray[np.int64]  # start of the hour, hours since 1970-01-01T00Z
    global_w_m2: Array  # mean global radiation of the hour
    temp_c: Array


def simulate_weather(climate: Climate, first: date, days: int, rng: np.random.Generator) -> Weather:
    """Return the weather of a number of days (UTC) from ``first`` on."""
    hours = (first - _EPOCH).days * 24 + np.arange(days * 24, dtype=np.int64)
    day = np.repeat(np.arange(days), 24)

    wander = _wander(days, climate.clearness_memory, rng)
    clearness = np.clip(climate.clearness_mean + climate.clearness_spread * wander, *_CLEARNESS_RANGE)
    potential = extraterrestrial_hourly_mj(climate.latitude_deg, climate.longitude_deg, hours)
    radiation = potential * clearness[day] * _passing_clouds(clearness, rng)
    # Passing clouds move radiation between the hours of a day; its sum stays the clearness index's.
    wanted = clearness * potential.reshape(days, 24).sum(axis=1)
    got = radiation.reshape(days, 24).sum(axis=1)
    radiation *= np.divide(wanted, got, out=np.ones(days), where=got > 0)[day]

    since_coldest = hours / 24.0 - (date(first.year, 1, 1) - _EPOCH).days - (climate.coldest_day - 1)
    season = climate.temp_mean_c - climate.temp_swing_c * np.cos(2 * math.pi * since_coldest / _YEAR_DAYS)
    anomaly = climate.temp_spread_c * _wander(days + 1, climate.temp_memory, rng)
    smooth_anomaly = np.interp(np.arange(days * 24) / 24.0, np.arange(days + 1), anomaly)
    solar_hour = (hours + 0.5 + climate.longitude_deg / 15.0) % 24.0
    swing = climate.daily_swing_c * (clearness / climate.clearness_mean)[day]
    daily = swing * np.cos(2 * math.pi * (solar_hour - _WARMEST_HOUR) / 24.0)
    return Weather(hours, radiation * _W_PER_MJ_HOUR, season + smooth_anomaly + daily)


def _wander(days: int, memory: float, rng: np.random.Generator) -> Array:
    """Return a series of mean 0 and variance 1 in which each day remembers the one before."""
    steps = rng.standard_normal(days)
    series = np.empty(days)
    series[0] = steps[0]
    fresh = math.sqrt(1.0 - memory**2)
    for day in range(1, days):
        series[day] = memory * series[day - 1] + fresh * steps[day]
    return series


def _passing_clouds(clearness: Array, rng: np.random.Generator) -> Array:
    """Return a factor for each hour: most uneven under a half clouded sky."""
    unrest = 0.9 * clearness * (_CLEARNESS_RANGE[1] - clearness) / 0.16
    noise = rng.standard_normal((len(clearness), 24))
    return np.exp(0.25 * np.maximum(unrest, 0.0)[:, None] * noise).clip(0.5, 1.3).ravel()

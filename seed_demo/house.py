"""A simulated house: what its sensors would see, in steps of ten minutes.

Light indoors is light outdoors through the roof, plus lamps. The air follows, with some inertia, the balance
of heating, sun and ventilation. Zones of a house differ a little in both.
"""

from __future__ import annotations

from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from seed_demo.local import local_hour
from seed_demo.weather import Array, Weather
from service.agronomy.light import ppfd_from_global_w_m2

STEP_S = 600
STEPS_PER_HOUR = 3600 // STEP_S

_SUN_GAIN = 0.028  # °C above outdoors a W m-2 of global radiation, vents closed
_INERTIA = 0.35  # share of the way to the balance that the air goes in a step
_DAYLIGHT_W_M2 = 5.0  # above it the day set point holds


@dataclass(frozen=True, kw_only=True)
class HouseTraits:
    """How a house answers to the weather."""

    transmission: float  # light indoors over outdoors, 0..1
    heat_day_c: float
    heat_night_c: float
    vent_c: float
    vent_leak: float  # share of the excess over the ventilation set point that remains, 0..1
    lamp_ppfd_umol: float = 0.0
    lamp_start_h: float = 0.0  # local clock
    lamp_hours: float = 0.0
    time_zone: str


@dataclass(frozen=True, kw_only=True)
class ZoneTraits:
    """How a zone differs from its house."""

    light_share: float = 1.0  # of the house's daylight
    warmer_c: float = 0.0


@dataclass(frozen=True)
class ZoneClimate:
    """True conditions in a zone, one value a step."""

    time_s: NDArray[np.int64]  # start of the step, seconds since 1970
    ppfd_umol: Array  # sun and lamps
    sun_w_m2: Array  # global radiation that reaches the canopy, without lamps
    temp_c: Array


def simulate_zone(
    house: HouseTraits, zone: ZoneTraits, weather: Weather, rng: np.random.Generator
) -> ZoneClimate:
    """Return the conditions in one zone under the given weather."""
    hours = len(weather.epoch_hour)
    start_s = int(weather.epoch_hour[0]) * 3600
    time_s = start_s + STEP_S * np.arange(hours * STEPS_PER_HOUR, dtype=np.int64)
    outdoors = _finer(weather.global_w_m2, rng)
    sun = outdoors * house.transmission * zone.light_share
    since_lamp_on = (local_hour(time_s, ZoneInfo(house.time_zone)) - house.lamp_start_h) % 24.0
    lamps = np.where(since_lamp_on < house.lamp_hours, house.lamp_ppfd_umol, 0.0)
    ppfd = ppfd_from_global_w_m2(sun) + lamps

    temp_out = np.interp(time_s, weather.epoch_hour * 3600 + 1800, weather.temp_c)
    heat = np.where(outdoors > _DAYLIGHT_W_M2, house.heat_day_c, house.heat_night_c) + zone.warmer_c
    vent = house.vent_c + zone.warmer_c
    free = temp_out + _SUN_GAIN * outdoors + 0.004 * lamps
    balance = np.maximum(free, heat)
    # Open vents and wet pads hold what they can of the excess.
    balance = np.where(balance > vent, vent + house.vent_leak * (balance - vent), balance)
    return ZoneClimate(time_s, ppfd, sun, _follow(balance))


def _finer(hourly: Array, rng: np.random.Generator) -> Array:
    """Spread hourly means over the steps: through the middles of the hours, with flicker, same sums."""
    middles = np.arange(len(hourly)) + 0.5
    steps = (np.arange(len(hourly) * STEPS_PER_HOUR) + 0.5) / STEPS_PER_HOUR
    course = np.interp(steps, middles, hourly)
    course *= np.exp(0.12 * rng.standard_normal(len(course)))
    means = course.reshape(-1, STEPS_PER_HOUR).mean(axis=1)
    scale = np.divide(hourly, means, out=np.zeros_like(hourly), where=means > 0)
    return np.asarray(course * np.repeat(scale, STEPS_PER_HOUR))


def _follow(balance: Array) -> Array:
    temp = np.empty_like(balance)
    now = float(balance[0])
    for step, goal in enumerate(balance.tolist()):
        now += _INERTIA * (goal - now)
        temp[step] = now
    return temp


def measured(true: Array, rng: np.random.Generator, *, noise: float, gain: float = 1.0) -> Array:
    """Return what a sensor of the given noise (absolute) and gain says."""
    return true * gain + noise * rng.standard_normal(len(true))

"""A house in its climate: what the latitude lets expect outdoors, and what the house makes of it.

The climate of a latitude is coarse and assumed (no source): it stands in until days were measured, and says how
far a measured day is moved when it stands for a day of another season.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from service.agronomy import light, sun

Array = NDArray[np.float64]

CLEARNESS_SPREAD = 0.16
"""Standard deviation of a day's clearness about its season's mean. Wageningen 1976-1999: 0.168; Greensboro: 0.158."""

CLEARNESS_LEVEL_SPREAD = 0.15
"""Relative standard deviation of a place's mean clearness about its latitude's. Assumed."""

OUTDOOR_SPREAD_C = 3.5
"""Standard deviation of a day's mean temperature about its season's. Wageningen 1976-1999: 3.58."""

OUTDOOR_LEVEL_SPREAD_C = 2.0
"""Standard deviation of a place's mean temperature about its latitude's. Assumed."""


@dataclass(frozen=True, kw_only=True)
class Site:
    """Where a house stands and what it does with the climate."""

    latitude_deg: float
    longitude_deg: float
    transmission: float  # light inside over outside, 0..1, without shade paint
    temp_heat_day_c: float
    temp_heat_night_c: float
    temp_vent_c: float


class Setting(NamedTuple):
    """What a house is set to, hour by hour."""

    shade: Array  # light under shade paint over light without, 0..1
    temp_heat_day_c: Array
    temp_heat_night_c: Array
    temp_vent_c: Array


@dataclass(frozen=True)
class Course:
    """What a house is set to over time, in steps: each holds from its moment until the next, the first always."""

    begin_h: Array  # epoch hours, rising
    setting: Setting  # one value a step

    @classmethod
    def steady(cls, site: Site) -> Course:
        """Return the course of a house in which nothing changes."""
        columns = (1.0, site.temp_heat_day_c, site.temp_heat_night_c, site.temp_vent_c)
        return cls(np.array([-np.inf]), Setting(*(np.array([value]) for value in columns)))

    def at(self, epoch_hour: NDArray[np.int64]) -> Setting:
        """Return the settings that hold at the middle of each hour."""
        step = np.searchsorted(self.begin_h, epoch_hour + 0.5, side="right") - 1
        return Setting(*(column[np.maximum(step, 0)] for column in self.setting))


def clearness_mean(latitude_deg: float, day_of_year: ArrayLike | None = None) -> Array:
    """Mean share of extraterrestrial radiation that reaches the ground, by season if a day is given.

    Assumed: 0.51 at 36°, 0.41 at 52°, lowest at the winter solstice, the more so the higher the latitude. Records:
    Greensboro (36° N) 0.52, hardly a season; Wageningen (52° N) 0.37, from 0.29 in winter to 0.42 in summer.
    """
    mean = min(0.55, 0.75 - 0.0066 * abs(latitude_deg))
    if day_of_year is None:
        return np.asarray(mean)
    swing = 0.22 * np.clip((abs(latitude_deg) - 30.0) / 22.0, 0.0, 1.0)
    solstice = 355.0 if latitude_deg >= 0 else 172.5
    doy = np.asarray(day_of_year, dtype=np.float64)
    return np.asarray(mean * (1.0 - swing * np.cos(2.0 * np.pi * (doy - solstice) / 365.25)))


def outdoor_temp_c(latitude_deg: float, day_of_year: ArrayLike) -> Array:
    """Daily mean outdoor temperature by latitude and season. Assumed; coldest 25 days after the solstice. [°C]"""
    doy = np.asarray(day_of_year, dtype=np.float64)
    coldest = 15.0 if latitude_deg >= 0 else 197.5
    mean, swing = 28.0 - 0.36 * abs(latitude_deg), 0.2 * abs(latitude_deg)
    return np.asarray(mean - swing * np.cos(2.0 * np.pi * (doy - coldest) / 365.25))


def outdoor_course_c(day_mean_c: Array) -> Array:
    """Outdoor course of days, shape (..., 24), warmest at 15 h solar time. [°C]"""
    hour = np.arange(24) + 0.5
    return np.asarray(day_mean_c[..., None] + 4.0 * np.cos(2.0 * np.pi * (hour - 15.0) / 24.0))


def extraterrestrial_mol(site: Site, epoch_hour: NDArray[np.int64]) -> Array:
    """Light on a level plane under a sky without air. [mol m⁻² h⁻¹]"""
    radiation = sun.extraterrestrial_hourly_mj(site.latitude_deg, site.longitude_deg, epoch_hour)
    return light.light_mol_from_global_mj(radiation)


def inside_temp_c(setting: Setting, outdoor_c: Array, global_mj: Array, is_day: NDArray[np.bool_]) -> Array:
    """Temperature in a heated and ventilated house.

    Assumed: the sun adds 3 °C for each MJ m⁻² h⁻¹ that would come in without shade paint; vents keep it within 2 °C of
    outdoors once the set point is passed.

    Parameters
    ----------
    setting : Setting
        What the house is set to.
    outdoor_c : ndarray
        Outdoor temperature. [°C]
    global_mj : ndarray
        Global radiation outdoors. [MJ m⁻² h⁻¹]
    is_day : ndarray of bool
        Whether the sun is up.

    Returns
    -------
    ndarray
        Of the shape the inputs broadcast to. [°C]
    """
    floor = np.where(is_day, setting.temp_heat_day_c, setting.temp_heat_night_c)
    heated = np.maximum(outdoor_c + 3.0 * setting.shade * global_mj, floor)
    vented = np.maximum(setting.temp_vent_c, outdoor_c + 2.0)
    return np.where(heated > setting.temp_vent_c, np.minimum(heated, vented), heated)

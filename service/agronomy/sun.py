r"""The sun over a place: declination, day length, and the radiation that arrives above the atmosphere.

Daily and hourly extraterrestrial radiation follow FAO Irrigation and Drainage Paper 56 [1]_, chapter 3; day
length from one horizon to the other follows the CBM model [2]_. Angles named ``_deg`` are in degrees, north
and east positive; those named ``_rad`` in radians. Hours are epoch hours: hours since 1970-01-01T00Z.

References
----------
.. [1] R. G. Allen, L. S. Pereira, D. Raes and M. Smith, "Crop evapotranspiration: guidelines for computing
   crop water requirements", FAO Irrigation and Drainage Paper 56, Rome, 1998.
.. [2] W. C. Forsythe, E. J. Rykiel, R. S. Stahl, H. Wu and R. M. Schoolfield, "A model comparison for
   daylength as a function of latitude and day of year", Ecological Modelling 80, 1995, pp. 87-95.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

SOLAR_CONSTANT = 0.0820
"""Radiation on a plane towards the sun at its mean distance [1]_. [MJ m⁻² min⁻¹]"""

HORIZON_SUNRISE_DEG = 0.8333
"""How far below the horizon the sun's centre is at sunrise and sunset: radius and refraction [2]_. [°]"""

HORIZON_CIVIL_TWILIGHT_DEG = 6.0
"""The same at the beginning and end of civil twilight [2]_. [°]"""

_MINUTES_PER_DAY = 24.0 * 60.0
_RAD_PER_HOUR = np.pi / 12.0


def day_of_year(epoch_hour: ArrayLike) -> NDArray[np.int64]:
    """Day of the year in UTC, 1 to 366.

    Parameters
    ----------
    epoch_hour : array_like
        Hours since 1970-01-01T00Z; fractions belong to the hour they are in. [h]

    Returns
    -------
    ndarray of int64
        Same shape.
    """
    day = np.floor_divide(np.asarray(epoch_hour), 24).astype(np.int64).astype("datetime64[D]")
    new_year = day.astype("datetime64[Y]").astype("datetime64[D]")
    return np.asarray((day - new_year).astype(np.int64) + 1)


def declination_rad(day_of_year: ArrayLike) -> Array:
    """Solar declination, FAO-56 eq. 24 [1]_.

    Parameters
    ----------
    day_of_year : array_like
        Day of the year, 1 to 366. [d]

    Returns
    -------
    ndarray
        Declination, same shape. [rad]

    Notes
    -----
    The orbit is taken as a circle, so the declination is up to 1.4° off, most around the equinox of
    September.

    References
    ----------
    .. [1] Allen et al. 1998, see the module.
    """
    day = np.asarray(day_of_year, dtype=np.float64)
    return np.asarray(0.409 * np.sin(2.0 * np.pi * day / 365.0 - 1.39))


def inverse_relative_distance(day_of_year: ArrayLike) -> Array:
    """Inverse relative distance of the earth to the sun, FAO-56 eq. 23; 0.967 to 1.033. [unitless]"""
    day = np.asarray(day_of_year, dtype=np.float64)
    return np.asarray(1.0 + 0.033 * np.cos(2.0 * np.pi * day / 365.0))


def equation_of_time_h(day_of_year: ArrayLike) -> Array:
    """Seasonal correction for solar time, FAO-56 eq. 32 and 33; within about 0.27 h of zero. [h]"""
    angle = 2.0 * np.pi * (np.asarray(day_of_year, dtype=np.float64) - 81.0) / 364.0
    return np.asarray(0.1645 * np.sin(2.0 * angle) - 0.1255 * np.cos(angle) - 0.025 * np.sin(angle))


def sunset_hour_angle_rad(latitude_deg: ArrayLike, day_of_year: ArrayLike) -> Array:
    """Hour angle at which the sun's centre sets, FAO-56 eq. 25 [1]_.

    Parameters
    ----------
    latitude_deg : array_like
        Latitude, north positive. [°]
    day_of_year : array_like
        Day of the year, 1 to 366. [d]

    Returns
    -------
    ndarray
        Hour angle, 0 where the sun does not rise to π where it does not set. [rad]

    References
    ----------
    .. [1] Allen et al. 1998, see the module.
    """
    cosine = -np.tan(np.radians(latitude_deg)) * np.tan(declination_rad(day_of_year))
    return np.asarray(np.arccos(np.clip(cosine, -1.0, 1.0)))


def daylight_hours(latitude_deg: ArrayLike, day_of_year: ArrayLike) -> Array:
    """Maximum possible hours of sunshine N, FAO-56 eq. 34: the sun's centre above a flat horizon. [h]"""
    return np.asarray(24.0 / np.pi * sunset_hour_angle_rad(latitude_deg, day_of_year))


def day_length_h(
    latitude_deg: ArrayLike, day_of_year: ArrayLike, horizon_deg: ArrayLike = HORIZON_SUNRISE_DEG
) -> Array:
    r"""Day length by the CBM model [1]_.

    Parameters
    ----------
    latitude_deg : array_like
        Latitude, north positive. [°]
    day_of_year : array_like
        Day of the year, 1 to 366. [d]
    horizon_deg : array_like
        How far the sun's centre is below the horizon when the day begins and ends: 0, 0.26667 (upper rim),
        0.8333 (sunrise and sunset as in almanacs), 6, 12, 18 (civil, nautical, astronomical twilight). [°]

    Returns
    -------
    ndarray
        Day length, of the shape the inputs broadcast to; 0 where the sun stays below, 24 where it stays
        above. [h]

    Notes
    -----
    .. math::

        \theta &= 0.2163108 + 2 \arctan(0.9671396 \tan(0.00860 (J - 186))) \\
        \phi &= \arcsin(0.39795 \cos\theta) \\
        D &= 24 - \frac{24}{\pi} \arccos \frac{\sin p + \sin L \sin\phi}{\cos L \cos\phi}

    Constants read in several implementations that cite the paper. Against sunrise and sunset computed by
    astral: within 0.06 h up to 40° and 0.1 h up to 60° of latitude.

    References
    ----------
    .. [1] Forsythe et al. 1995, see the module.
    """
    day = np.asarray(day_of_year, dtype=np.float64)
    latitude = np.radians(np.asarray(latitude_deg, dtype=np.float64))
    theta = 0.2163108 + 2.0 * np.arctan(0.9671396 * np.tan(0.00860 * (day - 186.0)))
    declination = np.arcsin(0.39795 * np.cos(theta))
    cosine = (np.sin(np.radians(horizon_deg)) + np.sin(latitude) * np.sin(declination)) / (
        np.cos(latitude) * np.cos(declination)
    )
    return np.asarray(24.0 - 24.0 / np.pi * np.arccos(np.clip(cosine, -1.0, 1.0)))


def extraterrestrial_radiation_mj(latitude_deg: ArrayLike, day_of_year: ArrayLike) -> Array:
    r"""Radiation on a level plane above the atmosphere over a day, FAO-56 eq. 21 [1]_.

    Parameters
    ----------
    latitude_deg : array_like
        Latitude, north positive. [°]
    day_of_year : array_like
        Day of the year, 1 to 366. [d]

    Returns
    -------
    ndarray
        Extraterrestrial radiation, never negative, of the shape the inputs broadcast to. [MJ m⁻² d⁻¹]

    Notes
    -----
    .. math:: R_a = \frac{24 \cdot 60}{\pi} G_{sc} d_r
       (\omega_s \sin\varphi \sin\delta + \cos\varphi \cos\delta \sin\omega_s)

    Against the solar position of pvlib, integrated: a day within 0.5 MJ m⁻² up to 20°, 0.9 up to 40° and 1.3
    up to 60° of latitude, a year within 2 %.

    References
    ----------
    .. [1] Allen et al. 1998, see the module.
    """
    up, across = _projection(latitude_deg, day_of_year)
    sunset = sunset_hour_angle_rad(latitude_deg, day_of_year)
    per_rad = _MINUTES_PER_DAY / np.pi * SOLAR_CONSTANT * inverse_relative_distance(day_of_year)
    # From midnight sun to polar night the sum passes through zero, with rounding on either side.
    return np.asarray(np.maximum(per_rad * (sunset * up + across * np.sin(sunset)), 0.0))


def extraterrestrial_hourly_mj(
    latitude_deg: ArrayLike, longitude_deg: ArrayLike, epoch_hour: ArrayLike
) -> Array:
    r"""Radiation on a level plane above the atmosphere over each clock hour, FAO-56 eq. 28 to 33 [1]_.

    Parameters
    ----------
    latitude_deg : array_like
        Latitude, north positive. [°]
    longitude_deg : array_like
        Longitude, east positive. [°]
    epoch_hour : array_like
        Start of the hour. [epoch hours]

    Returns
    -------
    ndarray
        Extraterrestrial radiation, never negative, of the shape the inputs broadcast to. [MJ m⁻² h⁻¹]

    Notes
    -----
    .. math:: R_a = \frac{12 \cdot 60}{\pi} G_{sc} d_r [(\omega_2 - \omega_1) \sin\varphi \sin\delta
       + \cos\varphi \cos\delta (\sin\omega_2 - \sin\omega_1)]

    with the hour angles at which the sun stands at the start and the end of the hour, cut to the time between
    sunrise and sunset. Declination and equation of time are those of the UTC day, so the 24 hours of a UTC
    day sum to :func:`extraterrestrial_radiation_mj` at every longitude.

    References
    ----------
    .. [1] Allen et al. 1998, see the module.
    """
    hour = np.asarray(epoch_hour)
    day = day_of_year(hour)
    up, across = _projection(latitude_deg, day)
    sunset = sunset_hour_angle_rad(latitude_deg, day)
    start = _hour_angle_rad(longitude_deg, hour, day)
    per_rad = _MINUTES_PER_DAY / (2.0 * np.pi) * SOLAR_CONSTANT * inverse_relative_distance(day)

    def lit(shift: float) -> Array:
        rise = np.clip(start + shift, -sunset, sunset)
        fall = np.clip(start + _RAD_PER_HOUR + shift, -sunset, sunset)
        return np.asarray(up * (fall - rise) + across * (np.sin(fall) - np.sin(rise)))

    # The hour that holds solar midnight ends in the next solar day; in high latitudes the sun may be up.
    return np.asarray(np.maximum(per_rad * (lit(0.0) + lit(-2.0 * np.pi)), 0.0))


def sun_elevation_deg(latitude_deg: ArrayLike, longitude_deg: ArrayLike, epoch_hour: ArrayLike) -> Array:
    """Elevation of the sun's centre above a flat horizon, without refraction.

    Parameters
    ----------
    latitude_deg : array_like
        Latitude, north positive. [°]
    longitude_deg : array_like
        Longitude, east positive. [°]
    epoch_hour : array_like
        The moment; may be a fraction. [epoch hours]

    Returns
    -------
    ndarray
        Elevation, negative below the horizon, of the shape the inputs broadcast to. [°]

    Notes
    -----
    With the declination and equation of time of FAO-56 [1]_, which stand still over a UTC day. Against pvlib:
    within 1.4°.

    References
    ----------
    .. [1] Allen et al. 1998, see the module.
    """
    hour = np.asarray(epoch_hour)
    day = day_of_year(hour)
    up, across = _projection(latitude_deg, day)
    sine = up + across * np.cos(_hour_angle_rad(longitude_deg, hour, day))
    return np.asarray(np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0))))


def solar_radiation_mj(
    extraterrestrial_mj: ArrayLike, sunshine_ratio: ArrayLike, cloudy: float = 0.25, sunny: float = 0.50
) -> Array:
    """Global radiation from the duration of sunshine: Ångström formula, FAO-56 eq. 35 [1]_.

    Parameters
    ----------
    extraterrestrial_mj : array_like
        Extraterrestrial radiation of a day. [MJ m⁻² d⁻¹]
    sunshine_ratio : array_like
        Hours of sunshine over the hours possible (:func:`daylight_hours`), 0 to 1. [unitless]
    cloudy, sunny : float
        Share that arrives on an overcast day, and what a clear day adds to it. [unitless]

    Returns
    -------
    ndarray
        Global radiation, of the shape the inputs broadcast to. [MJ m⁻² d⁻¹]

    References
    ----------
    .. [1] Allen et al. 1998, see the module.
    """
    ratio = np.asarray(sunshine_ratio, dtype=np.float64)
    return np.asarray((cloudy + sunny * ratio) * np.asarray(extraterrestrial_mj, dtype=np.float64))


def clear_sky_radiation_mj(extraterrestrial_mj: ArrayLike, elevation_m: ArrayLike) -> Array:
    """Global radiation under a clear sky, FAO-56 eq. 37 [1]_.

    Parameters
    ----------
    extraterrestrial_mj : array_like
        Extraterrestrial radiation, of a day or of any part of it. [MJ m⁻²]
    elevation_m : array_like
        Elevation above sea level. [m]

    Returns
    -------
    ndarray
        Clear-sky radiation over the same time, of the shape the inputs broadcast to. [MJ m⁻²]

    References
    ----------
    .. [1] Allen et al. 1998, see the module.
    """
    elevation = np.asarray(elevation_m, dtype=np.float64)
    return np.asarray((0.75 + 2e-5 * elevation) * np.asarray(extraterrestrial_mj, dtype=np.float64))


def _projection(latitude_deg: ArrayLike, day_of_year: ArrayLike) -> tuple[Array, Array]:
    """Return sin φ sin δ and cos φ cos δ."""
    latitude = np.radians(np.asarray(latitude_deg, dtype=np.float64))
    declination = declination_rad(day_of_year)
    return np.asarray(np.sin(latitude) * np.sin(declination)), np.asarray(
        np.cos(latitude) * np.cos(declination)
    )


def _hour_angle_rad(longitude_deg: ArrayLike, epoch_hour: ArrayLike, day_of_year: ArrayLike) -> Array:
    """Return the hour angle at a moment, -π to π, FAO-56 eq. 31 at the Greenwich meridian's clock."""
    clock = np.mod(np.asarray(epoch_hour, dtype=np.float64), 24.0)
    solar = clock + np.asarray(longitude_deg, dtype=np.float64) / 15.0 + equation_of_time_h(day_of_year)
    return np.asarray(_RAD_PER_HOUR * (np.mod(solar, 24.0) - 12.0))

"""Moist air: vapour pressure, its deficit and the dew point.

Equations and worked examples are those of FAO Irrigation and Drainage Paper 56 [1]_, chapter 3. Relative
humidity is a share, 0 to 1.

References
----------
.. [1] R. G. Allen, L. S. Pereira, D. Raes and M. Smith, "Crop evapotranspiration: guidelines for computing
   crop water requirements", FAO Irrigation and Drainage Paper 56, Rome, 1998.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

_E0_KPA = 0.6108  # saturation vapour pressure at 0 °C
_SLOPE = 17.27
_OFFSET_C = 237.3


def saturation_vapour_pressure_kpa(temp_c: ArrayLike) -> Array:
    r"""Saturation vapour pressure over water, FAO-56 eq. 11 [1]_.

    Parameters
    ----------
    temp_c : array_like
        Air temperature. [°C]

    Returns
    -------
    ndarray
        Saturation vapour pressure, same shape. [kPa]

    Notes
    -----
    .. math:: e^\circ(T) = 0.6108 \exp\frac{17.27 T}{T + 237.3}

    The curve is steep and bent: the mean over a day is that of the pressures, not of the temperature.

    References
    ----------
    .. [1] Allen et al. 1998, see the module.
    """
    temp = np.asarray(temp_c, dtype=np.float64)
    return np.asarray(_E0_KPA * np.exp(_SLOPE * temp / (temp + _OFFSET_C)))


def saturation_slope_kpa_c(temp_c: ArrayLike) -> Array:
    """Slope of the saturation vapour pressure curve, FAO-56 eq. 13. [kPa °C⁻¹]"""
    temp = np.asarray(temp_c, dtype=np.float64)
    # The derivative of eq. 11; FAO-56 prints the product of both constants rounded, 4098.
    return np.asarray(_SLOPE * _OFFSET_C * saturation_vapour_pressure_kpa(temp) / (temp + _OFFSET_C) ** 2)


def vapour_pressure_deficit_kpa(temp_c: ArrayLike, relative_humidity: ArrayLike) -> Array:
    """Vapour pressure deficit: how much more vapour the air could hold.

    Parameters
    ----------
    temp_c : array_like
        Air temperature. [°C]
    relative_humidity : array_like
        Relative humidity, 0 to 1; a sensor that reads above 1 stands in saturated air. [unitless]

    Returns
    -------
    ndarray
        Vapour pressure deficit, never negative, of the shape the inputs broadcast to. [kPa]
    """
    missing = np.maximum(1.0 - np.asarray(relative_humidity, dtype=np.float64), 0.0)
    return np.asarray(saturation_vapour_pressure_kpa(temp_c) * missing)


def dew_point_c(temp_c: ArrayLike, relative_humidity: ArrayLike) -> Array:
    """Temperature at which the vapour in the air condenses; FAO-56 eq. 11 inverted.

    Parameters
    ----------
    temp_c : array_like
        Air temperature. [°C]
    relative_humidity : array_like
        Relative humidity, above 0 to 1. [unitless]

    Returns
    -------
    ndarray
        Dew point, of the shape the inputs broadcast to; NaN where the humidity is not above 0. [°C]
    """
    humidity = np.asarray(relative_humidity, dtype=np.float64)
    log_humidity = np.log(np.where(humidity > 0.0, humidity, np.nan))
    temp = np.asarray(temp_c, dtype=np.float64)
    # The logarithm of eq. 11 splits into that of the humidity and the exponent.
    exponent = log_humidity + _SLOPE * temp / (temp + _OFFSET_C)
    return np.asarray(_OFFSET_C * exponent / (_SLOPE - exponent))


def atmospheric_pressure_kpa(elevation_m: ArrayLike) -> Array:
    """Atmospheric pressure at an elevation, FAO-56 eq. 7, at 20 °C. [kPa]"""
    elevation = np.asarray(elevation_m, dtype=np.float64)
    return np.asarray(101.3 * ((293.0 - 0.0065 * elevation) / 293.0) ** 5.26)


def psychrometric_constant_kpa_c(pressure_kpa: ArrayLike) -> Array:
    """Psychrometric constant, FAO-56 eq. 8. [kPa °C⁻¹]"""
    return np.asarray(0.665e-3 * np.asarray(pressure_kpa, dtype=np.float64))


def vapour_pressure_psychrometer_kpa(
    dry_c: ArrayLike, wet_c: ArrayLike, pressure_kpa: ArrayLike, coefficient: float = 0.000662
) -> Array:
    """Vapour pressure from a psychrometer, FAO-56 eq. 15 and 16 [1]_.

    Parameters
    ----------
    dry_c, wet_c : array_like
        Dry and wet bulb temperature. [°C]
    pressure_kpa : array_like
        Atmospheric pressure. [kPa]
    coefficient : float
        0.000662 with a fan (about 5 m s⁻¹), 0.0008 in natural draught (about 1 m s⁻¹), 0.0012 indoors. [°C⁻¹]

    Returns
    -------
    ndarray
        Actual vapour pressure, of the shape the inputs broadcast to. [kPa]

    References
    ----------
    .. [1] Allen et al. 1998, see the module.
    """
    depression = np.asarray(dry_c, dtype=np.float64) - np.asarray(wet_c, dtype=np.float64)
    cooling = coefficient * np.asarray(pressure_kpa, dtype=np.float64) * depression
    return np.asarray(saturation_vapour_pressure_kpa(wet_c) - cooling)


def relative_humidity(temp_c: ArrayLike, vapour_pressure_kpa: ArrayLike) -> Array:
    """Relative humidity of air with a vapour pressure, FAO-56 eq. 10, 0 to 1 (above: mist). [unitless]"""
    vapour = np.asarray(vapour_pressure_kpa, dtype=np.float64)
    return np.asarray(vapour / saturation_vapour_pressure_kpa(temp_c))

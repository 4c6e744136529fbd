"""The light transmission of a house, learned from what was measured.

Where light is measured outdoors too, transmission is inside over outside, day by day. Where it is not, the brightest
hours are taken for hours without clouds: their light inside over the clear-sky light of FAO-56. Both leave out what
lamps gave and put back what shade paint took. A learned value is weighed against the stated one, which is known no
better than within :data:`STATED_SPREAD`; the more was measured, the less the stated one counts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from service.agronomy import light, sun
from service.agronomy.climate import Course, Site, extraterrestrial_mol
from service.agronomy.outlook import Measured

Array = NDArray[np.float64]
How = Literal["outdoor_sensor", "clear_sky", "stated"]

STATED_SPREAD = 0.15
"""Relative standard deviation of a stated transmission. Assumed."""

BRIGHT_QUANTILE = 0.95
"""Quantile of inside over clear-sky light that is taken for a clear hour.

Of the hours of Greensboro (TMY3) with high sun, global radiation over the clear-sky radiation of FAO-56 has its
95 % quantile at 0.99.
"""

_CLEAR_SKY_SPREAD = 0.06  # relative: haze, and how well FAO-56 says what a clear hour is; assumed
_SENSOR_SPREAD = 0.03  # relative: two sensors are calibrated to that; assumed
_FEWEST_DAYS = 5  # beside an outdoor sensor
_FEWEST_CLEAR_DAYS = 20
_LEAST_MOL = 0.36  # outdoor light of an hour that counts: 100 µmol m-2 s-1
_HIGH_SUN = 0.45  # of the radiation above the atmosphere that overhead sun would give


@dataclass(frozen=True)
class Transmission:
    """A house's light transmission without shade paint, and how it is known."""

    value: float  # light inside over outside, 0..1
    spread: float  # relative standard deviation
    how: How
    days: int  # measured days behind it
    learned: float | None = None  # what measurements alone say


def stated(value: float) -> Transmission:
    """Return a transmission that is only stated."""
    return Transmission(value, STATED_SPREAD, "stated", 0)


def learn(
    site: Site, elevation_m: float, measured: Measured, course: Course, outside: Measured | None = None
) -> Transmission:
    """Learn a house's transmission.

    Parameters
    ----------
    site : Site
        The house, with its stated transmission.
    elevation_m : float
        Above sea level. [m]
    measured : Measured
        What was measured in a zone.
    course : Course
        Shade paint over time.
    outside : Measured, optional
        Light measured outdoors over the same hours or some of them; its temperature is not used.

    Returns
    -------
    Transmission
        By the outdoor sensor where enough days have both, else by the clear sky, else as stated.
    """
    inside = (measured.light_mol - measured.lamp_mol) / course.at(measured.hour).shade
    day = (measured.hour + round(site.longitude_deg / 15.0)) // 24
    if outside is not None and outside.hour.size:
        ratios = _beside(inside, _aligned(outside, measured.hour), day)
        if ratios.size >= _FEWEST_DAYS:
            return _weighed(
                site.transmission, *_middle(ratios), _SENSOR_SPREAD, "outdoor_sensor", ratios.size
            )
    above = extraterrestrial_mol(site, measured.hour)
    overhead = float(light.light_mol_from_global_mj(sun.SOLAR_CONSTANT * 60.0))
    high = (above > _HIGH_SUN * overhead) & ~np.isnan(inside)
    days = np.unique(day[high]).size
    if days < _FEWEST_CLEAR_DAYS:
        return stated(site.transmission)
    clear = np.asarray(sun.clear_sky_radiation_mj(above[high], elevation_m))
    found = float(np.quantile(inside[high] / clear, BRIGHT_QUANTILE))
    if not 0.0 < found < np.inf:
        return stated(site.transmission)
    return _weighed(site.transmission, found, 0.5 / np.sqrt(days), _CLEAR_SKY_SPREAD, "clear_sky", days)


def _aligned(outside: Measured, hour: NDArray[np.int64]) -> Array:
    place = np.minimum(np.searchsorted(outside.hour, hour), outside.hour.size - 1)
    return np.where(outside.hour[place] == hour, outside.light_mol[place], np.nan)


def _beside(inside: Array, outside: Array, day: NDArray[np.int64]) -> Array:
    """Inside over outside light of each day on which both were measured for some bright hours."""
    both = ~np.isnan(inside) & (outside > _LEAST_MOL)
    days, place = np.unique(day[both], return_inverse=True)
    within = np.bincount(place, inside[both], days.size)
    without = np.bincount(place, outside[both], days.size)
    enough = np.bincount(place, minlength=days.size) >= 3
    return np.asarray((within / without)[enough])


def _middle(ratios: Array) -> tuple[float, float]:
    """Median and the relative standard error of it, neither moved by a few wrong days."""
    middle = float(np.median(ratios))
    off = 1.4826 * float(np.median(np.abs(ratios - middle))) / max(middle, 1e-6)
    return middle, 1.25 * off / float(np.sqrt(ratios.size))


def _weighed(
    given: float, learned: float, error: float, systematic: float, how: How, days: int
) -> Transmission:
    learned = float(np.clip(learned, 0.02, 1.0))
    evidence, prior = 1.0 / (error**2 + systematic**2), 1.0 / STATED_SPREAD**2
    value = np.exp((evidence * np.log(learned) + prior * np.log(given)) / (evidence + prior))
    return Transmission(
        float(np.clip(value, 0.02, 1.0)), float((evidence + prior) ** -0.5), how, days, learned
    )

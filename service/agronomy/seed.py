r"""Seeds: emergence in thermal time, ageing of a lot in store, and what a germination test is worth.

Ageing follows the viability equation of Ellis and Roberts [1]_: the probit of the share that germinates falls
in a straight line, at a pace set by the seed's moisture and temperature.

References
----------
.. [1] R. H. Ellis and E. H. Roberts, "Improved equations for the prediction of seed longevity", Annals of
   Botany 45, 1980, pp. 13-30.
.. [2] J. B. Dickie, R. H. Ellis, H. L. Kraak, K. Ryder and P. B. Tompsett, "Temperature and seed storage
   longevity", Annals of Botany 65, 1990, pp. 197-204: universal constants of temperature.
.. [3] Code of Federal Regulations, title 7, section 201.31, germination standards for vegetable seeds,
   version 59 FR 64491 of 14 December 1994. Revised in parts in 2020 (85 FR 40571); the effect was not
   checked.
.. [4] Code of Federal Regulations, title 7, section 201.55(a), maximum tolerated ranges between replicates.
.. [5] A. M. Tarquis and K. J. Bradford, "Prehydration and priming treatments that advance germination also increase
   the rate of deterioration of lettuce seeds", Journal of Experimental Botany 43, 1992, pp. 307-317 (abstract read;
   volume and pages from memory).
.. [6] E. E. Roos, "Storage behavior of pelleted, tableted, and taped lettuce seed", Journal of the American Society
   for Horticultural Science 104, 1979, p. 283 (abstract read).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

from service.agronomy.thermal import thermal_rate

Array = NDArray[np.float64]


# --------------------------------------------------------------------------- emergence


def emergence_rate_per_hour(
    temp_c: ArrayLike, base_c: float, optimum_c: float, ceiling_c: float, thermal_time_cd: float
) -> Array:
    """Share of the way from seeding to emergence that is covered in an hour.

    Parameters
    ----------
    temp_c : array_like
        Mean temperature of the hour. [°C]
    base_c, optimum_c, ceiling_c : float
        Cardinal temperatures, see :func:`service.agronomy.thermal.thermal_rate`. [°C]
    thermal_time_cd : float
        Thermal time from seeding to emergence. [°C d]

    Returns
    -------
    ndarray
        Rate, never negative, same shape; a batch has emerged when its sum reaches 1. [h⁻¹]

    Raises
    ------
    ValueError
        If the thermal time is not positive or the cardinal temperatures do not rise.
    """
    if not thermal_time_cd > 0.0:
        raise ValueError(f"the thermal time to emergence is {thermal_time_cd:g} °C d, which is not positive")
    return np.asarray(thermal_rate(temp_c, base_c, optimum_c, ceiling_c) / (24.0 * thermal_time_cd))


HEAT_SPAN_H = 48.0
"""How long after seeding heat can keep seeds from germinating. [h]"""


def hot_hours(temp_c: ArrayLike, from_h: ArrayLike, limit_c: float, span_h: ArrayLike = HEAT_SPAN_H) -> Array:
    """Count the hours after seeding that are too warm for a crop's seeds.

    Parameters
    ----------
    temp_c : array_like, shape (members, hours)
        Mean temperature of each hour. [°C]
    from_h : array_like, shape (batches,)
        Seeding. [hours after the first; may be fractions]
    limit_c : float
        Warmer than this, germination is at risk. Gray [1]_ found limits from 25.7 °C, a butterhead, to 32.8 °C among
        22 cultivars of lettuce. [°C]
    span_h : array_like, shape (batches,) or ()
        How long to look from seeding on. [h]

    Returns
    -------
    ndarray, shape (batches, members)
        Hours above the limit; what lies outside the given hours is not counted. [h]

    References
    ----------
    .. [1] D. Gray, "Effects of temperature on the germination and emergence of lettuce (Lactuca sativa, L.)
       varieties", Journal of Horticultural Science 50, 1975, pp. 349-361. Title and pages from memory.
    """
    hot = np.asarray(temp_c, dtype=np.float64) > limit_c
    sums = np.zeros((hot.shape[0], hot.shape[1] + 1))
    np.cumsum(hot, axis=1, out=sums[:, 1:])

    def until(at: Array) -> Array:
        inside = np.clip(at, 0.0, hot.shape[1])
        low = np.minimum(inside.astype(np.intp), hot.shape[1] - 1)
        return np.asarray(sums[:, low] + (inside - low) * (sums[:, low + 1] - sums[:, low]))

    start = np.asarray(from_h, dtype=np.float64)
    end = start + np.asarray(span_h, dtype=np.float64)
    return np.asarray((until(end) - until(start)).T)


# --------------------------------------------------------------------------- ageing in store


@dataclass(frozen=True)
class ViabilityConstants:
    """Constants of a species in the viability equation."""

    ke: float
    cw: float
    ch: float
    cq: float
    origin: str


VIABILITY: dict[str, ViabilityConstants] = {
    "lettuce": ViabilityConstants(
        7.938, 5.25, 0.0329, 0.000478, "Ellis, Hong & Roberts 1989; read in a data set that cites it"
    ),
    "lettuce_kraak_vos": ViabilityConstants(
        6.895, 4.20, 0.0329, 0.000478, "data of Kraak & Vos 1987, universal temperature; read in a data set"
    ),
    "onion": ViabilityConstants(6.975, 3.47, 0.04, 0.000428, "read in a data set"),
    "beet": ViabilityConstants(9.373, 5.152, 0.0372, 0.000467, "read in a data set"),
}
"""Constants by species. The two sets for lettuce differ by 20 to 40 % in how fast seed ages: a forecast for
stored seed warns, it does not promise. For basil, spinach and coriander none were found."""


def longevity_sigma_days(
    moisture_percent: ArrayLike, temp_c: ArrayLike, constants: ViabilityConstants = VIABILITY["lettuce"]
) -> Array:
    r"""Time in store over which the probit of viability falls by one [1]_.

    Parameters
    ----------
    moisture_percent : array_like
        Moisture content of the seed, share of the fresh weight; the equation holds for about 5 to 25. [%]
    temp_c : array_like
        Temperature of the store; -20 to 90. [°C]
    constants : ViabilityConstants
        Of the species.

    Returns
    -------
    ndarray
        Standard deviation of seed deaths in time, of the shape the inputs broadcast to. [d]

    Notes
    -----
    .. math:: \log_{10}\sigma = K_E - C_W \log_{10} m - C_H t - C_Q t^2

    References
    ----------
    .. [1] Ellis and Roberts 1980, see the module.
    """
    moisture = np.asarray(moisture_percent, dtype=np.float64)
    temp = np.asarray(temp_c, dtype=np.float64)
    exponent = constants.ke - constants.cw * np.log10(moisture) - constants.ch * temp - constants.cq * temp**2
    return np.asarray(10.0**exponent)


def viability(initial: ArrayLike, days: ArrayLike, sigma_days: ArrayLike) -> Array:
    r"""Share of a lot that still germinates after a time in store [1]_.

    Parameters
    ----------
    initial : array_like
        Share that germinated at the start, between 0 and 1. [unitless]
    days : array_like
        Time in store. [d]
    sigma_days : array_like
        See :func:`longevity_sigma_days`. [d]

    Returns
    -------
    ndarray
        Share, never above ``initial`` for times after the start, of the shape the inputs broadcast to.
        [unitless]

    Notes
    -----
    .. math:: v = K_i - p / \sigma

    in probits. A lot that begins at exactly 0 or 1 stays there: its place on the curve is not known.

    References
    ----------
    .. [1] Ellis and Roberts 1980, see the module.
    """
    begin = ndtri(np.asarray(initial, dtype=np.float64))
    aged = np.asarray(days, dtype=np.float64) / np.asarray(sigma_days, dtype=np.float64)
    return np.asarray(ndtr(begin - aged))


def ageing_probits(
    temp_c: ArrayLike,
    hours: ArrayLike,
    moisture_percent: float,
    constants: ViabilityConstants = VIABILITY["lettuce"],
    pace: float = 1.0,
) -> float:
    """Return by how many probits viability falls in a store whose temperature changes.

    Ageing adds up: each hour takes its own share of the longevity at its temperature [1]_.

    Parameters
    ----------
    temp_c : array_like, shape (n,)
        Temperatures. [°C]
    hours : array_like, shape (n,)
        How long each lasted. [h]
    moisture_percent : float
        Moisture content of the seed. [%]
    constants : ViabilityConstants
        Of the species.
    pace : float, optional
        How much faster than raw seed this ages, see :data:`KEEPING`.
    """
    sigma = longevity_sigma_days(moisture_percent, temp_c, constants)
    return pace * float((np.asarray(hours, dtype=np.float64) / (24.0 * sigma)).sum())


@dataclass(frozen=True)
class Keeping:
    """How long seed of a form is kept."""

    limit_days: int
    """In stock at most. [d]"""
    pace: float
    """How much faster than raw seed it ages."""
    origin: str


KEEPING: dict[str, Keeping] = {
    "raw": Keeping(183, 1.0, "six months in stock at most: common practice, no source"),
    "pelleted": Keeping(
        183,
        1.5,
        "six months: common practice, no source; ages 1.5 times as fast, assumed: coated lettuce seed kept as well as"
        " raw seed in a good store and worse in a poor one (Roos 1979)",
    ),
    "primed": Keeping(
        92,
        3.0,
        "three months, assumed; ages 3 times as fast, assumed: priming shortened the life of lettuce seed by up to 84 %"
        " (Tarquis & Bradford 1992)",
    ),
}
"""By form of the seed [5]_, [6]_."""

STORE_WARM_C = 20.0
"""Seed is kept cold (common practice, no source); a store above this is not. Assumed. [°C]"""
STORE_HOT_C = 30.0
"""Seed that gets hot goes into thermal dormancy for a good while (common practice, no source). Assumed. [°C]"""
STORE_HOT_HOURS = 12.0
"""Hours above :data:`STORE_HOT_C` after which a lot is doubted. Assumed. [h]"""
STORE_TEMP_C = 20.0
"""Taken for a store that is not measured. Assumed. [°C]"""
STORE_MOISTURE_PERCENT = 6.0
"""Taken for seed of unknown moisture: dry lettuce seed in a closed pack. Assumed. [%]"""
TEST_AGE_DAYS = 183
"""A germination test older than that says little of the seed now: as long as seed is kept. Assumed. [d]"""


# --------------------------------------------------------------------------- germination tests

SEED_KIND: dict[str, str] = {
    "butterhead": "lettuce",
    "leaf": "lettuce",
    "romaine": "lettuce",
    "parsley": "parsley",
    "watercress": "cress_water",
}
"""Kind of seed by the name of the crop profile, as the law and the constants of ageing name it. Basil, coriander and
rocket have neither."""

FEDERAL_STANDARD_PERCENT: dict[str, int] = {
    "beet": 65,
    "celery": 55,
    "chard": 65,
    "chicory": 65,
    "chinese_cabbage": 75,
    "chives": 50,
    "collards": 80,
    "cornsalad": 70,
    "cress_garden": 75,
    "cress_upland": 60,
    "cress_water": 40,
    "dandelion": 60,
    "dill": 60,
    "endive": 70,
    "kale": 75,
    "lettuce": 80,
    "mustard_india": 75,
    "onion": 70,
    "pak_choi": 75,
    "parsley": 60,
    "radish": 75,
    "sage": 60,
    "savory_summer": 55,
    "sorrel": 65,
    "spinach": 60,
}
"""Least germination of seed sold without the words "Below Standard" in the United States [3]_, read in the
text of the law. Basil, coriander and arugula are not in it. [%]"""

# For 4 and 2 replicates, from a mean of 51 % upwards: the largest tolerance, the means from which on it and
# each smaller one (by 1) hold, and the highest mean in the table.
_TOLERANCES = {
    4: (20, (51, 56, 67, 73, 78, 81, 84, 87, 89, 91, 93, 95, 96, 97, 98, 99), 99),
    2: (16, (51, 54, 68, 76, 81, 84, 88, 90, 93, 95, 96), 97),
}


def tolerated_range_percent(mean_percent: ArrayLike, replicates: int = 4) -> Array:
    """Largest difference between replicates of 100 seeds that chance explains [1]_.

    A test with a larger one is to be repeated.

    Parameters
    ----------
    mean_percent : array_like
        Mean germination of the replicates, 0 to 100, rounded to whole percents. [%]
    replicates : int
        4 or 2.

    Returns
    -------
    ndarray
        Highest less lowest replicate that is tolerated, same shape; NaN where the table has none (at 0, 1 and
        100 %, and for two replicates above 97 % and below 4 %). [%]

    Raises
    ------
    ValueError
        If a mean is not 0 to 100, or replicates are neither 4 nor 2.

    References
    ----------
    .. [1] 7 CFR 201.55(a), read in the text of the law; see the module.
    """
    if replicates not in _TOLERANCES:
        raise ValueError(f"tolerances are given for 4 or 2 replicates, not {replicates}")
    mean = np.rint(np.asarray(mean_percent, dtype=np.float64))
    if not ((mean >= 0.0) & (mean <= 100.0)).all():
        raise ValueError("a mean germination lies between 0 and 100 %")
    largest, begins, highest = _TOLERANCES[replicates]
    upper = np.where(mean > 50.0, mean, 101.0 - mean)  # the table is printed once for both halves
    tolerance = largest + 1.0 - np.searchsorted(begins, upper, side="right")
    return np.where(upper <= highest, tolerance, np.nan)

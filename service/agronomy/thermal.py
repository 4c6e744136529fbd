"""Thermal time: temperature summed as far as it drives development.

Each degree above a base counts, up to an optimum; from there on heat takes away what it gave, down to nothing
at a ceiling. The three are the cardinal temperatures of a process, such as emergence or the appearance of
leaves.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def real(values: ArrayLike) -> Array:
    """Return numbers as an array of double precision, or as they are if in single."""
    given = np.asarray(values)
    return given if given.dtype == np.float32 else given.astype(np.float64, copy=False)


def thermal_rate(
    temp_c: ArrayLike, base_c: float, optimum_c: float = math.inf, ceiling_c: float = math.inf
) -> Array:
    r"""Effective degrees of a temperature.

    Parameters
    ----------
    temp_c : array_like
        Temperature. [°C]
    base_c : float
        At and below it nothing happens. [°C]
    optimum_c : float
        At it development is fastest. Infinite: there is no optimum, warmer is always faster. [°C]
    ceiling_c : float
        At and above it nothing happens. Infinite: above the optimum it stays as at the optimum. [°C]

    Returns
    -------
    ndarray
        Effective degrees, 0 to ``optimum_c - base_c``, same shape. [°C]

    Raises
    ------
    ValueError
        If base, optimum and ceiling do not rise.

    Notes
    -----
    .. math::

        r(T) = \begin{cases}
            T - T_b & T_b < T \le T_o \\
            (T_o - T_b) (T_c - T) / (T_c - T_o) & T_o < T < T_c \\
            0 & \text{otherwise}
        \end{cases}

    The bent-stick response of Garcia-Huidobro et al. [1]_, in use for the germination and emergence of many
    crops.

    References
    ----------
    .. [1] J. Garcia-Huidobro, J. L. Monteith and G. R. Squire, "Time, temperature and germination of pearl
       millet (Pennisetum typhoides S. & H.) I. Constant temperature", Journal of Experimental Botany 33,
       1982, pp. 288-296. From memory.
    """
    if not (base_c < optimum_c and (optimum_c < ceiling_c or math.isinf(ceiling_c))):
        raise ValueError(f"base {base_c:g}, optimum {optimum_c:g} and ceiling {ceiling_c:g} °C must rise")
    temp = real(temp_c)
    rate = np.clip(temp - base_c, 0.0, optimum_c - base_c)
    if math.isfinite(ceiling_c):
        left = np.clip((ceiling_c - temp) / (ceiling_c - optimum_c), 0.0, 1.0)
        rate = np.minimum(rate, left * (optimum_c - base_c))
    return np.asarray(rate)


def degree_days(
    temp_c_hourly: ArrayLike, base_c: float, optimum_c: float = math.inf, ceiling_c: float = math.inf
) -> Array:
    """Thermal time of a run of hours.

    Parameters
    ----------
    temp_c_hourly : array_like, shape (..., hours)
        Mean temperature of each hour. [°C]
    base_c, optimum_c, ceiling_c : float
        See :func:`thermal_rate`. [°C]

    Returns
    -------
    ndarray, shape (...)
        Thermal time. [°C d]

    Raises
    ------
    ValueError
        If base, optimum and ceiling do not rise.

    Notes
    -----
    Hours are summed after the response, not before: an average over cold and hot hours is no measure of
    either.
    """
    return np.asarray(thermal_rate(temp_c_hourly, base_c, optimum_c, ceiling_c).sum(axis=-1) / 24.0)

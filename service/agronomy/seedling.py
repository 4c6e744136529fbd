"""Seedlings: true leaves in thermal time, slower in dim light.

That the number of leaves of lettuce is linear in degree-days is published [1]_; how many degree-days a leaf
takes (the phyllochron), and how light changes it, is not. The phyllochron of a profile holds at the light it
was derived at, :data:`REFERENCE_DLI_MOL`. The response to light is assumed: a saturating curve, scaled to 1
there. Both are priors, to be corrected by counted leaves.

References
----------
.. [1] D. C. E. Wurr and J. R. Fellows, on leaf production and maturity of crisp lettuce, Journal of
   Agricultural Science, Cambridge, 1983 and 1984. Read in the abstract: linear above 0 °C from emergence on.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from service.agronomy.thermal import thermal_rate

Array = NDArray[np.float64]

REFERENCE_DLI_MOL = 21.0
"""Daily light integral at which phyllochrons are stated. [mol m⁻² d⁻¹]

Derived: 3 to 4 true leaves on day 11 under about 250 µmol m⁻² s⁻¹ for 24 h (Mattson, trade article).
"""

LEAST_LIGHT_FACTOR = 0.25
"""Leaf rate in the dark over the rate in good light; assumed: leaves still appear for a while. [unitless]"""


def light_factor(dli_mol: ArrayLike, dli_half_mol: float) -> Array:
    r"""How light changes the leaf rate; the shape is assumed.

    Parameters
    ----------
    dli_mol : array_like
        Light integral over the last 24 hours. [mol m⁻² d⁻¹]
    dli_half_mol : float
        Light integral at half the saturated rate; 0: light does not matter. [mol m⁻² d⁻¹]

    Returns
    -------
    ndarray
        Factor, 1 at :data:`REFERENCE_DLI_MOL`, never falling with light, between :data:`LEAST_LIGHT_FACTOR`
        and
        ``1 + dli_half_mol / REFERENCE_DLI_MOL``, same shape. [unitless]

    Raises
    ------
    ValueError
        If ``dli_half_mol`` is negative.

    Notes
    -----
    .. math:: f(D) = \max\left(f_0, \frac{D}{D + D_h} \cdot \frac{D_r + D_h}{D_r}\right)
    """
    if dli_half_mol < 0.0:
        raise ValueError(f"the light integral of half the rate is {dli_half_mol:g}, which is negative")
    dli = np.maximum(np.asarray(dli_mol, dtype=np.float64), 0.0)
    if dli_half_mol == 0.0:
        return np.ones_like(dli)
    saturated = 1.0 + dli_half_mol / REFERENCE_DLI_MOL
    return np.asarray(np.maximum(saturated * dli / (dli + dli_half_mol), LEAST_LIGHT_FACTOR))


def leaf_rate_per_hour(
    temp_c: ArrayLike,
    dli_24h_mol: ArrayLike,
    phyllochron_cd: float,
    base_c: float,
    optimum_c: float,
    ceiling_c: float,
    dli_half_mol: float,
) -> Array:
    """True leaves that appear in an hour.

    Parameters
    ----------
    temp_c : array_like
        Mean temperature of the hour. [°C]
    dli_24h_mol : array_like
        Light integral over the last 24 hours, see :func:`trailing_sum`. [mol m⁻² d⁻¹]
    phyllochron_cd : float
        Thermal time a true leaf, at :data:`REFERENCE_DLI_MOL`. [°C d]
    base_c, optimum_c, ceiling_c : float
        Cardinal temperatures, see :func:`service.agronomy.thermal.thermal_rate`. [°C]
    dli_half_mol : float
        See :func:`light_factor`. [mol m⁻² d⁻¹]

    Returns
    -------
    ndarray
        Leaf rate, never negative, of the shape the inputs broadcast to. [leaves h⁻¹]

    Raises
    ------
    ValueError
        If the phyllochron is not positive, the cardinal temperatures do not rise or ``dli_half_mol`` is
        negative.
    """
    if not phyllochron_cd > 0.0:
        raise ValueError(f"the phyllochron is {phyllochron_cd:g} °C d, which is not positive")
    degrees = thermal_rate(temp_c, base_c, optimum_c, ceiling_c)
    return np.asarray(degrees / (24.0 * phyllochron_cd) * light_factor(dli_24h_mol, dli_half_mol))


def trailing_sum(hourly: ArrayLike, hours: int = 24) -> Array:
    """Sum over the last hours, up to and with each hour.

    Parameters
    ----------
    hourly : array_like, shape (..., n)
        A value an hour, finite.
    hours : int
        How many hours to sum.

    Returns
    -------
    ndarray, shape (..., n)
        Sums. The first ``hours - 1``, before which not enough is known, repeat the first whole one, so that a
        record that begins at night is not taken for one that begins in the dark; if there is none, all are
        the mean times ``hours``.

    Raises
    ------
    ValueError
        If ``hours`` is not positive.
    """
    if hours < 1:
        raise ValueError(f"{hours} hours cannot be summed")
    values = np.asarray(hourly, dtype=np.float64)
    n = values.shape[-1]
    running = np.zeros((*values.shape[:-1], n + 1))
    np.cumsum(values, axis=-1, out=running[..., 1:])
    sums = np.empty_like(values)
    whole = min(hours, n)
    sums[..., whole:] = running[..., whole + 1 :] - running[..., 1 : n - whole + 1]
    if n:
        sums[..., :whole] = running[..., whole, None] * (hours / whole)
    return sums

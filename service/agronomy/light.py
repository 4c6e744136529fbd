"""Units of light, and the light integral.

Light that a crop can use is counted in photons of 400 to 700 nm: photosynthetic photon flux density (PPFD,
µmol m⁻² s⁻¹), and its sum over a day, the daily light integral (DLI, mol m⁻² d⁻¹). Instruments also give
power in that band (PAR, W m⁻²), power of the whole solar spectrum (global radiation, W m⁻²) or illuminance
(lux). How many photons these stand for depends on the spectrum, so each conversion names its source of light.

The share of PAR in global radiation enters in one place, :data:`PAR_FRACTION`. Photons from global radiation
go through PAR: :func:`ppfd_from_global_w_m2` is :func:`ppfd_from_par_w_m2` of that share, so that a chain of
conversions never mixes two fractions.

References
----------
.. [1] R. W. Thimijan and R. D. Heins, "Photometric, radiometric, and quantum light units of measure: a review
   of procedures for interconversion", HortScience 18, 1983, pp. 818-822. Values seen second-hand.
.. [2] J. E. Faust and J. Logan, "Daily light integral: a research review and high-resolution maps of the
   United States", HortScience 53, 2018, pp. 1250-1257. Read in the abstract: 0.007265 mol per Wh of global
   radiation, 45 % of it PAR.
.. [3] Apogee Instruments, conversion of PPFD to illuminance. Read in the original.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

PAR_FRACTION = 0.45
"""Share of PAR in global radiation, by energy. [unitless]

0.45 under a clear sky [2]_ (read in the abstract). Others: 0.50 (Spitters et al. 1986, as cited by van Henten
1994), up to 0.60 under heavy cloud (second-hand).
"""


@dataclass(frozen=True)
class LightSource:
    """What one kind of light amounts to in other units, and how far that can be trusted."""

    umol_per_j: float
    """Photons per energy, both of 400 to 700 nm. [µmol J⁻¹]"""
    lux_per_umol: float | None
    """Illuminance per PPFD. [lx per µmol m⁻² s⁻¹] None: illuminance says too little about the photons."""
    origin: str
    """Where the values are from."""


_THIMIJAN = "Thimijan & Heins 1983 [1], second-hand"

SOURCES: dict[str, LightSource] = {
    "sun": LightSource(4.57, 54.0, _THIMIJAN),
    "blue_sky": LightSource(4.24, 52.0, _THIMIJAN),
    "high_pressure_sodium": LightSource(4.98, 82.0, _THIMIJAN),
    "high_pressure_sodium_double_ended": LightSource(
        4.98, 77.0, "lux Apogee [3]; photons as single-ended, assumed"
    ),
    "metal_halide": LightSource(4.59, 71.0, _THIMIJAN),
    "ceramic_metal_halide_942": LightSource(4.59, 65.0, "lux Apogee [3]; photons as metal halide, assumed"),
    "ceramic_metal_halide_930": LightSource(4.59, 59.0, "lux Apogee [3]; photons as metal halide, assumed"),
    "cool_white_fluorescent": LightSource(4.59, 74.0, _THIMIJAN),
    "incandescent": LightSource(5.00, 50.0, _THIMIJAN),
    "white_led": LightSource(4.6, 65.0, "assumed; lux 60 to 70 from memory, differs between lamps"),
    "red_blue_led": LightSource(
        5.0, None, "photons computed for 660 and 450 nm at 4 to 1, assumed; lux is no measure"
    ),
}
"""Kinds of light by name."""


def ppfd_from_par_w_m2(par_w_m2: ArrayLike, source: str = "sun") -> Array:
    """PPFD of a power of 400 to 700 nm.

    Parameters
    ----------
    par_w_m2 : array_like
        Photosynthetically active radiation. [W m⁻²]
    source : str
        A name in :data:`SOURCES`.

    Returns
    -------
    ndarray
        Photosynthetic photon flux density, same shape. [µmol m⁻² s⁻¹]

    Raises
    ------
    ValueError
        If the source is not known.

    References
    ----------
    .. [1] Thimijan and Heins 1983, see the module.
    """
    return np.asarray(par_w_m2, dtype=np.float64) * _source(source).umol_per_j


def par_w_m2_from_ppfd(ppfd_umol: ArrayLike, source: str = "sun") -> Array:
    """Power of 400 to 700 nm in a PPFD; the inverse of :func:`ppfd_from_par_w_m2`. [W m⁻²]

    Raises
    ------
    ValueError
        If the source is not known.
    """
    return np.asarray(ppfd_umol, dtype=np.float64) / _source(source).umol_per_j


def ppfd_from_global_w_m2(global_w_m2: ArrayLike, par_fraction: float = PAR_FRACTION) -> Array:
    """PPFD of sunlight from global radiation.

    Parameters
    ----------
    global_w_m2 : array_like
        Global (shortwave) radiation, 300 to 3000 nm. [W m⁻²]
    par_fraction : float
        Share of PAR in it. [unitless]

    Returns
    -------
    ndarray
        Photosynthetic photon flux density, same shape. [µmol m⁻² s⁻¹]

    Notes
    -----
    0.45 x 4.57 = 2.057 µmol J⁻¹. Faust and Logan [1]_ have 0.007265 mol Wh⁻¹ = 2.018 µmol J⁻¹, 1.9 % less:
    they count 4.48 µmol in a joule of PAR.

    References
    ----------
    .. [1] Faust and Logan 2018, see the module.
    """
    return ppfd_from_par_w_m2(np.asarray(global_w_m2, dtype=np.float64) * par_fraction)


def ppfd_from_lux(lux: ArrayLike, source: str) -> Array:
    """PPFD from illuminance.

    Parameters
    ----------
    lux : array_like
        Illuminance. [lx]
    source : str
        A name in :data:`SOURCES`.

    Returns
    -------
    ndarray
        Photosynthetic photon flux density, same shape. [µmol m⁻² s⁻¹]

    Raises
    ------
    ValueError
        If the source is not known, or one whose illuminance says too little about its photons.

    References
    ----------
    .. [1] Thimijan and Heins 1983, and [3] of the module.
    """
    return np.asarray(lux, dtype=np.float64) / _lux_per_umol(source)


def lux_from_ppfd(ppfd_umol: ArrayLike, source: str) -> Array:
    """Illuminance of a PPFD; the inverse of :func:`ppfd_from_lux`. [lx]

    Raises
    ------
    ValueError
        If the source is not known, or one whose illuminance says too little about its photons.
    """
    return np.asarray(ppfd_umol, dtype=np.float64) * _lux_per_umol(source)


def dli_mol(ppfd_umol: ArrayLike, hours: ArrayLike) -> Array:
    """Light integral of a steady PPFD.

    Parameters
    ----------
    ppfd_umol : array_like
        Photosynthetic photon flux density. [µmol m⁻² s⁻¹]
    hours : array_like
        How long, in a day for a daily light integral. [h]

    Returns
    -------
    ndarray
        Light integral, of the shape both broadcast to. [mol m⁻²]
    """
    return np.asarray(ppfd_umol, dtype=np.float64) * np.asarray(hours, dtype=np.float64) * 3600.0 / 1e6


def light_mol_from_global_mj(global_mj: ArrayLike, par_fraction: float = PAR_FRACTION) -> Array:
    """Photons in an amount of sunlight.

    Parameters
    ----------
    global_mj : array_like
        Global radiation, summed over any time. [MJ m⁻²]
    par_fraction : float
        Share of PAR in it. [unitless]

    Returns
    -------
    ndarray
        Light integral over the same time, same shape. [mol m⁻²]
    """
    return ppfd_from_global_w_m2(global_mj, par_fraction)  # µmol J⁻¹ and mol MJ⁻¹ are the same


def _source(name: str) -> LightSource:
    try:
        return SOURCES[name]
    except KeyError:
        raise ValueError(f"{name!r} is not a light source; sources are {', '.join(SOURCES)}") from None


def _lux_per_umol(name: str) -> float:
    factor = _source(name).lux_per_umol
    if factor is None:
        raise ValueError(f"lux says nothing about the photons of {name!r}")
    return factor

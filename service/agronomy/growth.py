r"""Dry matter of a lettuce-like crop: the two-state model of van Henten.

A crop holds non-structural dry matter (sugars and starch, :math:`X_n`) and structural dry matter
(:math:`X_s`). Light, temperature and carbon dioxide drive gross photosynthesis; structure grows from the
reserves and both cost respiration [1]_:

.. math::

    \dot X_n &= c_\alpha f_{phot} - f_{resp} - r_{gr} X_s / c_\beta \\
    \dot X_s &= r_{gr} X_s

The published parameters are the defaults of :class:`GrowthParameters`. Two guards are ours: carboxylation
conductance and reserves never become negative, so that absurd input gives a bounded answer; what maintenance
could not be paid from the reserves is counted, so that the carbon balance closes exactly.

The model alone responds too little to temperature while the canopy is open: its young lettuce grows at 0.24 a
day at 10 °C and 0.35 at 22 °C in good light, where 0.11 and 0.35 were measured [2]_. So the growth of structure,
the sink, may be given another temperature response than the published one of :math:`c_{Q10,gr}`: in proportion
to the degrees above a base, up to an optimum, by crop (:func:`open_canopy_factor`). Light stays what feeds the
crop. In good light young plants are then held back by the cold, since reserves pile up unused; in weak light,
and under a closed canopy, it hardly shows. What agrees and what does not is tested in
``tests/science/test_growth_temperature.py`` and ``test_crops.py``:

* Lettuce above a base of 5 °C: 0.16 a day at 10 °C, 0.35 at 22 °C. A base of 7 °C would meet 0.12, but takes 10
  to 12 % from the crops grown at 10 to 14 °C with which the model was published; 5 °C takes 6 %.
* Basil, rocket and coriander above the base of their leaves: fresh weight rises from 18 to 27 or 24 °C by 109, 68
  and 39 %, where 106, 62 and 41 % were measured [3]_.
* Not met: the optimum at high carbon dioxide (30 °C measured [4]_, 20 to 25 °C here), that of basil in weak
  light, and the gain of butterhead from warmer days in weak light. They would ask for another response of
  photosynthesis, whose conductance peaks at 22.5 °C.

References
----------
.. [1] E.J. van Henten, "Validation of a dynamic lettuce growth model for greenhouse climate control",
   Agricultural Systems 45, 1994, pp. 55-72.
.. [2] A. Scaife, "The early relative growth rates of six lettuce cultivars as affected by temperature",
   Annals of Applied Biology 74, 1973, pp. 119-128: 0.11 per day at 10 °C, 0.35 per day at 22 °C in high light,
   sigmoid between (abstract).
.. [3] L.M. Mortensen, "The effect of air temperature on growth of eight herb species", American Journal of Plant
   Sciences 5, 2014, at 29.6 mol m⁻² d⁻¹ (abstract).
.. [4] J.M. Frantz et al., "Exploring the limits of crop productivity: beyond the limits of tipburn in lettuce",
   Journal of the American Society for Horticultural Science 129, 2004, pp. 331-338 (abstract).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from service.agronomy import stepping
from service.agronomy.thermal import real, thermal_rate

Array = NDArray[np.float64]

SECONDS_PER_HOUR = 3600.0
_HOURS_AT_ONCE = 48  # of some hundred members: what is worked on stays in the processor's cache
REFERENCE_C = 22.0  # where the temperature response of young plants leaves the model as published


@dataclass(frozen=True)
class GrowthParameters:
    """Parameters of van Henten (1994), table and text, under readable names.

    ``root_fraction`` was measured in soil; 0.07 is in use for hydroponic lettuce (van Henten & van Straten 1994,
    as implemented elsewhere). Validation uses the published 0.15.
    """

    dry_matter_per_co2: float = 30.0 / 44.0  # c_alpha, g CH2O per g CO2
    yield_factor: float = 0.8  # c_beta
    growth_rate_max: float = 5.0e-6  # c_gr,max at 20 °C, s-1
    reserve_constant: float = 1.0  # c_gamma
    growth_q10: float = 1.6
    respiration_shoot: float = 3.47e-7  # at 25 °C, s-1
    respiration_root: float = 1.16e-7  # at 25 °C, s-1
    respiration_q10: float = 2.0
    root_fraction: float = 0.15  # c_tau
    extinction: float = 0.9  # c_K
    leaf_area_ratio: float = 75.0e-3  # c_lar, m2 g-1 of structural shoot dry matter
    co2_density: float = 1.83e-3  # c_omega, g m-3 ppm-1
    compensation_co2: float = 40.0  # c_Gamma at 20 °C, ppm
    compensation_q10: float = 2.0
    light_use: float = 17.0e-6  # c_epsilon, g J-1
    conductance_boundary: float = 0.007  # m s-1
    conductance_stomata: float = 0.005  # m s-1
    carboxylation: tuple[float, float, float] = (-1.32e-5, 5.94e-4, -2.64e-3)  # m s-1 per °C2, per °C, -

    @property
    def canopy_constant(self) -> float:
        """Canopy light interception per structural dry matter. [m² g⁻¹]"""
        return self.extinction * self.leaf_area_ratio * (1.0 - self.root_fraction)


PUBLISHED = GrowthParameters()


def compensation_point_ppm(temp_c: ArrayLike, parameters: GrowthParameters = PUBLISHED) -> Array:
    """Carbon dioxide compensation point, eq. 7. [ppm]"""
    temp = real(temp_c)
    return np.asarray(parameters.compensation_co2 * _q10_factor(parameters.compensation_q10, temp, 20.0))


def light_use_efficiency(
    temp_c: ArrayLike, co2_ppm: ArrayLike, parameters: GrowthParameters = PUBLISHED
) -> Array:
    """Light use efficiency, eq. 8; zero at and below the compensation point. [g J⁻¹]"""
    return _efficiency(compensation_point_ppm(temp_c, parameters), real(co2_ppm), parameters)


def _efficiency(gamma: Array, co2_ppm: Array, parameters: GrowthParameters) -> Array:
    co2 = np.maximum(co2_ppm, gamma)
    return np.asarray(parameters.light_use * (co2 - gamma) / (co2 + 2.0 * gamma))


def carboxylation_conductance(temp_c: ArrayLike, parameters: GrowthParameters = PUBLISHED) -> Array:
    """Carboxylation conductance, eq. 10; zero outside about 5 to 40 °C. [m s⁻¹]"""
    temp = real(temp_c)
    a, b, c = parameters.carboxylation
    return np.maximum((a * temp + b) * temp + c, 0.0)


def photosynthesis_max(
    par_w_m2: ArrayLike, temp_c: ArrayLike, co2_ppm: ArrayLike, parameters: GrowthParameters = PUBLISHED
) -> Array:
    """Gross carbon dioxide assimilation of a canopy that intercepts all light, eq. 6 and 9.

    Parameters
    ----------
    par_w_m2 : array_like
        Photosynthetically active radiation at the canopy. [W m⁻²]
    temp_c : array_like
        Air temperature. [°C]
    co2_ppm : array_like
        Carbon dioxide concentration. [ppm]

    Returns
    -------
    ndarray
        Assimilation, never negative. [g CO2 m⁻² s⁻¹]
    """
    par, co2 = np.maximum(real(par_w_m2), 0.0), real(co2_ppm)
    gamma = compensation_point_ppm(temp_c, parameters)
    light_limited = _efficiency(gamma, co2, parameters) * par
    g_car = carboxylation_conductance(temp_c, parameters)
    resistance = 1.0 / parameters.conductance_boundary + 1.0 / parameters.conductance_stomata
    g_co2 = g_car / (1.0 + g_car * resistance)  # the series of eq. 9, finite where g_car is zero
    co2_excess = np.maximum(co2 - gamma, 0.0)
    supply_limited = g_co2 * parameters.co2_density * co2_excess
    total = light_limited + supply_limited
    return np.where(total > 0.0, light_limited * supply_limited / np.where(total > 0.0, total, 1.0), 0.0)


def canopy_cover(structural_g_m2: ArrayLike, parameters: GrowthParameters = PUBLISHED) -> Array:
    """Share of the light that the canopy intercepts, eq. 5. [0..1]"""
    xs = np.asarray(structural_g_m2, dtype=np.float64)
    return np.asarray(-np.expm1(-parameters.canopy_constant * xs))


def growth_rate(
    nonstructural_g_m2: ArrayLike,
    structural_g_m2: ArrayLike,
    temp_c: ArrayLike,
    parameters: GrowthParameters = PUBLISHED,
) -> Array:
    """Specific growth rate of structure, eq. 3. [s⁻¹]"""
    xn = np.asarray(nonstructural_g_m2, dtype=np.float64)
    xs = np.asarray(structural_g_m2, dtype=np.float64)
    return np.asarray(growth_potential(temp_c, parameters) * xn / (parameters.reserve_constant * xs + xn))


def growth_potential(temp_c: ArrayLike, parameters: GrowthParameters = PUBLISHED) -> Array:
    """Specific growth rate with unlimited reserves. [s⁻¹]"""
    temp = real(temp_c)
    return np.asarray(parameters.growth_rate_max * _q10_factor(parameters.growth_q10, temp, 20.0))


def maintenance_rate(temp_c: ArrayLike, parameters: GrowthParameters = PUBLISHED) -> Array:
    """Maintenance respiration per structural dry matter, eq. 4. [s⁻¹]"""
    temp = real(temp_c)
    share = (
        parameters.respiration_shoot * (1.0 - parameters.root_fraction)
        + parameters.respiration_root * parameters.root_fraction
    )
    return np.asarray(share * _q10_factor(parameters.respiration_q10, temp, 25.0))


def _q10_factor(q10: float, temp_c: Array, reference_c: float) -> Array:
    return np.exp((temp_c - reference_c) * (math.log(q10) / 10.0))  # several times as fast as a power


def rates(
    nonstructural_g_m2: ArrayLike,
    structural_g_m2: ArrayLike,
    temp_c: ArrayLike,
    par_w_m2: ArrayLike,
    co2_ppm: ArrayLike,
    parameters: GrowthParameters = PUBLISHED,
) -> tuple[Array, Array]:
    """Rates of change of the two states, eq. 1 and 2, as published.

    Returns
    -------
    tuple of ndarray
        Change of non-structural and of structural dry matter. [g m⁻² s⁻¹]
    """
    xs = np.asarray(structural_g_m2, dtype=np.float64)
    assimilation = (
        parameters.dry_matter_per_co2
        * canopy_cover(xs, parameters)
        * photosynthesis_max(par_w_m2, temp_c, co2_ppm, parameters)
    )
    structure = growth_rate(nonstructural_g_m2, xs, temp_c, parameters) * xs
    maintenance = maintenance_rate(temp_c, parameters) * xs
    return np.asarray(assimilation - maintenance - structure / parameters.yield_factor), np.asarray(structure)


def open_canopy_factor(
    temp_c: ArrayLike, base_c: float, optimum_c: float, ceiling_c: float, reference_c: float = REFERENCE_C
) -> Array:
    """Temperature response of the growth of structure, 1 at ``reference_c``.

    Parameters
    ----------
    temp_c : array_like
        Air temperature. [°C]
    base_c, optimum_c, ceiling_c : float
        Cardinal temperatures of the response. [°C]
    reference_c : float
        Temperature at which the model is taken as published. [°C]

    Notes
    -----
    See the module: it replaces the published :math:`c_{Q10,gr}`. It is felt while the canopy is open, where each
    gram of structure catches light of its own, and fades as the canopy closes, where light decides.
    """
    scale = float(thermal_rate(reference_c, base_c, optimum_c, ceiling_c))
    return np.asarray(thermal_rate(temp_c, base_c, optimum_c, ceiling_c) / scale)


class HourlyDrivers(NamedTuple):
    """What an hour of conditions does to any crop of one kind, each of shape (hours, rows), per hour.

    A row is one member of one zone's conditions.
    """

    assimilation: Array  # dry matter under full cover, g m-2 h-1
    growth: Array  # specific growth rate of structure with unlimited reserves, h-1
    maintenance: Array  # per structural dry matter, h-1


def hourly_drivers(
    par_w_m2: Array,
    temp_c: Array,
    co2_ppm: float | Array,
    parameters: GrowthParameters = PUBLISHED,
    open_canopy: tuple[float, float, float] | None = None,
    *,
    single: bool = False,
) -> HourlyDrivers:
    """Turn hourly conditions of shape (rows, hours) into drivers of shape (hours, rows).

    Parameters
    ----------
    par_w_m2, temp_c : ndarray
        Hourly mean PAR and air temperature. [W m⁻²], [°C]
    co2_ppm : float or ndarray
        Carbon dioxide concentration, one for all or of the same shape. [ppm]
    open_canopy : tuple, optional
        Cardinal temperatures of :func:`open_canopy_factor`; none: the model as published.
    single : bool
        Compute in single precision: drivers are a millionth off, in half the time.

    Raises
    ------
    ValueError
        If a condition is missing (nan) or not finite.
    """
    for name, column in (("PAR", par_w_m2), ("temperature", temp_c), ("carbon dioxide", co2_ppm)):
        if not np.isfinite(column).all():
            raise ValueError(f"{name} is missing or not finite in some hours")
    shape = temp_c.shape[::-1]
    kind = np.float32 if single else np.float64
    co2_of_each = np.asarray(co2_ppm, dtype=kind)
    found = HourlyDrivers(*(np.zeros(shape, dtype=kind) for _ in HourlyDrivers._fields))
    fixed_by_hour = SECONDS_PER_HOUR * parameters.dry_matter_per_co2
    at_reference = float(growth_potential(REFERENCE_C, parameters))
    for begin in range(0, shape[0], _HOURS_AT_ONCE):
        hours = slice(begin, begin + _HOURS_AT_ONCE)
        temp = np.ascontiguousarray(temp_c[:, hours].T, dtype=kind)
        par = np.ascontiguousarray(par_w_m2[:, hours].T, dtype=kind)
        if (temp == temp[:, :1]).all() and (par == par[:, :1]).all():
            temp, par = temp[:, :1], par[:, :1]  # measured hours are the same in all members: once is enough
        lit = par.any(axis=1)
        co2 = co2_of_each[:, hours].T[lit] if co2_of_each.ndim else co2_of_each
        found.assimilation[hours][lit] = fixed_by_hour * photosynthesis_max(
            par[lit], temp[lit], co2, parameters
        )
        if open_canopy is None:
            potential = growth_potential(temp, parameters)
        else:
            potential = at_reference * open_canopy_factor(temp, *open_canopy)
        np.multiply(potential, SECONDS_PER_HOUR, out=found.growth[hours])
        np.multiply(maintenance_rate(temp, parameters), SECONDS_PER_HOUR, out=found.maintenance[hours])
    return found


class GrowthRun(NamedTuple):
    """What became of each lane."""

    reached: Array  # (targets, lanes): hours after the first hour at which the target was passed; inf: not
    at_look: Array  # (lanes,): shoot dry matter at the look hour, g a plant


class Balance(NamedTuple):
    """Carbon account of a run, dry matter in g a plant, each of shape (lanes,)."""

    assimilated: Array
    respired: Array
    unpaid: Array  # maintenance for which there were no reserves
    nonstructural: Array
    structural: Array


def grow(
    nursery: HourlyDrivers,
    channels: HourlyDrivers,
    row: NDArray[np.intp],
    start_h: Array,
    move_h: Array,
    start_g: Array,
    plants_m2: tuple[Array, Array],
    multiplier: Array,
    target_g: Array,
    look_h: float,
    parameters: GrowthParameters = PUBLISHED,
    stop_early: bool = True,
    account: bool = True,
) -> tuple[GrowthRun, Balance | None]:
    """Grow many lanes (batch times member) at once, hour by hour, from emergence to the targets.

    Parameters
    ----------
    nursery, channels : HourlyDrivers
        Conditions of both zones over the same hours; shape (hours, rows).
    row : ndarray of int, shape (lanes,)
        Which row of the drivers a lane lives in.
    start_h, move_h : ndarray, shape (lanes,)
        When a lane emerges and when it is transplanted. [hours after the first hour; may be fractions or inf]
    start_g : ndarray, shape (lanes,)
        Dry matter at the start, three quarters of it structural [1]_. [g a plant]
    plants_m2 : tuple of ndarray, shape (lanes,)
        Density in the nursery and in the channels. [plants m⁻²]
    multiplier : ndarray, shape (lanes,)
        Growth multiplier on assimilation. [-]
    target_g : ndarray, shape (targets, lanes)
        Shoot dry matter to reach, rising along the first axis. [g a plant]
    look_h : float
        Hour at whose start the shoot dry matter is reported.
    stop_early : bool
        Leave a lane when it has reached its last target.
    account : bool
        Keep the carbon account, which costs time.

    Returns
    -------
    GrowthRun, Balance
        The balance is none without ``account``.

    Raises
    ------
    ValueError
        If drivers or lanes are missing (nan) or not as described.

    Notes
    -----
    The step is one hour, second order: the smooth functions of state (cover, reserve share, structure) are
    extrapolated to the middle of the hour from this and the hour before, so each hour needs one exponential
    and one division a lane. Against a tight adaptive integrator over 60 days (2 to 25 mol m⁻² d⁻¹, 8 to 28 °C):
    within 0.1 % of weight. A hot canopy that exhausts its reserves is held at none, where the printed equations
    go below.
    Emergence and the move scale the hour in which they fall by its share after them, so that dates stay
    continuous in the input.

    References
    ----------
    .. [1] van Henten 1994, see the module.
    """
    _refuse_absurd_lanes(
        nursery, channels, row, start_h, move_h, start_g, plants_m2, multiplier, target_g, look_h
    )
    crop = stepping.Coefficients(
        parameters.reserve_constant,
        parameters.canopy_constant,
        parameters.yield_factor,
        1.0 - parameters.root_fraction,
    )
    lanes = stepping.Lanes.new(
        row,
        start_h,
        move_h,
        start_g,
        (1.0 / plants_m2[0], 1.0 / plants_m2[1]),
        multiplier,
        target_g,
        crop,
        account,
    )
    zones = stepping.Zones(
        (nursery.growth, channels.growth),
        (nursery.maintenance, channels.maintenance),
        (nursery.assimilation, channels.assimilation),
    )
    stepping.run(lanes, zones, crop, look_h, stop_early)
    run = GrowthRun(lanes.reached, lanes.at_look)
    if lanes.account is None:
        return run, None
    assimilated, respired, unpaid = lanes.account
    nonstructural = lanes.ground * lanes.reserves / crop.yield_factor
    return run, Balance(assimilated, respired, unpaid, nonstructural, lanes.ground * lanes.structure)


def _refuse_absurd_lanes(
    nursery: HourlyDrivers,
    channels: HourlyDrivers,
    row: NDArray[np.intp],
    start_h: Array,
    move_h: Array,
    start_g: Array,
    plants_m2: tuple[Array, Array],
    multiplier: Array,
    target_g: Array,
    look_h: float,
) -> None:
    shapes = {column.shape for column in (*nursery, *channels)}
    if len(shapes) > 1:
        raise ValueError("nursery and channels must span the same hours and rows")
    if not all(
        column.min(initial=0.0) >= 0.0 and column.max(initial=0.0) < np.inf
        for column in (*nursery, *channels)
    ):
        raise ValueError("drivers must be finite and not negative")
    if row.size and not 0 <= row.min() <= row.max() < nursery.growth.shape[1]:
        raise ValueError("a lane's row is not among the drivers")
    for name, column in (
        ("start dry matter", start_g),
        ("density", np.stack(plants_m2)),
        ("multiplier", multiplier),
    ):
        if not (np.isfinite(column) & (column > 0.0)).all():
            raise ValueError(f"{name} must be positive")
    for name, given in (
        ("start", start_h),
        ("move", move_h),
        ("target", target_g),
        ("look", np.array(look_h)),
    ):
        if np.isnan(given).any():
            raise ValueError(f"{name} is missing (nan)")

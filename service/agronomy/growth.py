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

The model alone hardly responds to temperature while the canopy is open, where measured relative growth rates
do [2]_; :func:`open_canopy_factor` adds that response and vanishes as the canopy closes.

References
----------
.. [1] E.J. van Henten, "Validation of a dynamic lettuce growth model for greenhouse climate control",
   Agricultural Systems 45, 1994, pp. 55-72.
.. [2] A. Scaife, "The early relative growth rates of six lettuce cultivars as affected by temperature",
   Annals of Applied Biology 74, 1973, pp. 119-128: 0.11 per day at 10 °C, 0.35 per day at 22 °C (abstract).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from service.agronomy.thermal import thermal_rate

Array = NDArray[np.float64]

SECONDS_PER_HOUR = 3600.0


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
    temp = np.asarray(temp_c, dtype=np.float64)
    return np.asarray(parameters.compensation_co2 * parameters.compensation_q10 ** ((temp - 20.0) / 10.0))


def light_use_efficiency(
    temp_c: ArrayLike, co2_ppm: ArrayLike, parameters: GrowthParameters = PUBLISHED
) -> Array:
    """Light use efficiency, eq. 8; zero at and below the compensation point. [g J⁻¹]"""
    gamma = compensation_point_ppm(temp_c, parameters)
    co2 = np.maximum(np.asarray(co2_ppm, dtype=np.float64), gamma)
    return np.asarray(parameters.light_use * (co2 - gamma) / (co2 + 2.0 * gamma))


def carboxylation_conductance(temp_c: ArrayLike, parameters: GrowthParameters = PUBLISHED) -> Array:
    """Carboxylation conductance, eq. 10; zero outside about 5 to 40 °C. [m s⁻¹]"""
    temp = np.asarray(temp_c, dtype=np.float64)
    a, b, c = parameters.carboxylation
    return np.maximum(a * temp**2 + b * temp + c, 0.0)


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
    par = np.maximum(np.asarray(par_w_m2, dtype=np.float64), 0.0)
    gamma = compensation_point_ppm(temp_c, parameters)
    light_limited = light_use_efficiency(temp_c, co2_ppm, parameters) * par
    g_car = carboxylation_conductance(temp_c, parameters)
    resistance = 1.0 / parameters.conductance_boundary + 1.0 / parameters.conductance_stomata
    g_co2 = g_car / (1.0 + g_car * resistance)  # the series of eq. 9, finite where g_car is zero
    co2_excess = np.maximum(np.asarray(co2_ppm, dtype=np.float64) - gamma, 0.0)
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
    temp = np.asarray(temp_c, dtype=np.float64)
    return np.asarray(parameters.growth_rate_max * parameters.growth_q10 ** ((temp - 20.0) / 10.0))


def maintenance_rate(temp_c: ArrayLike, parameters: GrowthParameters = PUBLISHED) -> Array:
    """Maintenance respiration per structural dry matter, eq. 4. [s⁻¹]"""
    temp = np.asarray(temp_c, dtype=np.float64)
    share = (
        parameters.respiration_shoot * (1.0 - parameters.root_fraction)
        + parameters.respiration_root * parameters.root_fraction
    )
    return np.asarray(share * parameters.respiration_q10 ** ((temp - 25.0) / 10.0))


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
    temp_c: ArrayLike, base_c: float, optimum_c: float, ceiling_c: float, reference_c: float = 22.0
) -> Array:
    """Temperature response of photosynthesis while leaves do not yet shade each other, 1 at ``reference_c``.

    Young plants grow with temperature mostly because they spread their leaves faster. The model has a fixed leaf
    area ratio, so the response is put on the assimilation of the uncovered share (see :func:`grow`).

    Parameters
    ----------
    temp_c : array_like
        Air temperature. [°C]
    base_c, optimum_c, ceiling_c : float
        Cardinal temperatures of the response. [°C]
    reference_c : float
        Temperature at which the model is taken as published. [°C]
    """
    scale = float(thermal_rate(reference_c, base_c, optimum_c, ceiling_c))
    return np.asarray(thermal_rate(temp_c, base_c, optimum_c, ceiling_c) / scale)


class HourlyDrivers(NamedTuple):
    """What an hour of conditions does to any crop of one kind, each of shape (hours, rows), per hour.

    A row is one member of one zone's conditions.
    """

    closed: Array  # assimilated dry matter under full cover, g m-2 h-1
    opened: Array  # the same, with the response of an open canopy to temperature
    growth: Array  # specific growth rate with unlimited reserves, h-1
    maintenance: Array  # per structural dry matter, h-1


def hourly_drivers(
    par_w_m2: Array,
    temp_c: Array,
    co2_ppm: float,
    parameters: GrowthParameters = PUBLISHED,
    open_canopy: tuple[float, float, float] | None = None,
) -> HourlyDrivers:
    """Turn hourly conditions of shape (rows, hours) into drivers of shape (hours, rows).

    Parameters
    ----------
    par_w_m2, temp_c : ndarray
        Hourly mean PAR and air temperature. [W m⁻²], [°C]
    co2_ppm : float
        Carbon dioxide concentration. [ppm]
    open_canopy : tuple, optional
        Cardinal temperatures of :func:`open_canopy_factor`; none: the model as published.
    """
    temp = np.ascontiguousarray(temp_c.T)
    par = np.ascontiguousarray(par_w_m2.T)
    closed = (
        SECONDS_PER_HOUR * parameters.dry_matter_per_co2 * photosynthesis_max(par, temp, co2_ppm, parameters)
    )
    opened = closed if open_canopy is None else closed * open_canopy_factor(temp, *open_canopy)
    return HourlyDrivers(
        closed=closed,
        opened=opened,
        growth=SECONDS_PER_HOUR * growth_potential(temp, parameters),
        maintenance=SECONDS_PER_HOUR * maintenance_rate(temp, parameters),
    )


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
) -> tuple[GrowthRun, Balance]:
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
        Stop when every lane has reached its last target.

    Returns
    -------
    GrowthRun, Balance

    Notes
    -----
    The step is one hour, second order: the smooth functions of state (cover, reserve share, structure) are
    extrapolated to the middle of the hour from this and the hour before, so each hour needs one exponential
    and one division a lane. Against a tight adaptive integrator: within 0.2 % of weight over 60 days.
    """
    hours = nursery.closed.shape[0]
    lanes = row.shape[0]
    k = parameters.canopy_constant
    shoot = 1.0 - parameters.root_fraction
    xs = 0.75 * start_g
    xn = 0.25 * start_g
    reached = np.full((target_g.shape[0], lanes), np.inf)
    at_look = start_g * (0.25 + 0.75 * shoot)
    assimilated, respired, unpaid = np.zeros(lanes), np.zeros(lanes), np.zeros(lanes)
    if not hours or not lanes:
        return GrowthRun(reached, at_look), Balance(assimilated, respired, unpaid, xn, xs)
    weight = xn + shoot * xs
    reached[target_g <= weight] = 0.0
    area_nursery, area_channels = 1.0 / plants_m2[0], 1.0 / plants_m2[1]
    before: tuple[Array, Array, Array] | None = None
    first = np.floor(np.clip(np.min(start_h), 0.0, hours))
    for hour in range(int(first), hours):
        if hour <= look_h < hour + 1:
            at_look = weight.copy()
        # Share of this hour after emergence, and after the move: dates stay continuous in the input.
        alive = np.clip(hour + 1.0 - start_h, 0.0, 1.0)
        moved = np.clip(hour + 1.0 - move_h, 0.0, 1.0)
        closed = _mix(nursery.closed[hour], channels.closed[hour], row, moved)
        opened = _mix(nursery.opened[hour], channels.opened[hour], row, moved)
        growth = _mix(nursery.growth[hour], channels.growth[hour], row, moved)
        maintenance = _mix(nursery.maintenance[hour], channels.maintenance[hour], row, moved)
        area = area_nursery + (area_channels - area_nursery) * moved  # ground area of a plant, m2

        cover = -np.expm1(-k * xs / area)
        reserve = xn * xs / (parameters.reserve_constant * xs + xn)
        if before is None:
            cover_mid, reserve_mid, xs_mid = cover, reserve, xs
        else:
            # A lane that has just emerged or moved has no past to extrapolate from.
            steady = ((alive >= 1.0) & ((moved <= 0.0) | (hour >= move_h + 1.0))) * 0.5
            cover_mid = np.clip(cover + steady * (cover - before[0]), 0.0, 1.0)
            reserve_mid = np.maximum(reserve + steady * (reserve - before[1]), 0.0)
            xs_mid = xs + steady * (xs - before[2])
        before = (cover, reserve, xs)

        gain = alive * multiplier * area * cover_mid * (opened + (closed - opened) * cover_mid)
        upkeep = alive * maintenance * xs_mid
        structure = alive * growth * reserve_mid
        available = xn + gain
        paid = np.minimum(upkeep, available)
        structure = np.minimum(structure, (available - paid) * parameters.yield_factor)
        xn = np.maximum(available - paid - structure / parameters.yield_factor, 0.0)
        xs = xs + structure
        assimilated += gain
        respired += paid + structure * (1.0 / parameters.yield_factor - 1.0)
        unpaid += upkeep - paid

        was, weight = weight, xn + shoot * xs
        passed = (weight >= target_g) & np.isinf(reached)
        if passed.any():
            step = np.where(weight > was, weight - was, 1.0)
            share = np.clip((target_g - was) / step, 0.0, 1.0)
            reached = np.where(passed, hour + share, reached)
            if stop_early and hour >= look_h and np.isfinite(reached[-1]).all():
                break
    if look_h >= hours:
        at_look = weight
    return GrowthRun(reached, at_look), Balance(assimilated, respired, unpaid, xn, xs)


def _mix(nursery: Array, channels: Array, row: NDArray[np.intp], moved: Array) -> Array:
    in_nursery = nursery[row]
    return np.asarray(in_nursery + (channels[row] - in_nursery) * moved)

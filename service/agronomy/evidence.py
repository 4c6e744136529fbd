"""Evidence: what counts, weights and cuts of past batches say about a crop's multipliers.

Every count is held against the leaves, every weight against the head that the measured hours give at multiplier 1,
all batches of one crop in one pair of zones at once. A weight becomes the growth multiplier that the model would
need; a cut without a weight says when heads were ready, and so between which multipliers growth lay. All results
are log multipliers, for :mod:`service.agronomy.calibration`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from service.agronomy import forecast, growth
from service.agronomy.outlook import Measured, Outlook
from service.agronomy.profile import CropProfile

Array = NDArray[np.float64]
Index = NDArray[np.intp]

LEAST_LEAVES = 0.3
"""Expected leaves below which a count says nothing about the rate; assumed."""

SMALLEST_COUNT = 0.25
"""A counted mean below this is only known to be below it: there is no logarithm of none. [leaves]"""

WEIGHT_SPREAD = 0.08
"""Relative error of a weighed head as a measure of dry matter: scales, sample, water content; assumed."""

CUT_SPREAD = 0.05
"""Error of the log multiplier between which a cut without a weight lays growth; assumed."""

GAP_SPREAD = 0.3
"""Error of a log multiplier if none of the hours was measured; assumed, in proportion to those missing."""

EMERGENCE_SPREAD_H = {"counted": 12.0, "recorded": 24.0, "computed": 24.0}
"""Error of the moment of emergence: between two looks, recorded without a look before, or computed; assumed. [h]"""

NEXT_LOOK_H = 24.0
"""A count is taken for the moment of emergence if fewer than half were up at most so long before; later ones only say
that it was before them. Without a look before, trays were looked at a day before all the same: common practice, no
source. [h]"""

LATE_SPREADS = 2.0
"""Standard deviations of the rate of emergence, and a look, after which a record without a look before is taken for a
late one; assumed."""

EMERGENCE_SPREAD = 0.15
"""Relative standard deviation of the rate of emergence before any was counted; assumed."""

READY_DAYS = 3.0  # heads cut as "ready" became so within the days before; assumed
UNSAID_DAYS = 7.0  # heads of which nothing was said became ready within so many days of the cut; assumed
READY: Mapping[str | None, tuple[float, float]] = MappingProxyType(
    {
        "early": (0.0, np.inf),
        "ready": (-READY_DAYS, 0.0),
        "held": (-np.inf, 0.0),
        None: (-UNSAID_DAYS, UNSAID_DAYS),
    }
)
"""Between when and when heads passed the target, days after they were cut as such; none: nothing was said."""

LADDER = np.exp(0.15 * np.arange(-7, 8))
"""Growth multipliers tried, 1 in the middle, 0.35 to 2.9; a weight beyond them is known only to be beyond."""


class Past(NamedTuple):
    """Batches, each array of shape (batches,). Epoch hours, nan where not known."""

    seeded_h: Array
    emerged_h: Array  # first count that found half of what came up
    looked_h: Array  # last count before, that found fewer; nan: none was written down
    transplanted_h: Array


class Finding(NamedTuple):
    """What each piece of evidence says, each array of shape (pieces,)."""

    observed: Array  # as recorded; nan where only a date is known
    expected: Array  # at multiplier 1, in the same unit
    low: Array  # log multiplier; -inf: open
    high: Array  # equal to ``low``: measured
    sd: Array
    measured: Array  # share of the hours since emergence whose light and temperature were measured, 0..1


def emergence(profile: CropProfile, nursery: Outlook, past: Past) -> Finding:
    """Hold emergence counts against thermal time: they lay the moment between two looks, or only before one."""
    counted = ~np.isnan(past.emerged_h)
    spread_h = _spread_h(past)
    past = _looked_for(profile, nursery, past)
    seen_then, looked = _seen_then(past), counted & ~np.isnan(past.looked_h)
    border = np.arange(nursery.hours + 1, dtype=np.float64) + nursery.first_hour
    sums = forecast.emergence_sums(profile, nursery)[0]
    end_h = np.where(counted, past.emerged_h, past.seeded_h)

    def passed(at_h: Array) -> Array:
        return np.asarray(np.interp(at_h, border, sums))

    def way(at_h: Array) -> Array:
        """Return the share of the way to emergence at multiplier 1."""
        return np.maximum(passed(at_h) - passed(past.seeded_h), 0.05)

    share = way(end_h)
    rate = (passed(end_h) - passed(end_h - 24.0)) / 24.0
    never = np.full(past.seeded_h.size, np.nan)
    sown = Past(past.seeded_h, never, never, past.transplanted_h)
    seen = measured_share(nursery, nursery, past.seeded_h, end_h, end_h)
    ratio = -np.log(share)
    return Finding(
        observed=np.where(counted, (past.emerged_h - past.seeded_h) / 24.0, np.nan),
        expected=(emergence_h(profile, nursery, sown) - past.seeded_h) / 24.0,
        low=np.where(counted, ratio, -np.inf),
        high=np.where(
            seen_then, ratio, np.where(looked, -np.log(way(np.where(looked, past.looked_h, end_h))), np.inf)
        ),
        sd=np.maximum(rate * spread_h / share, 0.02) + GAP_SPREAD * (1.0 - seen),
        measured=seen,
    )


def leaves(
    profile: CropProfile,
    nursery: Outlook,
    channels: Outlook,
    past: Past,
    batch: Index,
    counted_h: Array,
    counted: Array,
) -> Finding:
    """Hold leaf counts against the leaves expected at multiplier 1.

    Parameters
    ----------
    profile : CropProfile
        The crop.
    nursery, channels : Outlook
        Conditions of both zones over the same hours, one row: measured, gaps filled.
    past : Past
        The batches.
    batch : ndarray of int, shape (pieces,)
        Row of ``past`` that each count belongs to.
    counted_h, counted : ndarray, shape (pieces,)
        When, and how many true leaves a plant on average. [epoch hours], [leaves]

    Returns
    -------
    Finding
        Counts where :data:`LEAST_LEAVES` are not expected yet are open to both sides.
    """
    origin = nursery.first_hour
    emerged_h = emergence_h(profile, nursery, past)[batch]
    moved_h = np.where(np.isnan(past.transplanted_h), np.inf, past.transplanted_h)[batch]
    in_nursery, in_channels = (forecast.leaf_sums(profile, zone)[0] for zone in (nursery, channels))

    def grown(sums: Array, from_h: Array, to_h: Array) -> Array:
        border = np.arange(sums.size, dtype=np.float64)
        return np.interp(to_h - origin, border, sums) - np.interp(from_h - origin, border, sums)

    start = np.minimum(emerged_h, counted_h)
    move = np.clip(moved_h, start, counted_h)
    expected = grown(in_nursery, start, move) + grown(in_channels, move, counted_h)
    # Leaves a day at that time: how far a wrong moment of emergence puts the count out.
    rate = np.maximum(grown(in_nursery, start, start + 24.0), 0.0) / 24.0
    timing = rate * _spread_h(past)[batch]
    share = measured_share(nursery, channels, start, move, counted_h)
    told = expected >= LEAST_LEAVES
    base = np.where(told, expected, 1.0)
    ratio = np.log(np.maximum(counted, SMALLEST_COUNT) / base)
    sd = np.sqrt((forecast.COUNT_SPREAD**2 + timing**2) / base**2 + (GAP_SPREAD * (1.0 - share)) ** 2)
    none = counted < SMALLEST_COUNT
    return Finding(
        observed=counted,
        expected=expected,
        low=np.where(none | ~told, -np.inf, ratio),
        high=np.where(told, ratio, np.inf),
        sd=sd,
        measured=share,
    )


def heads(
    profile: CropProfile,
    nursery: Outlook,
    channels: Outlook,
    co2_ppm: float,
    plants_m2: tuple[float, float],
    past: Past,
    batch: Index,
    cut_h: Array,
    fresh_g: Array,
    ready: tuple[Array, Array],
) -> Finding:
    """Hold first harvests against the model.

    Parameters
    ----------
    profile, nursery, channels, past, batch
        As of :func:`leaves`. The batches were transplanted.
    co2_ppm : float
        Carbon dioxide concentration. [ppm]
    plants_m2 : tuple of float
        Density in the nursery and in the channels. [plants m⁻²]
    cut_h : ndarray, shape (pieces,)
        When heads were cut. [epoch hours]
    fresh_g : ndarray, shape (pieces,)
        Fresh weight that a cut took off a head, see :meth:`~service.agronomy.profile.CropProfile.cut_g`; nan: not
        weighed. [g]
    ready : tuple of ndarray, shape (pieces,)
        Of those not weighed, between when and when heads passed the target, days after the cut; inf: open.

    Returns
    -------
    Finding
        ``observed`` and ``expected`` are fresh weights at the cut. [g]
    """
    weighed = ~np.isnan(fresh_g)
    # What a crop of several cuts leaves standing was not on the scales.
    standing_g = np.where(weighed, fresh_g, profile.target_fresh_g * (1.0 - profile.left_share))
    target = np.log(standing_g / (1.0 - profile.left_share) * profile.dry_matter_fraction)
    emerged_h = emergence_h(profile, nursery, past)[batch]
    moved_h = past.transplanted_h[batch]
    # Ready by an early moment takes a high multiplier, and the other way round; a weight says it by itself.
    unsaid = np.flatnonzero(~weighed)
    row = np.concatenate([np.arange(cut_h.size), unsaid, unsaid])
    later_h = [24.0 * _finite(days[unsaid]) for days in (ready[1], ready[0])]
    dry = ladder_dry_g(
        profile,
        nursery,
        channels,
        co2_ppm,
        plants_m2,
        emerged_h[row],
        moved_h[row],
        cut_h[row] + np.concatenate([np.zeros(cut_h.size), *later_h]),
    )
    found, slopes = _multiplier(np.log(dry), target[row])
    slope = slopes[: cut_h.size]
    at = np.tile(found[: cut_h.size], (3, 1))
    at[1:, unsaid] = found[cut_h.size :].reshape(2, -1)
    rung = np.log(LADDER)
    share = measured_share(nursery, channels, emerged_h, np.maximum(moved_h, emerged_h), cut_h)
    gap = GAP_SPREAD * (1.0 - share)
    beyond_low, beyond_high = at[0] <= rung[0], at[0] >= rung[-1]
    return Finding(
        observed=np.where(weighed, fresh_g, np.nan),
        expected=dry[: cut_h.size, LADDER.size // 2]
        / profile.dry_matter_fraction
        * (1.0 - profile.left_share),
        low=np.where(
            weighed, np.where(beyond_low, -np.inf, at[0]), np.where(np.isinf(ready[1]), -np.inf, at[1])
        ),
        high=np.where(
            weighed, np.where(beyond_high, np.inf, at[0]), np.where(np.isinf(ready[0]), np.inf, at[2])
        ),
        sd=np.hypot(np.where(weighed, WEIGHT_SPREAD / slope, CUT_SPREAD), gap),
        measured=share,
    )


def emergence_h(profile: CropProfile, nursery: Outlook, past: Past, rate: Array | float = 1.0) -> Array:
    """Return when each batch emerged: as computed at a rate of emergence, between the looks. [epoch hours]"""
    past = _looked_for(profile, nursery, past)
    computed = _computed_h(profile, nursery, past.seeded_h, rate)
    between = np.fmin(np.fmax(computed, past.looked_h), past.emerged_h)
    return np.where(_seen_then(past), past.emerged_h, between)


def _computed_h(profile: CropProfile, nursery: Outlook, seeded_h: Array, rate: Array | float) -> Array:
    row = np.zeros(seeded_h.size, dtype=np.intp)
    sums = forecast.emergence_sums(profile, nursery)
    way = 1.0 / np.asarray(rate, dtype=np.float64)
    return forecast.crossing(sums, row, seeded_h - nursery.first_hour, way) + nursery.first_hour


def _looked_for(profile: CropProfile, nursery: Outlook, past: Past) -> Past:
    """Put a look before each recorded emergence that has none, but for those recorded late.

    Late is what the profile, slower by :data:`LATE_SPREADS` standard deviations, expects longer than a look before. Of
    such a record only the moment is known by which seedlings were up.
    """
    slowest = float(np.exp(-LATE_SPREADS * EMERGENCE_SPREAD))
    latest_h = _computed_h(profile, nursery, past.seeded_h, slowest) + NEXT_LOOK_H
    usual = np.isnan(past.looked_h) & (past.emerged_h <= latest_h)
    return past._replace(looked_h=np.where(usual, past.emerged_h - NEXT_LOOK_H, past.looked_h))


def middle(zone: Outlook) -> Outlook:
    """Return the mean of all members as one: what was measured, gaps filled."""
    temp, mol = (column.mean(axis=0, keepdims=True) for column in (zone.temp_c, zone.light_mol))
    return replace(zone, temp_c=temp, light_mol=mol)


def with_measured(fill: Outlook, measured: Measured) -> Outlook:
    """Return conditions with the measured hours put over a fill that does not depend on them.

    Evidence is kept: what stands in for a gap must not depend on what was measured when it was looked at.
    """
    temp, mol = fill.temp_c.copy(), fill.light_mol.copy()
    place = measured.hour - fill.first_hour
    inside = (place >= 0) & (place < fill.hours)
    at, known_temp, known_mol = place[inside], measured.temp_c[inside], measured.light_mol[inside]
    temp[:, at] = np.where(np.isnan(known_temp), temp[:, at], known_temp)
    mol[:, at] = np.where(np.isnan(known_mol), mol[:, at], known_mol)
    seen = np.zeros(fill.hours, dtype=bool)
    seen[at] = ~(np.isnan(known_temp) | np.isnan(known_mol))
    return replace(fill, temp_c=temp, light_mol=mol, measured=seen)


def _seen_then(past: Past) -> NDArray[np.bool_]:
    """Tell whether the count was about when it happened."""
    return np.asarray(past.emerged_h - past.looked_h <= NEXT_LOOK_H)


def _spread_h(past: Past) -> Array:
    """Return the error of the moment of emergence, of records as they came in. [h]"""
    recorded = ~np.isnan(past.emerged_h) & np.isnan(past.looked_h)
    otherwise = np.where(recorded, EMERGENCE_SPREAD_H["recorded"], EMERGENCE_SPREAD_H["computed"])
    return np.where(_seen_then(past), EMERGENCE_SPREAD_H["counted"], otherwise)


def measured_share(nursery: Outlook, channels: Outlook, from_h: Array, moved_h: Array, to_h: Array) -> Array:
    """Return the share of the hours between two moments that was measured where the batch stood, 0..1."""

    def measured(zone: Outlook, start_h: Array, end_h: Array) -> Array:
        sums = np.concatenate([[0.0], np.cumsum(zone.measured)])
        border = np.arange(sums.size, dtype=np.float64) + zone.first_hour
        return np.asarray(np.interp(end_h, border, sums) - np.interp(start_h, border, sums))

    move = np.clip(moved_h, from_h, np.maximum(to_h, from_h))
    known = measured(nursery, from_h, move) + measured(channels, move, np.maximum(to_h, move))
    span = to_h - from_h
    return np.where(span > 0.0, np.clip(known / np.where(span > 0.0, span, 1.0), 0.0, 1.0), 1.0)


def ladder_dry_g(
    profile: CropProfile,
    nursery: Outlook,
    channels: Outlook,
    co2_ppm: float,
    plants_m2: tuple[float, float],
    emerged_h: Array,
    moved_h: Array,
    look_h: Array,
) -> Array:
    """Shoot dry matter at a moment of each piece under every multiplier of :data:`LADDER`. [g a plant]

    Each piece gets a window of hours of its own that ends at its moment, so that one run of the model looks at all
    of them in its last hour.

    Returns
    -------
    ndarray, shape (pieces, rungs)
    """
    pieces, rungs = look_h.size, LADDER.size
    # A moment before emergence, or in hours that nobody knows, is one of a plant that has only just emerged.
    last = nursery.first_hour + nursery.hours
    end = np.rint(np.clip(look_h, emerged_h, last)).astype(np.int64)
    span = int(np.ceil(np.max(end - emerged_h, initial=0.0))) + 1
    hour = end[:, None] - nursery.first_hour - span + np.arange(span)[None, :]
    column = np.clip(hour, 0, nursery.hours - 1)
    lane = np.repeat(np.arange(pieces), rungs)

    def drivers(zone: Outlook) -> growth.HourlyDrivers:
        window = Outlook(
            nursery.first_hour,
            zone.temp_c[0][column],
            zone.light_mol[0][column],
            np.ones(span, dtype=np.bool_),
        )
        return forecast.drivers(profile, window, co2_ppm)

    def in_window(moment_h: Array) -> Array:
        return np.repeat(moment_h - end + span, rungs)

    full = np.full(lane.size, 1.0)
    run, _ = growth.grow(
        drivers(nursery),
        drivers(channels),
        lane,
        in_window(emerged_h),
        in_window(moved_h),
        full * profile.start_dry_g,
        (full * plants_m2[0], full * plants_m2[1]),
        np.tile(LADDER, pieces) * profile.growth_factor,
        np.full((1, lane.size), np.inf),
        float(span),
        account=False,
    )
    return run.at_look.reshape(pieces, rungs)


def _multiplier(log_dry: Array, target: Array) -> tuple[Array, Array]:
    """Return the log multiplier that gives the target, kept within the ladder, and the log weight's slope there.

    ``log_dry`` has shape (..., pieces, rungs) and rises along the rungs.
    """
    rung = np.log(LADDER)
    upper = np.clip((log_dry < target[..., None]).sum(axis=-1), 1, rung.size - 1)[..., None]
    low, high = (np.take_along_axis(log_dry, upper - step, -1)[..., 0] for step in (1, 0))
    step = rung[1] - rung[0]
    rise = np.maximum(high - low, 1e-6)
    share = np.clip((target - low) / rise, 0.0, 1.0)
    # Hardly any slope: a plant that has not grown yet says nothing, which a wide error says best.
    return rung[upper[..., 0] - 1] + share * step, np.maximum(rise / step, 0.05)


def _finite(days: Array) -> Array:
    return np.where(np.isfinite(days), days, 0.0)

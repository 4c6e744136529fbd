"""The forecast of batches: emergence, transplant window and harvest over all members of an outlook.

All batches of one crop in one pair of zones are computed at once; a lane is one batch in one member. Development
(emergence, leaves) needs no stepping: it is a running sum of rates, in which dates are found by search. Growth is
stepped hour by hour for all lanes together (:func:`service.agronomy.growth.grow`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from service.agronomy import growth, light, seed, seedling
from service.agronomy.outlook import Outlook
from service.agronomy.profile import CropProfile

Array = NDArray[np.float64]

EARLY_SHARE = 0.85  # of the target weight: a light head, for "cut earlier"
COUNT_SPREAD = 0.25  # standard deviation of a counted mean leaf number, leaves; assumed


class Batches(NamedTuple):
    """Batches of one crop, each array of shape (batches,). Times are epoch hours, nan where not known."""

    seeded_h: Array
    emerged_h: Array
    counted_h: Array  # when leaves were last counted
    counted_leaves: Array
    transplanted_h: Array
    target_dry_g: Array  # shoot dry matter of a ready head
    nursery_m2: Array  # plants a square metre
    channels_m2: Array


class Multipliers(NamedTuple):
    """What is not known of this house, cultivar and batch: draws of shape (members,) or (batches, members)."""

    leaf: Array
    growth: Array
    error: Array  # standard normal: how far a member takes a leaf count to be off


class Dates(NamedTuple):
    """When each lane gets where, epoch hours, shape (batches, members); inf: not within the outlook."""

    emergence: Array
    window_open: Array
    window_close: Array
    transplant: Array
    harvest: Array
    light_harvest: Array  # at :data:`EARLY_SHARE` of the target
    leaves_now: Array
    fresh_g_now: Array


@dataclass(frozen=True)
class Points:
    """10, 50 and 90 % points of a date in epoch hours; none: not reached within the outlook."""

    p10: float | None
    p50: float | None
    p90: float | None


def multipliers(members: int, leaf_spread: float, growth_spread: float) -> Multipliers:
    """Return log-normal multipliers with median 1 and normal count errors, evenly spread, in independent order.

    Members keep their multipliers from one forecast to the next.
    """
    even = ndtri((np.arange(members) + 0.5) / members)
    leaf, grown, count = (even[np.random.default_rng(seed_).permutation(members)] for seed_ in (20, 21, 22))
    return Multipliers(np.exp(leaf_spread * leaf), np.exp(growth_spread * grown), count)


def forecast(
    profile: CropProfile,
    nursery: Outlook,
    channels: Outlook,
    co2_ppm: float,
    batches: Batches,
    factors: Multipliers,
    now_h: float,
) -> Dates:
    """Forecast batches of one crop.

    Parameters
    ----------
    profile : CropProfile
        The crop.
    nursery, channels : Outlook
        Conditions of the two zones over the same hours, from before the first seeding on.
    co2_ppm : float
        Carbon dioxide concentration. [ppm]
    batches : Batches
        What is known of them at ``now_h``; a seeding may lie ahead.
    factors : Multipliers
        One draw a member.
    now_h : float
        The present. [epoch hours]

    Returns
    -------
    Dates
        Shape (batches, members).

    Raises
    ------
    ValueError
        If the outlooks do not span the same hours, or begin after a seeding.
    """
    if nursery.first_hour != channels.first_hour or nursery.temp_c.shape != channels.temp_c.shape:
        raise ValueError("nursery and channels must span the same hours and members")
    if batches.seeded_h.size and batches.seeded_h.min() < nursery.first_hour:
        raise ValueError("the outlook begins after a seeding")
    count, members = batches.seeded_h.size, nursery.temp_c.shape[0]
    row = np.tile(np.arange(members), count)
    known = Batches(*(np.repeat(column, members) for column in batches))
    leaf_factor, growth_factor, error = (np.broadcast_to(c, (count, members)).ravel() for c in factors)
    origin = float(nursery.first_hour)
    now = now_h - origin

    emerged = crossing(_emergence_sums(profile, nursery), row, known.seeded_h - origin, 1.0)
    emerged = np.where(np.isnan(known.emerged_h), emerged, known.emerged_h - origin)

    leaf_sums = _leaf_sums(profile, nursery)
    counted = ~np.isnan(known.counted_h)
    anchor_h = np.where(counted, known.counted_h - origin, emerged)
    # Counting is not exact, so members differ in what they take the count for.
    anchor = np.where(counted, np.maximum(known.counted_leaves + COUNT_SPREAD * error, 0.0), 0.0)
    opening = crossing(leaf_sums, row, anchor_h, (profile.window_open_leaves - anchor) / leaf_factor)
    closing = crossing(leaf_sums, row, anchor_h, (profile.window_close_leaves - anchor) / leaf_factor)
    middle = crossing(leaf_sums, row, anchor_h, (profile.transplant_leaves - anchor) / leaf_factor)
    transplant = np.where(
        np.isnan(known.transplanted_h), np.maximum(middle, now), known.transplanted_h - origin
    )
    leaves_now = np.where(
        emerged <= now, anchor + leaf_factor * _between(leaf_sums, row, np.minimum(anchor_h, now), now), 0.0
    )

    target = np.stack([EARLY_SHARE * known.target_dry_g, known.target_dry_g])
    run, _ = growth.grow(
        _drivers(profile, nursery, co2_ppm),
        _drivers(profile, channels, co2_ppm),
        row,
        emerged,
        transplant,
        np.full(row.size, profile.start_dry_g),
        (known.nursery_m2, known.channels_m2),
        growth_factor * profile.growth_factor,
        target,
        now,
    )
    shape = (count, members)
    return Dates(
        emergence=(emerged + origin).reshape(shape),
        window_open=(opening + origin).reshape(shape),
        window_close=(closing + origin).reshape(shape),
        transplant=(transplant + origin).reshape(shape),
        harvest=(run.reached[1] + origin).reshape(shape),
        light_harvest=(run.reached[0] + origin).reshape(shape),
        leaves_now=np.maximum(leaves_now, 0.0).reshape(shape),
        fresh_g_now=np.where(emerged <= now, run.at_look / profile.dry_matter_fraction, 0.0).reshape(shape),
    )


def points(values: Array, last_hour: float) -> list[Points]:
    """Return the 10, 50 and 90 % points over members of each batch.

    Parameters
    ----------
    values : ndarray, shape (batches, members)
        Epoch hours; inf where not reached.
    last_hour : float
        End of the outlook: a point beyond it is not reached.
    """
    if not values.size:
        return []
    beyond = last_hour + 24.0 * 365.0
    quantiles = np.quantile(np.minimum(values, beyond), (0.1, 0.5, 0.9), axis=1)
    return [Points(*(float(q) if q <= last_hour else None for q in column)) for column in quantiles.T]


def crossing(sums: Array, row: NDArray[np.intp], from_h: Array, amount: Array | float) -> Array:
    """Find when a running sum has grown by an amount since a moment.

    Parameters
    ----------
    sums : ndarray, shape (rows, hours + 1)
        Nondecreasing running sums at the hour borders.
    row : ndarray of int, shape (lanes,)
        Row of each lane.
    from_h : ndarray, shape (lanes,)
        The moment. [hours after the first border]
    amount : ndarray or float, shape (lanes,)
        How much; negative: when it was that much less.

    Returns
    -------
    ndarray, shape (lanes,)
        Hours after the first border, linear within an hour; inf where not reached, 0 where before the first.
    """
    width = sums.shape[1]
    level = _value_at(sums, row, from_h) + amount
    last, first = sums[row, -1], sums[row, 0]
    inside = np.clip(level, first, last)
    # One search over all rows: each row lifted above the one before.
    lift = float(sums.max() - sums.min()) + 1.0
    flat = (sums + lift * np.arange(sums.shape[0])[:, None]).ravel()
    found = np.searchsorted(flat, inside + lift * row, side="left") - row * width
    upper = np.clip(found, 1, width - 1)
    low, high = sums[row, upper - 1], sums[row, upper]
    rise = np.where(high > low, high - low, 1.0)
    at = upper - 1 + np.clip((inside - low) / rise, 0.0, 1.0)
    never = (level > last) | ~np.isfinite(from_h)
    return np.where(never, np.inf, np.where(level <= first, 0.0, at))


def _value_at(sums: Array, row: NDArray[np.intp], at_h: Array) -> Array:
    top = sums.shape[1] - 1
    at = np.clip(np.where(np.isfinite(at_h), at_h, top), 0.0, top)
    low = np.minimum(at.astype(np.intp), top - 1)
    return np.asarray(sums[row, low] + (at - low) * (sums[row, low + 1] - sums[row, low]))


def _between(sums: Array, row: NDArray[np.intp], from_h: Array, to_h: float) -> Array:
    return _value_at(sums, row, np.full(row.size, to_h)) - _value_at(sums, row, from_h)


def _running(rate_per_hour: Array) -> Array:
    sums = np.zeros((rate_per_hour.shape[0], rate_per_hour.shape[1] + 1))
    np.cumsum(rate_per_hour, axis=1, out=sums[:, 1:])
    return sums


def _emergence_sums(profile: CropProfile, zone: Outlook) -> Array:
    return _running(
        seed.emergence_rate_per_hour(
            zone.temp_c,
            profile.emergence_base_c,
            profile.emergence_optimum_c,
            profile.emergence_ceiling_c,
            profile.emergence_cd,
        )
    )


def _leaf_sums(profile: CropProfile, zone: Outlook) -> Array:
    return _running(
        seedling.leaf_rate_per_hour(
            zone.temp_c,
            seedling.trailing_sum(zone.light_mol),
            profile.phyllochron_cd,
            profile.leaf_base_c,
            profile.leaf_optimum_c,
            profile.leaf_ceiling_c,
            profile.leaf_dli_half_mol,
        )
    )


def _drivers(profile: CropProfile, zone: Outlook, co2_ppm: float) -> growth.HourlyDrivers:
    par = light.par_w_m2_from_ppfd(zone.light_mol * 1e6 / growth.SECONDS_PER_HOUR)
    return growth.hourly_drivers(
        par,
        zone.temp_c,
        co2_ppm,
        open_canopy=(profile.open_base_c, profile.open_optimum_c, profile.open_ceiling_c),
    )

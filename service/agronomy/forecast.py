"""The forecast of batches: emergence, transplant window and harvest over all members of an outlook.

All batches of one crop in one pair of zones are computed at once; a lane is one batch in one member. Development
(emergence, leaves) needs no stepping: it is a running sum of rates, in which dates are found by search. Growth is
stepped hour by hour for all lanes together (:func:`service.agronomy.growth.grow`).
"""

from __future__ import annotations

from collections.abc import Callable
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
SHOOT_AT_START = 0.25 + 0.75 * (1.0 - growth.PUBLISHED.root_fraction)  # shoot over all dry matter of a start
_MEMBERS_AT_ONCE = 16
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


class Cuts(NamedTuple):
    """Where batches of a crop of several cuts are, each array of shape (batches,)."""

    cut_h: Array  # epoch hours of the last cut, nan: not cut yet
    left_dry_g: Array  # shoot dry matter that it left on a plant, nan likewise
    to_come: Array  # cuts still to come, at least 1


class Multipliers(NamedTuple):
    """What is not known of this house, cultivar and batch: draws of shape (members,) or (batches, members)."""

    leaf: Array
    growth: Array
    error: Array  # standard normal: how far a member takes a leaf count to be off
    emergence: Array = np.ones(1)  # rate of emergence; as the profile says until it was learned


class Dates(NamedTuple):
    """When each lane gets where, epoch hours, shape (batches, members); inf: not within the outlook."""

    emergence: Array
    window_open: Array
    window_close: Array
    transplant: Array
    harvest: Array  # the next one
    light_harvest: Array  # at :data:`EARLY_SHARE` of the target
    clear: Array  # the last one, after which sites are free
    light_clear: Array
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


class Beliefs(NamedTuple):
    """What is believed of the log multipliers of batches, each array of shape (batches,)."""

    mean: Array
    shared_sd: Array  # what is not known of the house and cultivar
    own_sd: Array  # what is not known of each batch by itself


def batch_multipliers(
    members: int, key: NDArray[np.int64], leaf: Beliefs, growth: Beliefs, emergence: Beliefs | None = None
) -> Multipliers:
    """Return multipliers of batches, log-normal, of shape (batches, members).

    Members keep their luck from one forecast to the next, whatever other batches there are: a batch's own depends on
    its key only. Batches of one key share it, as seedings ahead must, so that one a little later is never ready
    before.
    """
    common = multipliers(members, 1.0, 1.0)

    def drawn(belief: Beliefs, shared: Array, salt: int) -> Array:
        own = _dealt(members, key, salt)
        return np.asarray(
            np.exp(belief.mean[:, None] + belief.shared_sd[:, None] * shared + belief.own_sd[:, None] * own)
        )

    return Multipliers(
        drawn(leaf, np.log(common.leaf), 1),
        drawn(growth, np.log(common.growth), 2),
        np.broadcast_to(common.error, (key.size, members)),
        np.ones(1) if emergence is None else drawn(emergence, -common.error, 3),
    )


def _dealt(members: int, key: NDArray[np.int64], salt: int) -> Array:
    """Deal evenly spread standard normals to members, in an order that key and salt decide."""
    spread = key.astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15)
    mixed = np.add.outer(spread, np.arange(salt * members, (salt + 1) * members, dtype=np.uint64))
    # The finalizer of SplitMix64: neighbouring numbers come out unlike.
    for shift, factor in ((30, 0xBF58476D1CE4E5B9), (27, 0x94D049BB133111EB)):
        mixed ^= mixed >> np.uint64(shift)
        mixed *= np.uint64(factor)
    mixed ^= mixed >> np.uint64(31)
    even = ndtri((np.arange(members) + 0.5) / members)
    return np.asarray(even[np.argsort(mixed, axis=1)])


def forecast(
    profile: CropProfile,
    nursery: Outlook,
    channels: Outlook,
    co2_ppm: float,
    batches: Batches,
    factors: Multipliers,
    now_h: float,
    cuts: Cuts | None = None,
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
    cuts : Cuts, optional
        Where batches of a crop of several cuts are; none: each is cut once, and has not been.

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
    leaf_factor, growth_factor, error, emergence_factor = (
        np.broadcast_to(c, (count, members)).ravel() for c in factors
    )
    origin = float(nursery.first_hour)
    now = now_h - origin

    emerged = crossing(emergence_sums(profile, nursery), row, known.seeded_h - origin, 1.0 / emergence_factor)
    emerged = np.where(np.isnan(known.emerged_h), emerged, known.emerged_h - origin)

    sums = leaf_sums(profile, nursery)
    counted = ~np.isnan(known.counted_h)
    anchor_h = np.where(counted, known.counted_h - origin, emerged)
    # Counting is not exact, so members differ in what they take the count for.
    anchor = np.where(counted, np.maximum(known.counted_leaves + COUNT_SPREAD * error, 0.0), 0.0)
    opening = crossing(sums, row, anchor_h, (profile.window_open_leaves - anchor) / leaf_factor)
    closing = crossing(sums, row, anchor_h, (profile.window_close_leaves - anchor) / leaf_factor)
    middle = crossing(sums, row, anchor_h, (profile.transplant_leaves - anchor) / leaf_factor)
    transplant = np.where(
        np.isnan(known.transplanted_h), np.maximum(middle, now), known.transplanted_h - origin
    )
    leaves_now = np.where(
        emerged <= now, anchor + leaf_factor * _between(sums, row, np.minimum(anchor_h, now), now), 0.0
    )

    # What was cut grows on from what the cut left standing.
    last_cut, left, cuts_to_come = (
        (np.repeat(column, members) for column in cuts)
        if cuts
        else (np.full(row.size, x) for x in (np.nan, np.nan, 1.0))
    )
    regrows = ~np.isnan(last_cut)
    target = np.stack([EARLY_SHARE * known.target_dry_g, known.target_dry_g])
    run = _Growing(
        (drivers(profile, nursery, co2_ppm), drivers(profile, channels, co2_ppm)),
        row,
        transplant,
        (known.nursery_m2, known.channels_m2),
        growth_factor * profile.growth_factor,
        target,
    )
    every = np.ones(row.size, dtype=np.bool_)
    start = np.where(regrows, last_cut - origin, emerged)
    start_g = np.where(regrows, left / SHOOT_AT_START, profile.start_dry_g)
    ready, dry_now = run.ready(every, start, start_g, now)
    clear = ready
    standing_g = profile.left_share * known.target_dry_g / SHOOT_AT_START
    for coming in range(2, profile.cuts + 1):
        again = np.isfinite(clear[1]) & (cuts_to_come >= coming)
        if not again.any():
            break
        clear = clear.copy()
        # What has not been cut by now is cut now at the earliest.
        clear[:, again] = run.ready(again, np.maximum(clear[1], now), standing_g, now)[0]
    shape = (count, members)
    return Dates(
        emergence=(emerged + origin).reshape(shape),
        window_open=(opening + origin).reshape(shape),
        window_close=(closing + origin).reshape(shape),
        transplant=(transplant + origin).reshape(shape),
        harvest=(ready[1] + origin).reshape(shape),
        light_harvest=(ready[0] + origin).reshape(shape),
        clear=(clear[1] + origin).reshape(shape),
        light_clear=(clear[0] + origin).reshape(shape),
        leaves_now=np.maximum(leaves_now, 0.0).reshape(shape),
        fresh_g_now=np.where(emerged <= now, dry_now / profile.dry_matter_fraction, 0.0).reshape(shape),
    )


@dataclass(frozen=True)
class _Growing:
    """All lanes and what drives them, to grow some of them from a start to their targets."""

    drivers: tuple[growth.HourlyDrivers, growth.HourlyDrivers]
    row: NDArray[np.intp]
    move_h: Array
    plants_m2: tuple[Array, Array]
    multiplier: Array
    target_g: Array  # (light and full, lanes)

    def ready(
        self, some: NDArray[np.bool_], start_h: Array, start_g: Array, look_h: float
    ) -> tuple[Array, Array]:
        """Return when some lanes reach their targets, and what they weigh at the look hour."""
        run, _ = growth.grow(
            *self.drivers,
            self.row[some],
            start_h[some],
            self.move_h[some],
            start_g[some],
            (self.plants_m2[0][some], self.plants_m2[1][some]),
            self.multiplier[some],
            self.target_g[:, some],
            look_h,
            account=False,
        )
        # What stands above its target already is ready at once, not at the beginning of all hours.
        return np.maximum(run.reached, start_h[some]), run.at_look


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


def _running(zone: Outlook, rate_per_hour: Callable[[Array, Array], Array]) -> Array:
    """Return running sums of a rate of temperature and light, some members at a time: the cache holds them."""
    members, hours = zone.temp_c.shape
    sums = np.zeros((members, hours + 1))
    for begin in range(0, members, _MEMBERS_AT_ONCE):
        some = slice(begin, begin + _MEMBERS_AT_ONCE)
        np.cumsum(rate_per_hour(zone.temp_c[some], zone.light_mol[some]), axis=1, out=sums[some, 1:])
    return sums


def emergence_sums(profile: CropProfile, zone: Outlook) -> Array:
    """Return running sums of emergence at the hour borders, shape (members, hours + 1); 1: emerged."""
    return _running(
        zone,
        lambda temp_c, _light_mol: seed.emergence_rate_per_hour(
            temp_c,
            profile.emergence_base_c,
            profile.emergence_optimum_c,
            profile.emergence_ceiling_c,
            profile.emergence_cd,
        ),
    )


def leaf_sums(profile: CropProfile, zone: Outlook) -> Array:
    """Return running sums of true leaves at the hour borders at multiplier 1, shape (members, hours + 1)."""
    return _running(
        zone,
        lambda temp_c, light_mol: seedling.leaf_rate_per_hour(
            temp_c,
            seedling.trailing_sum(light_mol),
            profile.phyllochron_cd,
            profile.leaf_base_c,
            profile.leaf_optimum_c,
            profile.leaf_ceiling_c,
            profile.leaf_dli_half_mol,
        ),
    )


def drivers(profile: CropProfile, zone: Outlook, co2_ppm: float) -> growth.HourlyDrivers:
    """Return what a zone's hours do to a crop."""
    par_of_mol = float(light.par_w_m2_from_ppfd(1e6 / growth.SECONDS_PER_HOUR))
    return growth.hourly_drivers(
        zone.light_mol * par_of_mol,
        zone.temp_c,
        co2_ppm,
        open_canopy=(profile.open_base_c, profile.open_optimum_c, profile.open_ceiling_c),
        single=True,
    )

"""From samples at any moments to clock hours: integral, coverage, mean, lowest and highest.

What a sample says about the time around it depends on how its sensor samples:

``instant``
    The value at the moment. Between two samples it runs straight from one to the other, if they are at most
    :data:`GAP_INTERVALS` of the expected interval apart; a longer gap is not measured.
``mean``
    The mean of the interval that ends at the moment, or of the time since the sample before, if that is
    shorter.
``change``
    The value from the moment on, until the next sample, but no longer than :data:`HOLD_INTERVALS` of the
    expected interval: a sensor that is silent longer has failed.
``total``
    A running total. Between two samples, at most :data:`GAP_INTERVALS` of the expected interval apart, the
    difference arrived, evenly spread. A total that falls was reset to zero in between (at midnight, as a
    rule); then the new total itself arrived, and what arrived before the reset is lost.

In all four a sensor is thus a row of stretches that do not overlap, each with a straight course of the value.
They are cut at the borders of the hours and summed exactly; no time grid is involved. Order and repetition of
samples do not matter, and an hour is the same whatever span it is computed in.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

SECONDS_PER_HOUR = 3600.0

GAP_INTERVALS = 2.5
"""Longest gap between two samples that counts as measured, in expected intervals: one sample may be missing,
and the next be late."""

HOLD_INTERVALS = 4.0
"""How long a value that is sent on change holds, in expected intervals (of the sensor's sign of life)."""


class HourlySums(NamedTuple):
    """What one sensor says of each clock hour, each of shape (hours,)."""

    integral: Array
    """Value times seconds over the covered part; for a running total, what it grew by."""
    covered_s: Array
    """Seconds that were measured, 0 to 3600."""
    mean: Array
    """Mean over the covered part; for a running total, growth a second. NaN where nothing was covered."""
    minimum: Array
    """Lowest value in the covered part; for a running total, of growth a second. NaN as the mean."""
    maximum: Array
    """Highest value, likewise."""

    @property
    def coverage(self) -> Array:
        """Share of the hour that was measured, 0 to 1."""
        return self.covered_s / SECONDS_PER_HOUR


class Correction(NamedTuple):
    """What is right of the values from one moment until before another: ``factor * value + offset``."""

    from_s: float
    until_s: float
    factor: float
    offset: float


class _Stretches(NamedTuple):
    """Stretches of time in order, without overlap, over which the value runs straight, each of shape (n,)."""

    start_s: Array
    end_s: Array
    first: Array
    last: Array


def reach_s(sampling: str, interval_s: float) -> tuple[float, float]:
    """How far from its moment a sample can change what hours say.

    Parameters
    ----------
    sampling : str
        ``instant``, ``mean``, ``change`` or ``total``.
    interval_s : float
        Expected time between samples. [s]

    Returns
    -------
    before_s, after_s : float
        A sample at ``t`` bears on nothing outside ``t - before_s`` to ``t + after_s``; so an hour is known
        from the samples between ``after_s`` before its start and ``before_s`` after its end. [s]

    Raises
    ------
    ValueError
        If the way of sampling is not known or the interval not positive.
    """
    if not 0.0 < interval_s < np.inf:
        raise ValueError(
            f"the interval between samples is {interval_s:g} s, which is not positive and finite"
        )
    match sampling:
        case "instant" | "total":
            return GAP_INTERVALS * interval_s, GAP_INTERVALS * interval_s
        case "mean":
            return interval_s, 0.0
        case "change":
            return 0.0, HOLD_INTERVALS * interval_s
        case _:
            raise ValueError(f"{sampling!r} is not a way of sampling; ways are instant, mean, change, total")


def corrected(
    times_s: ArrayLike, values: ArrayLike, sampling: str, corrections: Sequence[Correction]
) -> tuple[Array, Array]:
    """Apply calibrations to the samples of one sensor.

    Parameters
    ----------
    times_s, values : array_like, shape (n,)
        As :func:`hourly` takes them. [s after any origin]
    sampling : str
        ``instant``, ``mean``, ``change`` or ``total``. Of a running total what it grew by is multiplied, from
        sample to sample, so that no step appears where a calibration begins; its offset has no meaning.
    corrections : sequence of Correction
        Which do not overlap.

    Returns
    -------
    times_s, values : ndarray, shape (m,)
        In order of time, one value a moment.
    """
    times, kept = _in_order(np.asarray(times_s, dtype=np.float64), values)
    factor, offset = np.ones(times.size), np.zeros(times.size)
    for correction in corrections:
        inside = (times >= correction.from_s) & (times < correction.until_s)
        factor[inside], offset[inside] = correction.factor, correction.offset
    if sampling != "total":
        return times, kept * factor + offset
    if not times.size:
        return times, kept
    before, after = kept[:-1], kept[1:]
    growth = np.where(after < before, after, after - before) * factor[1:]
    return times, np.concatenate(([0.0], np.cumsum(growth)))


def hourly(
    times_s: ArrayLike,
    values: ArrayLike,
    sampling: str,
    interval_s: float,
    first_hour_s: float,
    hours: int,
) -> HourlySums:
    """Sum the samples of one sensor over clock hours.

    Parameters
    ----------
    times_s : array_like, shape (n,)
        Moments of the samples, in any order. [s after any origin]
    values : array_like, shape (n,)
        Their values. Samples that are not finite are left out; of different values for one moment the highest
        counts.
    sampling : str
        ``instant``, ``mean``, ``change`` or ``total``, see the module.
    interval_s : float
        Expected time between samples. [s]
    first_hour_s : float
        Start of the first hour, after the same origin. [s]
    hours : int
        How many hours.

    Returns
    -------
    HourlySums
        Each of shape (hours,).

    Raises
    ------
    ValueError
        If shapes differ, the way of sampling is not known, or the interval or number of hours makes no sense.
    """
    reach_s(sampling, interval_s)  # refuses what is not known
    if hours < 0:
        raise ValueError(f"{hours} is not a number of hours")
    times, kept = _in_order(np.asarray(times_s, dtype=np.float64) - first_hour_s, values)
    return _sum_by_hour(_stretches(times, kept, sampling, interval_s), hours)


def _in_order(times: Array, values: ArrayLike) -> tuple[Array, Array]:
    """Return finite samples in order of time, one a moment."""
    kept = np.asarray(values, dtype=np.float64)
    if times.ndim != 1 or times.shape != kept.shape:
        raise ValueError(f"times of shape {times.shape} and values of shape {kept.shape} do not go together")
    finite = np.isfinite(times) & np.isfinite(kept)
    if not finite.all():
        times, kept = times[finite], kept[finite]
    if (times[1:] > times[:-1]).all():
        return times, kept
    order = np.lexsort((kept, times))
    times, kept = times[order], kept[order]
    last_of_moment = np.append(times[1:] > times[:-1], True)
    return times[last_of_moment], kept[last_of_moment]


def _stretches(times: Array, values: Array, sampling: str, interval_s: float) -> _Stretches:
    if sampling == "mean":
        since = np.concatenate(([-np.inf], times[:-1]))[: times.size]
        return _Stretches(np.maximum(times - interval_s, since), times, values, values)
    if sampling == "change":
        until = np.concatenate((times[1:], [np.inf]))[: times.size]
        return _Stretches(times, np.minimum(times + HOLD_INTERVALS * interval_s, until), values, values)
    joined = np.diff(times) <= GAP_INTERVALS * interval_s
    start, end = times[:-1][joined], times[1:][joined]
    before, after = values[:-1][joined], values[1:][joined]
    if sampling == "instant":
        return _Stretches(start, end, before, after)
    growth = np.where(after < before, after, after - before) / (end - start)
    return _Stretches(start, end, growth, growth)


def _sum_by_hour(stretches: _Stretches, hours: int) -> HourlySums:
    """Cut stretches at the borders of hours, which begin at second 0, and sum the pieces of each hour."""
    first_hour = np.maximum(stretches.start_s // SECONDS_PER_HOUR, 0.0)
    end_hour = np.minimum(-(-stretches.end_s // SECONDS_PER_HOUR), float(hours))
    pieces = np.maximum(end_hour - first_hour, 0.0).astype(np.intp)
    stretch = np.repeat(np.arange(pieces.size), pieces)
    nth = np.arange(stretch.size) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    hour = first_hour[stretch].astype(np.intp) + nth

    start, end = stretches.start_s[stretch], stretches.end_s[stretch]
    first, last = stretches.first[stretch], stretches.last[stretch]
    low = np.maximum(start, hour * SECONDS_PER_HOUR)
    high = np.minimum(end, (hour + 1) * SECONDS_PER_HOUR)
    slope = (last - first) / (end - start)
    at_low = first + slope * (low - start)
    at_high = np.where(high == end, last, first + slope * (high - start))

    covered = _sums(hour, high - low, hours)
    integral = _sums(hour, 0.5 * (at_low + at_high) * (high - low), hours)
    minimum, maximum, mean = (np.full(hours, np.nan) for _ in range(3))
    if hour.size:
        # Pieces are in order of time, so those of one hour lie side by side.
        begins = np.flatnonzero(np.append(True, hour[1:] != hour[:-1]))
        found = hour[begins]
        minimum[found] = np.minimum.reduceat(np.minimum(at_low, at_high), begins)
        maximum[found] = np.maximum.reduceat(np.maximum(at_low, at_high), begins)
        # The sums are rounded: a full hour has no more than 3600 s, and a mean lies between the extremes.
        mean[found] = np.clip(integral[found] / covered[found], minimum[found], maximum[found])
    return HourlySums(integral, np.minimum(covered, SECONDS_PER_HOUR), mean, minimum, maximum)


def _sums(hour: NDArray[np.intp], amounts: Array, hours: int) -> Array:
    return np.bincount(hour, amounts, minlength=hours).astype(np.float64)

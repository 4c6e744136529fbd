"""Whether a sensor can be believed: rules on its own values, on the sun, and on its neighbours.

Each rule returns what it found with its figures, or None. A rule is told whether its fault is ``standing`` already,
and then keeps to it until clearly less is left of it, so that a fault does not come and go. All limits are common
practice or assumed, no source, where nothing else is said: they are wide, for a rule that cries wolf is switched off.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

STUCK_HOURS: Mapping[str, float] = {
    "temp_air_c": 6.0,
    "humidity_pct": 6.0,
    "co2_ppm": 6.0,
    "ppfd_umol": 3.0,
    "temp_solution_c": 12.0,
    "ph": 24.0,
    "ec_ms_cm": 24.0,
    "oxygen_mg_l": 24.0,
}
"""Hours after which a value that never changes is no measurement any more; of light, hours with the sun up."""
_STUCK_LEAST = 12  # readings
_SATURATED_PCT = 98.0

JUMP: Mapping[str, float] = {
    "temp_air_c": 5.0,
    "temp_solution_c": 3.0,
    "humidity_pct": 25.0,
    "co2_ppm": 1000.0,
    "ph": 1.0,
    "ec_ms_cm": 1.0,
    "oxygen_mg_l": 3.0,
}
"""A change from one reading to the next and straight back that the thing measured cannot make. Light can."""

APART: Mapping[str, float] = {
    "temp_air_c": 1.5,
    "temp_solution_c": 1.0,
    "humidity_pct": 8.0,
    "co2_ppm": 150.0,
    "ppfd_umol": 0.25,
    "ph": 0.4,
    "ec_ms_cm": 0.3,
    "oxygen_mg_l": 1.5,
}
"""How far two sensors of one zone may be apart by their hours' means; of light, as a share of their mean."""

CLOSER = 0.7
"""What a standing fault's limit is multiplied by."""
NIGHT_DEG = -6.0
"""Civil twilight is over."""
NIGHT_UMOL = 20.0
NOON_DEG = 20.0
DARK_SHARE = 0.01
"""Of clear-sky light; the thickest clouds let some 5 % through."""
DRIFT_DEG = 15.0
DRIFT_SHARE = 0.2
DRIFT_STANDING = 0.12
CLOCK_LEAST_S = 120.0
_CLOCK_SPREAD_S = 60.0
_CLOCK_HOURS, _CLOCK_MESSAGES = 2, 20


class Found(NamedTuple):
    """What a rule found."""

    fault: str
    evidence: dict[str, float]


SILENT_INTERVALS = 5
"""Intervals without a reading after which a sensor counts as silent; assumed."""
SILENT_LEAST_S = 1800.0
SILENT_SENDS = 1.5
"""Times that a device takes from one sending to the next after which it counts as silent; assumed. [1]"""
_LONGEST_SEND_S = 86_400.0
_SENDS_LEAST = 3


class Sending(NamedTuple):
    """How a device sends, learned from its arrivals."""

    every_s: float = 0.0
    """From one arrival to the next, three in four are not further apart. [s]"""
    lag_s: float = 0.0
    """How old the newest reading is when it arrives. [s]"""


AT_ONCE = Sending()
"""Sends each reading as it is made."""


def sending(hours_s: Array, messages: Array, lag_s: Array) -> Sending:
    """Learn how a device sends, which may be an array of readings now and then.

    A gap or two in which it was away tell little, so the third quartile is taken and not the mean or the longest.

    Parameters
    ----------
    hours_s : ndarray, shape (n,)
        Beginnings of the clock hours in which messages arrived, rising. [s]
    messages : ndarray, shape (n,)
        Messages that arrived in each, at least one.
    lag_s : ndarray, shape (n,)
        Least age of a message's newest reading in each. [s]

    Returns
    -------
    Sending
        The default where fewer than three hours are known.
    """
    if hours_s.size < _SENDS_LEAST:
        return AT_ONCE
    apart = np.diff(hours_s) / messages[:-1]
    every = min(float(np.quantile(apart, 0.75)), _LONGEST_SEND_S)
    return Sending(every, min(max(float(np.median(lag_s)), 0.0), _LONGEST_SEND_S))


def silent_after_s(interval_s: float, sends: Sending = AT_ONCE) -> float:
    """Return how long after its last reading a sensor counts as silent: the one rule, wherever it is told. [s]"""
    return max(SILENT_LEAST_S, SILENT_INTERVALS * interval_s, sends.lag_s + SILENT_SENDS * sends.every_s)


def silent(since_last_s: float, interval_s: float, sends: Sending = AT_ONCE) -> Found | None:
    """Judge the time since the last reading. [s]"""
    limit = silent_after_s(interval_s, sends)
    if since_last_s <= limit:
        return None
    return Found("silent", {"sinceLastS": round(since_last_s), "limitS": round(limit)})


def stuck(
    times_s: Array, values: Array, quantity: str, sun_deg: Array, *, standing: bool = False
) -> Found | None:
    """Judge whether the newest readings are all the same.

    Parameters
    ----------
    times_s, values : ndarray, shape (n,)
        Readings in order of time, reaching back a day.
    quantity : str
        What is measured.
    sun_deg : ndarray, shape (n,)
        The sun's elevation at each. Light counts while it stands above 10°, and only if it is not dark: that is
        another fault. Humidity at saturation may stay there.
    standing : bool
        Then it ends only when two other values were seen within the time.
    """
    limit_h = STUCK_HOURS.get(quantity)
    if limit_h is None or times_s.size < _STUCK_LEAST:
        return None
    if quantity == "ppfd_umol":
        up = sun_deg > 10.0
        times_s, values = times_s[up], values[up]
        if times_s.size < _STUCK_LEAST or values[-1] <= 1.0:
            return None
        # By day only: the night between two days is no time at all.
        times_s = np.concatenate(([0.0], np.cumsum(np.minimum(np.diff(times_s), 7200.0))))
    if quantity == "humidity_pct" and values[-1] >= _SATURATED_PCT:
        return None
    if standing:
        newest = values[times_s >= times_s[-1] - limit_h * 3600.0]
        if np.unique(newest).size >= 3:
            return None
    other = np.flatnonzero(values != values[-1])
    first = int(other[-1]) + 1 if other.size else 0
    hours = float(times_s[-1] - times_s[first]) / 3600.0
    count = int(times_s.size - first)
    if not standing and (hours < limit_h or count < _STUCK_LEAST):
        return None
    return Found(
        "stuck",
        {"value": float(values[-1]), "hours": round(hours, 1), "readings": count, "limitHours": limit_h},
    )


def out_of_range(refused: int, taken: int, *, standing: bool = False) -> Found | None:
    """Judge how many of a day's messages were outside what can plausibly be measured."""
    share = refused / (refused + taken) if refused else 0.0
    least, limit = (1, 0.01) if standing else (3, 0.05)
    if refused < least or share < limit:
        return None
    return Found("out_of_range", {"refused": refused, "taken": taken, "share": round(share, 3)})


def jumping(
    times_s: Array, values: Array, quantity: str, interval_s: float, *, standing: bool = False
) -> Found | None:
    """Judge how often a value jumps away and straight back within a day.

    Parameters
    ----------
    times_s, values : ndarray, shape (n,)
        Readings in order of time.
    quantity : str
        What is measured; light is not judged.
    interval_s : float
        Expected time between readings; across gaps nothing is said. [s]
    standing : bool
        Then one jump a day is enough to keep it.
    """
    limit = JUMP.get(quantity)
    if limit is None or values.size < 3:
        return None
    step, gap = np.diff(values), np.diff(times_s)
    near = gap <= 2.5 * interval_s
    large = (np.abs(step) > limit) & near
    spikes = large[:-1] & large[1:] & (np.sign(step[:-1]) != np.sign(step[1:]))
    count = int(np.count_nonzero(spikes))
    if count < (1 if standing else 3):
        return None
    largest = float(np.abs(step[:-1][spikes]).max())
    return Found("jumping", {"jumps": count, "largest": round(largest, 2), "limit": limit})


def light_at_night(
    ppfd_umol: Array, sun_deg: Array, lit: NDArray[np.bool_], *, standing: bool = False
) -> Found | None:
    """Judge light in hours in which there is none.

    Parameters
    ----------
    ppfd_umol : ndarray, shape (hours,)
        Hourly means, NaN where not measured. [µmol m⁻² s⁻¹]
    sun_deg : ndarray, shape (hours,)
        The sun's highest elevation in each hour. [°]
    lit : ndarray of bool
        Whether lamps may be on in it.
    standing : bool
        Then one such hour is enough, and half as much light.
    """
    night = (sun_deg < NIGHT_DEG) & ~lit & np.isfinite(ppfd_umol)
    limit, least = (NIGHT_UMOL / 2, 1) if standing else (NIGHT_UMOL, 2)
    bright = night & (np.where(night, ppfd_umol, 0.0) > limit)
    if int(np.count_nonzero(bright)) < least:
        return None
    return Found(
        "light_at_night",
        {
            "hours": int(np.count_nonzero(bright)),
            "ofNightHours": int(np.count_nonzero(night)),
            "meanUmol": round(float(ppfd_umol[bright].mean()), 1),
            "limitUmol": limit,
            "sunDeg": round(float(sun_deg[bright].max()), 1),
        },
    )


def dark_at_noon(
    ppfd_umol: Array, sun_deg: Array, clear_umol: Array, *, standing: bool = False
) -> Found | None:
    """Judge darkness in hours in which even the thickest clouds let light through.

    Parameters
    ----------
    ppfd_umol : ndarray, shape (hours,)
        Hourly means, NaN where not measured. [µmol m⁻² s⁻¹]
    sun_deg : ndarray, shape (hours,)
        The sun's lowest elevation in each hour. [°]
    clear_umol : ndarray, shape (hours,)
        What would reach the sensor under a clear sky. [µmol m⁻² s⁻¹]
    standing : bool
        Then one such hour is enough, with twice as much light.
    """
    high = (sun_deg >= NOON_DEG) & np.isfinite(ppfd_umol) & (clear_umol > 0.0)
    share, least = (2 * DARK_SHARE, 1) if standing else (DARK_SHARE, 2)
    dark = high & (np.where(high, ppfd_umol, np.inf) < share * clear_umol)
    if int(np.count_nonzero(dark)) < least:
        return None
    return Found(
        "dark_at_noon",
        {
            "hours": int(np.count_nonzero(dark)),
            "ofBrightHours": int(np.count_nonzero(high)),
            "meanUmol": round(float(ppfd_umol[dark].mean()), 1),
            "clearSkyUmol": round(float(clear_umol[dark].mean()), 1),
            "limitShare": share,
            "sunDeg": round(float(sun_deg[dark].min()), 1),
        },
    )


def disagreement(one: Array, other: Array, quantity: str, *, standing: bool = False) -> Found | None:
    """Judge how far two sensors of one zone are apart.

    Parameters
    ----------
    one, other : ndarray, shape (hours,)
        Hourly means of the last day, NaN where not measured.
    quantity : str
        What they measure. Light is compared where one of them sees more than 50 µmol m⁻² s⁻¹, by its share.
    standing : bool
        Then they have to come closer than :data:`CLOSER` times the limit.
    """
    limit = APART.get(quantity)
    if limit is None:
        return None
    limit *= CLOSER if standing else 1.0
    both = np.isfinite(one) & np.isfinite(other)
    least = 12
    if quantity == "ppfd_umol":
        both &= np.maximum(np.nan_to_num(one), np.nan_to_num(other)) > 50.0
        least = 4
    if int(np.count_nonzero(both)) < least:
        return None
    apart = one[both] - other[both]
    if quantity == "ppfd_umol":
        apart = apart / (0.5 * (one[both] + other[both]))
    middle = float(np.median(apart))
    if abs(middle) <= limit:
        return None
    return Found(
        "disagreement",
        {
            "apart": round(middle, 3),
            "limit": round(limit, 3),
            "hours": int(np.count_nonzero(both)),
            "mean": round(float(one[both].mean()), 2),
            "otherMean": round(float(other[both].mean()), 2),
        },
    )


def drift(
    hour: NDArray[np.int64],
    light_mol: Array,
    clear_mol: Array,
    sun_deg: Array,
    now_hour: int,
    recent_days: int,
    *,
    standing: bool = False,
) -> Found | None:
    """Judge light against a clear sky, now and before.

    The brightest hour of each day, as a share of clear-sky light, comes near the same figure whenever the sun came
    through; of many days the 90th percentile is taken. When it sinks, the sensor or the roof above it got dirty, or
    the sensor ages; when it rises, the sensor or what shades it was changed. In a place where no hour of three weeks
    is clear this rule says too much in winter: the sun must stand at 15° at least.

    Parameters
    ----------
    hour : ndarray of int, shape (n,)
        Epoch hours, rising, from the present back over the days before.
    light_mol, clear_mol : ndarray, shape (n,)
        Measured, and what would be there under a clear sky. [mol m⁻²]
    sun_deg : ndarray, shape (n,)
        The sun's elevation in the middle of the hour. [°]
    now_hour : int
        The present.
    recent_days : int
        What counts as now; what came before is compared with.
    standing : bool
        Then the change has to come below :data:`DRIFT_STANDING`.
    """
    used = (sun_deg >= DRIFT_DEG) & np.isfinite(light_mol) & (clear_mol > 0.0)
    if not used.any():
        return None
    day = (now_hour - hour[used]) // 24
    share = light_mol[used] / clear_mol[used]
    days, at = np.unique(day, return_inverse=True)
    best = np.zeros(days.size)
    np.maximum.at(best, at, share)
    recent, before = best[days < recent_days], best[days >= recent_days]
    if recent.size < 0.6 * recent_days or before.size < recent_days:
        return None
    now, then = float(np.quantile(recent, 0.9)), float(np.quantile(before, 0.9))
    if then <= 0.0:
        return None
    change = now / then - 1.0
    if abs(change) < (DRIFT_STANDING if standing else DRIFT_SHARE):
        return None
    return Found(
        "drift",
        {
            "change": round(change, 3),
            "shareNow": round(now, 3),
            "shareBefore": round(then, 3),
            "daysNow": int(recent.size),
            "daysBefore": int(before.size),
        },
    )


def clock_offset(lows_s: Array, messages: int, interval_s: float, *, standing: bool = False) -> Found | None:
    """Judge how far a device's clock is off.

    Parameters
    ----------
    lows_s : ndarray, shape (hours,)
        For each hour the smallest lag of a message's time behind its arrival: the offset of the clock and the
        quickest way through the network. Negative: the device is ahead. [s]
    messages : int
        How many messages these are of.
    interval_s : float
        Expected time between samples. A device that stamps the start of what it averaged is that far behind. [s]
    standing : bool
        Then half the offset is enough.
    """
    if lows_s.size < _CLOCK_HOURS or messages < _CLOCK_MESSAGES:
        return None
    offset = float(np.median(lows_s))
    spread = float(np.quantile(lows_s, 0.9) - np.quantile(lows_s, 0.1))
    limit = max(CLOCK_LEAST_S, interval_s + 60.0) * (0.5 if standing else 1.0)
    # Nothing arrives before it was measured: a device that is ahead is off, however little.
    if abs(offset) <= (min(limit, CLOCK_LEAST_S) if offset < 0 else limit) or spread > _CLOCK_SPREAD_S:
        return None
    found = {
        "behindS": round(offset, 1),
        "spreadS": round(spread, 1),
        "messages": messages,
        "hours": int(lows_s.size),
        "limitS": limit,
    }
    hours = round(offset / 3600.0)
    if hours and abs(offset - 3600.0 * hours) <= 120.0:
        found["wholeHours"] = hours
    return Found("clock", found)

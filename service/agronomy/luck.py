r"""Luck: what the weather of a date may be, as standard normal numbers that belong to the date.

Each member has, for each date, one number for light and one for temperature: how far its day ranks among the days of
the season. Its course in time is the sum of what only that day has, a spell of some days, and a slow part of some
weeks, so that means over a month vary as much as they do in the sky, which the resampling of single days or
weeks does not give:

.. math:: C(l) = w\,[l = 0] + s\,\varphi^{l} + m\,e^{-l/\tau}

The shares are fitted by eye to the autocorrelation of daily clearness and mean temperature at Wageningen 1976-1999
(season taken out; light 0.34, 0.19, 0.11, 0.06, 0.02 after 1, 2, 3, 5, 10 days; temperature 0.80, 0.59, 0.46, 0.31,
0.14); light at Greensboro has 0.31 after a day.

Draws depend on a key, the member and the date alone, so that an outlook made tomorrow meets the same luck as one made
today. What was measured enters afterwards (:func:`given`): members are moved to what is known of the last days, and
the farther ahead, the less; this is the conditional simulation of a Gaussian process, in which each member takes what
is known to be wrong by an error of its own.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

BLOCK_DAYS = 5  # dates that are drawn together
_MEMORY_BLOCKS = 24  # blocks after which the past of a number is forgotten


class Memory(NamedTuple):
    """Shares of the variance of a day's number, and how long each lasts."""

    day: float  # the day's own
    spell: float
    spell_keep: float  # share of a spell that a day hands on to the next
    slow: float
    slow_days: float

    def covariance(self, lag_days: ArrayLike) -> Array:
        """Covariance of two days of one member."""
        lag = np.abs(np.asarray(lag_days, dtype=np.float64))
        return np.asarray(
            self.day * (lag == 0)
            + self.spell * self.spell_keep**lag
            + self.slow * np.exp(-lag / self.slow_days)
        )

    def days(self) -> float:
        """Days that tell as much of a mean as one independent one: the sum of the covariances."""
        return 1.0 + 2.0 * float(self.covariance(np.arange(1.0, 366.0)).sum())


LIGHT = Memory(0.30, 0.65, 0.45, 0.05, 30.0)
TEMPERATURE = Memory(0.0, 0.90, 0.78, 0.10, 30.0)


class Luck(NamedTuple):
    """Numbers of members; the dates run from the first day asked for."""

    light: Array  # (members, days)
    temperature: Array  # (members, days)
    kind: Array  # (members, days), uniform, the same over a block: which kind of source a block has
    level: Array  # (2, members): how far a member takes the season's mean light and temperature to be off
    error: Array  # (2, members, days): how far it takes what is known of a day's light and temperature to be wrong


def draw(key: int, first_day: int, days: int, members: int) -> Luck:
    """Return the luck of dates.

    Parameters
    ----------
    key : int
        Names what shares its luck.
    first_day : int
        First date, in days since 1970-01-01.
    days, members : int
        How many.
    """
    first_block = first_day // BLOCK_DAYS - _MEMORY_BLOCKS
    blocks = (first_day + days - 1) // BLOCK_DAYS - first_block + 1
    daily = np.empty((4, members, blocks * BLOCK_DAYS))
    slow = np.empty((2, members, blocks))
    kind = np.empty((members, blocks))
    error = np.empty((2, members, blocks * BLOCK_DAYS))
    for i in range(blocks):
        generator = np.random.default_rng([key, first_block + i])
        slow[:, :, i] = generator.standard_normal((2, members))
        kind[:, i] = generator.random(members)
        own = slice(i * BLOCK_DAYS, (i + 1) * BLOCK_DAYS)
        daily[:, :, own] = generator.standard_normal((4, members, BLOCK_DAYS))
        error[:, :, own] = generator.standard_normal((2, members, BLOCK_DAYS))
    begin = first_day - first_block * BLOCK_DAYS
    dates, within = slice(begin, begin + days), begin - _MEMORY_BLOCKS * BLOCK_DAYS

    def course(memory: Memory, own: Array, spell: Array, slow: Array) -> Array:
        each_block = _remembered(slow, float(np.exp(-BLOCK_DAYS / memory.slow_days)), _MEMORY_BLOCKS)
        return np.asarray(
            np.sqrt(memory.day) * own[:, dates]
            + np.sqrt(memory.spell) * _remembered(spell, memory.spell_keep, begin)[:, :days]
            + np.sqrt(memory.slow) * np.repeat(each_block, BLOCK_DAYS, axis=1)[:, within : within + days]
        )

    return Luck(
        course(LIGHT, daily[0], daily[1], slow[0]),
        course(TEMPERATURE, daily[2], daily[3], slow[1]),
        np.repeat(kind, BLOCK_DAYS, axis=1)[:, dates],
        np.random.default_rng([key]).standard_normal((2, members)),
        error[:, :, dates],
    )


def _remembered(fresh: Array, keep: float, begin: int) -> Array:
    """Weighted sums over each column from ``begin`` on and those before it, with variance 1."""
    taps = min(begin + 1, 1 + int(np.log(1e-6) / np.log(keep)))
    weight = keep ** np.arange(taps)
    weight /= np.sqrt((weight**2).sum())
    sums = np.zeros((fresh.shape[0], fresh.shape[1] - begin))
    for back in range(taps):
        sums += weight[back] * fresh[:, begin - back : fresh.shape[1] - back]
    return sums


def given(
    numbers: Array, memory: Memory, known_days: NDArray[np.intp], known: Array, doubt: Array, error: Array
) -> Array:
    """Move members to what is known of some days.

    Parameters
    ----------
    numbers : ndarray, shape (members, days)
        Luck.
    memory : Memory
        Its memory.
    known_days : ndarray of int, shape (k,)
        Positions of the days of which something is known.
    known : ndarray, shape (k,)
        Their numbers.
    doubt : ndarray, shape (k,)
        Variance of the error of these.
    error : ndarray, shape (members, days)
        That of each member, as standard normal numbers.

    Returns
    -------
    ndarray, shape (members, days)
    """
    if not known_days.size:
        return numbers
    between = memory.covariance(known_days[:, None] - known_days[None, :]) + np.diag(doubt + 1e-6)
    ahead = memory.covariance(known_days[:, None] - np.arange(numbers.shape[1])[None, :])
    pull = np.linalg.solve(between, ahead)  # (k, days)
    as_known = numbers[:, known_days] + np.sqrt(doubt) * error[:, known_days]
    return np.asarray(numbers + (known - as_known) @ pull)

r"""How many cells to sow for enough good plants, with a stated probability.

A cell gives a good plant with probability :math:`p`, independently of the others. Where :math:`p` is known, the good
plants of :math:`n` cells are binomial,

.. math:: P(X \ge m) = I_p(m, n - m + 1);

where it is known only from a test or a record of :math:`g` good in :math:`t`, it is uncertain itself, Beta
:math:`(g + 1/2, t - g + 1/2)` with Jeffreys' prior, and the good plants are beta-binomial. The number of cells needed
for :math:`m` good ones is then the waiting time of the :math:`m`-th, negative or beta-negative binomial, whose
quantile is summed exactly here. The test's uncertainty costs cells: many more plants do not average it away.

All that is kept of what emerged may be the best share, as growers do: only the biggest seedlings are planted and slow
rows are left out (common practice of the trade, no source).

References
----------
.. [1] N. L. Johnson, A. W. Kemp, S. Kotz, "Univariate Discrete Distributions", 3rd ed., Wiley, 2005: sections 3.4
   (binomial tails as the incomplete beta), 6.2 (beta-binomial and its inverse, the waiting time).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.special import betainc, betaln, gammaln

JEFFREYS = 0.5
MOST_CELLS = 1_000_000
_BLOCK = 4096


class Belief(NamedTuple):
    """What is known of the share of good cells: a Beta distribution."""

    good: float
    bad: float

    @property
    def mean(self) -> float:
        """The expected share."""
        return self.good / (self.good + self.bad)


Rate = float | Belief
"""Share of cells that give a good plant: known, or believed."""


class TooManyCells(ValueError):  # noqa: N818 - read as an answer
    """No number of cells that anybody sows is enough."""


@dataclass(frozen=True)
class Sowing:
    """How much to sow."""

    cells: int
    """The fewest that are enough."""
    trays: int
    """Whole trays that hold them."""
    probability: float
    """Of enough good plants, if the trays are sown full."""
    expected: float
    """Good plants expected of full trays, before only the best are kept."""


def belief(good: int, tested: int, prior: float = JEFFREYS) -> Belief:
    """Return what a germination test, or the house's own record, says of the share of good cells.

    Parameters
    ----------
    good, tested : int
        How many were good, of how many.
    prior : float, optional
        Both parameters of the Beta prior.

    Raises
    ------
    ValueError
        If more were good than tested.
    """
    if not 0 <= good <= tested:
        raise ValueError(f"{good} of {tested} cannot have been good")
    return Belief(good + prior, tested - good + prior)


def enough(cells: int, wanted: int, rate: Rate) -> float:
    """Return the probability that cells give at least the wanted number of good plants."""
    if wanted <= 0:
        return 1.0
    if cells < wanted:
        return 0.0
    if isinstance(rate, Belief):
        return float(min(1.0, _waiting(wanted, rate, wanted, cells + 1).sum()))
    return float(betainc(wanted, cells - wanted + 1, rate))


def cells_for(wanted: int, rate: Rate, probability: float) -> int:
    """Return the fewest cells that give enough good plants with a probability.

    Parameters
    ----------
    wanted : int
        Good plants.
    rate : float or Belief
        Share of cells that give one.
    probability : float
        Above 0, below 1.

    Raises
    ------
    TooManyCells
        If more than :data:`MOST_CELLS` would be needed.
    ValueError
        If the rate or the probability is out of bounds.
    """
    if not 0.0 < probability < 1.0:
        raise ValueError(f"a probability of {probability:g} does not lie between 0 and 1")
    if wanted <= 0:
        return 0
    if isinstance(rate, Belief):
        return _believed(wanted, rate, probability)
    if not 0.0 < rate <= 1.0:
        raise ValueError(f"a share of {rate:g} does not lie above 0, up to 1")
    low, high = wanted - 1, wanted  # low is not enough
    while enough(high, wanted, rate) < probability:
        low, high = high, 2 * high
        if high > MOST_CELLS:
            raise TooManyCells(f"more than {MOST_CELLS} cells for {wanted} good plants")
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle, wanted, rate) >= probability else (middle, high)
    return high


def sow(wanted: int, rate: Rate, probability: float, keep_best: float = 1.0, tray_cells: int = 1) -> Sowing:
    """Return how much to sow for enough good plants, of which only the best are kept.

    Parameters
    ----------
    wanted : int
        Plants to transplant.
    rate : float or Belief
        Share of cells that give a good plant before grading.
    probability : float
        Wished probability of enough, above 0, below 1.
    keep_best : float, optional
        Share of the good ones that is planted, above 0: the best.
    tray_cells : int, optional
        Cells a tray.
    """
    if not 0.0 < keep_best <= 1.0:
        raise ValueError(f"a share of {keep_best:g} does not lie above 0, up to 1")
    if tray_cells < 1:
        raise ValueError("a tray holds at least one cell")
    # 90 kept of 100 is all 100 exactly, whatever 90 / 0.9 rounds to.
    before = math.ceil(wanted / keep_best - 1e-9)
    cells = cells_for(before, rate, probability)
    trays = -(-cells // tray_cells)
    mean = rate.mean if isinstance(rate, Belief) else rate
    return Sowing(cells, trays, enough(trays * tray_cells, before, rate), trays * tray_cells * mean)


def mixed_cell_share(shares: Sequence[float], least: int | None = None) -> float:
    """Return the share of cells with a seed of each cultivar of a mix in which enough of them come up.

    Parameters
    ----------
    shares : sequence of float
        Share of good seeds of each cultivar.
    least : int, optional
        How many cultivars a good cell shows; none: all of them.
    """
    count = len(shares) if least is None else least
    chance = np.zeros(len(shares) + 1)  # of so many coming up
    chance[0] = 1.0
    for share in shares:
        chance[1:] = chance[1:] * (1.0 - share) + chance[:-1] * share
        chance[0] *= 1.0 - share
    return float(chance[count:].sum())


def sow_each(
    wanted: Sequence[int],
    rates: Sequence[Rate],
    probability: float,
    keep_best: float = 1.0,
    tray_cells: int = 1,
) -> list[Sowing]:
    """Return how much to sow of each cultivar, in cells of its own, so that there is enough of all of them.

    Each gets an equal part of the risk; cultivars fail independently of each other.
    """
    each = probability ** (1.0 / max(1, len(wanted)))
    return [
        sow(plants, rate, each, keep_best, tray_cells) for plants, rate in zip(wanted, rates, strict=True)
    ]


def _believed(wanted: int, rate: Belief, probability: float) -> int:
    total, first = 0.0, wanted
    while first <= MOST_CELLS:
        sums = total + np.cumsum(_waiting(wanted, rate, first, first + _BLOCK))
        found = int(np.searchsorted(sums, probability))
        if found < sums.size:
            return first + found
        total, first = float(sums[-1]), first + _BLOCK
    raise TooManyCells(f"more than {MOST_CELLS} cells for {wanted} good plants")


def _waiting(wanted: int, rate: Belief, first: int, end: int) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Probabilities that the wanted-th good plant is that of cell n, for n from ``first`` to before ``end``."""
    n = np.arange(first, end, dtype=np.float64)
    ways = gammaln(n) - gammaln(wanted) - gammaln(n - wanted + 1.0)
    a, b = rate
    return np.asarray(np.exp(ways + betaln(a + wanted, b + n - wanted) - betaln(a, b)))

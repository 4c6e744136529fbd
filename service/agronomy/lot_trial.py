r"""A new seed lot sown beside the one in use: is it as good?

So many seeds of each lot are sown, and the good seedlings counted. Both numbers of seeds are fixed beforehand; how many
come up in all is not. Fisher's exact test takes that total as fixed too, so it has fewer outcomes to choose from and
finds less than its level allows. Boschloo's test [1]_ takes Fisher's p-value as its statistic and the worst common
share of good seeds as its reference: it is exact for two fixed sample sizes and, one-sided, never weaker than Fisher's.
Two-sided it is twice the smaller one-sided p-value; with as many seeds of each lot it is never above Fisher's. So the
verdict takes Boschloo's, and Fisher's stands beside it. Beyond :data:`MOST_TABLES` outcomes only Fisher's is computed:
with so many seeds the two say the same.

No difference found is no proof that there is none. "As good" is said only where the score interval of the difference,
after Miettinen and Nurminen [2]_, leaves out that the new lot is worse by more than a margin.

References
----------
.. [1] R. D. Boschloo, "Raised conditional level of significance for the 2 x 2-table when testing the equality of two
   probabilities", Statistica Neerlandica 24, 1970, pp. 1-9.
.. [2] O. Miettinen and M. Nurminen, "Comparative analysis of two rates", Statistics in Medicine 4, 1985, pp. 213-226.
.. [3] R. G. Newcombe, "Interval estimation for the difference between independent proportions: comparison of eleven
   methods", Statistics in Medicine 17, 1998, pp. 873-890.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaln
from scipy.stats import binom, boschloo_exact, fisher_exact

Array = NDArray[np.float64]
Verdict = Literal["better", "as_good", "worse", "too_few"]

LEVEL = 0.05
MARGIN = 0.10
"""Share by which the new lot may be worse and still be called as good: about what is sown too much anyway. Assumed."""
POWER = 0.8
MOST_TABLES = 160_000
MOST_SEEDS = 10_000
"""Of a lot in a trial."""
_SIZES = (20, 30, 40, 50, 60, 80, 100, 125, 150, 175, 200, 250, 300, 350, 400, 500, 600, 700, 800, 1000)
_Z = 1.959963984540054  # of a two-sided interval of 95 %


@dataclass(frozen=True)
class Trial:
    """What was counted."""

    new_good: int
    new_sown: int
    old_good: int
    old_sown: int

    def __post_init__(self) -> None:
        """Refuse counts that cannot be."""
        for name, good, sown in (
            ("new", self.new_good, self.new_sown),
            ("old", self.old_good, self.old_sown),
        ):
            if not (1 <= sown <= MOST_SEEDS and 0 <= good <= sown):
                raise ValueError(f"{good} of {sown} seeds of the {name} lot cannot have been good")

    @property
    def difference(self) -> float:
        """Share of good ones of the new lot less that of the old."""
        return self.new_good / self.new_sown - self.old_good / self.old_sown


@dataclass(frozen=True)
class Judgement:
    """What a trial says. Shares, not per cent."""

    verdict: Verdict
    test: Literal["boschloo", "fisher"]
    """Which of the two decided."""
    p_value: float
    p_fisher: float
    p_boschloo: float | None
    """None: too many seeds for it, see the module."""
    difference: float
    low: float
    high: float
    """Interval of the difference, 95 %."""
    margin: float
    seeds_to_tell: int | None
    """Seeds of each lot, in all, with which a verdict is reached with a probability of 80 %, be the lots equal or the
    new one worse by the margin; none: more than 1000."""
    sentence: str


def judge(trial: Trial, margin: float = MARGIN) -> Judgement:
    """Compare a new lot with the one in use.

    Parameters
    ----------
    trial : Trial
        The counts.
    margin : float, optional
        Share by which the new lot may be worse and still be as good; above 0, below 1.

    Raises
    ------
    ValueError
        If the margin is out of bounds.
    """
    _check_margin(margin)
    p_fisher = fisher_p(trial)
    small = (trial.new_sown + 1) * (trial.old_sown + 1) <= MOST_TABLES
    p_boschloo = boschloo_p(trial) if small else None
    p_value = p_fisher if p_boschloo is None else p_boschloo
    low, high = interval(trial)
    verdict: Verdict
    if p_value <= LEVEL and trial.difference != 0.0:
        verdict = "better" if trial.difference > 0.0 else "worse"
    else:
        verdict = "as_good" if low >= -margin else "too_few"
    rate = round((trial.old_good + 0.5) / (trial.old_sown + 1.0), 2)
    needed = seeds_to_tell(rate, margin)
    return Judgement(
        verdict=verdict,
        test="fisher" if p_boschloo is None else "boschloo",
        p_value=p_value,
        p_fisher=p_fisher,
        p_boschloo=p_boschloo,
        difference=trial.difference,
        low=low,
        high=high,
        margin=margin,
        seeds_to_tell=needed,
        sentence=_sentence(trial, verdict, low, high, margin, needed),
    )


# --------------------------------------------------------------------------- tests


def fisher_p(trial: Trial) -> float:
    """Return the two-sided p-value of Fisher's exact test: outcomes no more likely than this one, the total given."""
    return float(fisher_exact(_table(trial)).pvalue)


def boschloo_p(trial: Trial) -> float:
    """Return the two-sided p-value of Boschloo's exact test: twice the smaller one-sided one, at most 1."""
    if trial.new_good + trial.old_good in {0, trial.new_sown + trial.old_sown}:
        return 1.0  # nothing sets the lots apart
    return float(boschloo_exact(_table(trial)).pvalue)


def _table(trial: Trial) -> NDArray[np.int_]:
    return np.array(
        [
            [trial.new_good, trial.old_good],
            [trial.new_sown - trial.new_good, trial.old_sown - trial.old_good],
        ]
    )


# --------------------------------------------------------------------------- interval


def score(new_good: ArrayLike, new_sown: int, old_good: ArrayLike, old_sown: int, difference: float) -> Array:
    r"""Return how far counts lie from a difference of the shares, in standard errors under that difference [2]_.

    Parameters
    ----------
    new_good, old_good : array_like
        Good ones; broadcast.
    new_sown, old_sown : int
        Seeds.
    difference : float
        New less old, above -1, below 1.

    Returns
    -------
    ndarray
        Positive where the new lot did better than that; infinite where the difference is impossible.

    Notes
    -----
    Under the difference :math:`\delta` the share of the old lot that fits the counts best solves a cubic equation,
    of which [2]_ gives the root; the variance is theirs, :math:`N/(N-1)` times the binomial one.
    """
    x1, x2 = np.broadcast_arrays(np.asarray(new_good, np.float64), np.asarray(old_good, np.float64))
    total = float(new_sown + old_sown)
    l2 = (new_sown + 2.0 * old_sown) * difference - total - x1 - x2
    l1 = (old_sown * difference - total - 2.0 * x2) * difference + x1 + x2
    l0 = x2 * difference * (1.0 - difference)
    third = l2 / (3.0 * total)
    q = third**3 - l1 * l2 / (6.0 * total**2) + l0 / (2.0 * total)
    p = np.where(q < 0.0, -1.0, 1.0) * np.sqrt(np.maximum(third**2 - l1 / (3.0 * total), 0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        angle = np.where(p == 0.0, 0.0, np.clip(q / p**3, -1.0, 1.0))
        old = 2.0 * p * np.cos((np.pi + np.arccos(angle)) / 3.0) - third
        old = np.clip(old, max(0.0, -difference), min(1.0, 1.0 - difference))
        new = np.clip(old + difference, 0.0, 1.0)
        variance = (new * (1.0 - new) / new_sown + old * (1.0 - old) / old_sown) * total / (total - 1.0)
        off = x1 / new_sown - x2 / old_sown - difference
        found = off / np.sqrt(np.maximum(variance, 0.0))
    return np.asarray(np.where(np.abs(off) < 1e-12, 0.0, found))


def interval(trial: Trial) -> tuple[float, float]:
    """Return the 95 % score interval of the difference, new less old: differences within 1.96 standard errors."""

    def beyond(difference: float) -> float:
        return float(score(trial.new_good, trial.new_sown, trial.old_good, trial.old_sown, difference))

    def edge(inside: float, outside: float) -> float:
        for _ in range(60):
            middle = 0.5 * (inside + outside)
            inside, outside = (middle, outside) if abs(beyond(middle)) <= _Z else (inside, middle)
        return inside

    return edge(trial.difference, -1.0), edge(trial.difference, 1.0)


# --------------------------------------------------------------------------- how many seeds would tell


def fisher_all(new_sown: int, old_sown: int) -> Array:
    """Return the two-sided p-values of Fisher's test of every outcome, shape (new_sown + 1, old_sown + 1)."""
    total = new_sown + old_sown
    found = np.ones((new_sown + 1, old_sown + 1))
    for good in range(total + 1):
        new = np.arange(max(0, good - old_sown), min(new_sown, good) + 1)
        log_p = (
            _log_ways(new_sown, new) + _log_ways(old_sown, good - new) - _log_ways(total, np.array([good]))
        )
        chance = np.exp(log_p)
        rising = np.sort(chance)
        sums = np.cumsum(rising)
        # What is as likely but for rounding counts as no more likely.
        found[new, good - new] = sums[np.searchsorted(rising, chance * (1.0 + 1e-9), side="right") - 1]
    return np.minimum(found, 1.0)


def _log_ways(of: int, taken: NDArray[np.int_]) -> Array:
    return np.asarray(gammaln(of + 1.0) - gammaln(taken + 1.0) - gammaln(of - taken + 1.0))


def chances(seeds: int, rate: float, margin: float) -> tuple[float, float]:
    """Return the chance of each verdict that is right, with so many seeds of each lot.

    Parameters
    ----------
    seeds : int
        Of each lot.
    rate : float
        Share of good ones of the lot in use.
    margin : float
        See :func:`judge`.

    Returns
    -------
    as_good, worse : float
        Of "as good" or better, if the lots are equal; of "worse", if the new one is worse by the margin. The second is
        that of Fisher's test: Boschloo's has no less.
    """
    good = np.arange(seeds + 1)
    significant = fisher_all(seeds, seeds) <= LEVEL
    less = good[:, None] < good[None, :]
    near = score(good[:, None], seeds, good[None, :], seeds, -margin) >= _Z
    old = binom.pmf(good, seeds, rate)
    new = binom.pmf(good, seeds, max(0.0, rate - margin))
    as_good = float(old @ (near & ~(significant & less)) @ old)
    return as_good, float(new @ (significant & less) @ old)


@lru_cache(maxsize=256)
def seeds_to_tell(rate: float, margin: float = MARGIN, power: float = POWER) -> int | None:
    """Return how many seeds of each lot a trial takes to tell, in round figures; none: more than 1000.

    Both verdicts must be likely enough where they are right, see :func:`chances`.

    Parameters
    ----------
    rate : float
        Share of good ones of the lot in use.
    margin : float, optional
        See :func:`judge`.
    power : float, optional
        Wished probability.
    """
    _check_margin(margin)
    return next((n for n in _SIZES if min(chances(n, rate, margin)) >= power), None)


def _check_margin(margin: float) -> None:
    if not 0.0 < margin < 1.0:
        raise ValueError(f"a margin of {margin:g} does not lie between 0 and 1")


# --------------------------------------------------------------------------- in words


def _points(share: float) -> str:
    points = round(100.0 * share, 1)
    if points == 0.0:
        return "none"
    return f"{abs(points):g} {'more' if points > 0.0 else 'fewer'}"


def _sentence(
    trial: Trial, verdict: Verdict, low: float, high: float, margin: float, needed: int | None
) -> str:
    counts = (
        f"Of the new lot {trial.new_good} of {trial.new_sown} came up well, of the one in use {trial.old_good} of"
        f" {trial.old_sown}; of 100 seeds that is {_points(trial.difference)}, and could be from {_points(low)} to"
        f" {_points(high)}."
    )
    points = f"{100.0 * margin:g}"
    said = {
        "better": "The new lot is better.",
        "as_good": f"The new lot is as good: at worst {points} fewer of 100.",
        "worse": "The new lot is worse"
        + (f", though by no more than {points} of 100." if low >= -margin else "."),
        "too_few": f"Too few to say whether it is as good, give or take {points} of 100.",
    }[verdict]
    if verdict != "too_few":
        return f"{said} {counts}"
    if needed is None:
        more = "It would take more than 1000 seeds of each lot to tell; a wider margin takes fewer."
    else:
        least = min(trial.new_sown, trial.old_sown)
        again = (
            f"{needed - least} more than now" if needed > least else "so sow as many again: this was bad luck"
        )
        more = f"About {needed} seeds of each lot, {again}, would tell with a probability of {POWER:.0%}."
        more += " Sow them at once and count once: adding seeds until the answer pleases proves nothing."
    return f"{said} {more} {counts}"


def share_interval(good: float, tested: float) -> tuple[float, float]:
    """Return the 95 % score interval (Wilson 1927) of a share; of nothing tested, 0 to 1."""
    if tested <= 0.0:
        return 0.0, 1.0
    share = good / tested
    middle = (share + _Z**2 / (2.0 * tested)) / (1.0 + _Z**2 / tested)
    half = _Z * math.sqrt(share * (1.0 - share) / tested + _Z**2 / (4.0 * tested**2)) / (1.0 + _Z**2 / tested)
    return max(0.0, middle - half), min(1.0, middle + half)


def clustered_interval(good: ArrayLike, tested: ArrayLike) -> tuple[float, float]:
    """Return the 95 % interval of a share counted in several batches, which differ more than chance makes them.

    The score interval of :func:`share_interval` with the number tested divided by how much more the batches vary than
    binomial counts do (Pearson's chi-square over its degrees of freedom, at least 1).

    Parameters
    ----------
    good, tested : array_like, shape (batches,)
        Counts.
    """
    n = np.asarray(tested, np.float64)
    x = np.asarray(good, np.float64)
    x, n = x[n > 0.0], n[n > 0.0]
    if not n.size:
        return 0.0, 1.0
    share = x.sum() / n.sum()
    excess = 1.0
    if n.size > 1 and 0.0 < share < 1.0:
        excess = max(1.0, float(((x - n * share) ** 2 / (n * share * (1.0 - share))).sum()) / (n.size - 1))
    return share_interval(float(x.sum()) / excess, float(n.sum()) / excess)

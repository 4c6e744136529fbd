r"""Calibration: what a farm's own counts, weights and cuts say about its multipliers.

Crops differ from their profile by one multiplier on the leaf rate and one on growth. Each is learnt by itself,
on the log scale. A *cell* is one cultivar in one house; the log multiplier of batch :math:`b` of a cell is

.. math:: \theta_b = crop + cultivar + house + house \times cultivar + season + batch

in which every term is normal around zero. The season is a smooth yearly wave of the crop over the dates of seeding: no
model is equally right in dim and in bright light, and what last spring's batches showed holds for this spring's more
than what the winter's did. The first four share the variance of the profile's spread by
:data:`SHARES`, so a cell borrows from the same cultivar in other houses and from other cultivars of its house
(partial pooling [1]_); the batch terms have a spread of their own, learnt by crop. The house term is scaled by the
spread of each crop: where a profile is less sure, a house may differ more.

What young heads weigh may say another multiplier than the same heads when they are cut, always in the same way, as
no model is equally right in open and closed stands and in dim and bright light. This drift by stage is learnt by crop
from batches that were weighed several times, and weights are read as those of ready heads (:func:`staged`). What is
left strays at random, the more, the more of its growth a batch has ahead; and what sets a batch apart from its fellows
fades with that growth, as a batch that is light for its age more often lost time than grows slowly (:func:`ahead`).

Evidence says that a batch's log multiplier lies between two bounds; where they are equal, it was measured, with a
normal error. Several pieces about one batch share its batch term and so never count as several batches. How large
errors of measurements are, and how far a batch drifts from what was measured of it weeks ago, is assumed first and
learnt by crop, from how well measurements of one batch agree: scales and samples differ between farms. Wrong
records happen: errors of measurements and batch terms are taken as Student-t, fitted by the EM algorithm as normal
ones with weights [2]_, and one in twenty bounds is taken to be wrong.

References
----------
.. [1] A. Gelman et al., "Bayesian Data Analysis", 3rd ed., 2013, chapters 5 and 15.
.. [2] K. L. Lange, R. J. A. Little and J. M. G. Taylor, "Robust statistical modeling using the t distribution",
   Journal of the American Statistical Association 84, 1989, pp. 881-896. Cited from memory for the scheme only.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri, stdtrit

Array = NDArray[np.float64]
Index = NDArray[np.intp]

SHARES = {"crop": 0.25, "cultivar": 0.25, "house": 0.30, "house_cultivar": 0.20}
"""Share of the profile's variance that each term has; assumed."""

SEASON_SHARES = (0.12, 0.04)
"""Share of the profile's variance that a yearly wave and its half-yearly one have, before those; assumed."""

BATCH_SPREAD = 0.07
"""Batch-to-batch standard deviation of a log multiplier before anything was measured; assumed."""

BATCH_SPREAD_WEIGHT = 6.0
"""How many batches that assumption is worth; assumed."""

DRIFT_PER_WEEK = 0.05
"""How far a batch's log multiplier may drift in a week, as the model errs by stage and season; assumed."""

STRAYS = 0.015
"""How far a batch's log multiplier strays over one e-fold of the weight still to come, on a random walk, as the model
errs by weather and stage; assumed."""

FADES = 0.25
"""How fast that fades by which a batch differs from its fellows: to exp(-0.25) of it over one e-fold of weight still
to come; assumed, and settled on the simulated houses of the replay."""

ERROR_WEIGHT = 10.0
"""How many measurements the assumed sizes of errors and of drift are worth; assumed."""

STAGE_SPREADS = (0.05, 0.03, 0.03)
"""Prior standard deviations of the drift by stage, a log multiplier for each e-fold of weight, and of its yearly wave;
assumed."""

ERROR_FREEDOM = 5.0  # degrees of freedom of measurement errors
BATCH_FREEDOM = 8.0  # of batch terms
WRONG_SHARE = 0.05  # of the bounds that are taken to be wrong
ROUNDS = 400  # at most; a few dozen are the rule
SETTLED = 1e-4  # moves of a round, of log multipliers and of shares of a variance, below which none follows

# Variance of the normal variable whose 10-90 % range is that of a Student-t variable, over the squared scale of this.
_AS_NORMAL = float((stdtrit(BATCH_FREEDOM, 0.9) / ndtri(0.9)) ** 2)

# Weights taken as known say too much: a Student-t variable has (f + 1) / (f + 3) of that information [2]_, a normal
# one all of it. Real errors lie between, hence the square root; simulated farms get honest ranges by it.
_TOLD_BY_ERRORS = float(np.sqrt((ERROR_FREEDOM + 1.0) / (ERROR_FREEDOM + 3.0)))
_TOLD_BY_BATCHES = float(np.sqrt((BATCH_FREEDOM + 1.0) / (BATCH_FREEDOM + 3.0)))


class Cells(NamedTuple):
    """Cultivars in houses, each array of shape (cells,). Numbers only tell equal from different."""

    house: Index
    crop: Index
    cultivar: Index  # of one crop each
    spread: Array  # prior standard deviation of the log multiplier


class Season(NamedTuple):
    """When in the year batches were seeded."""

    batch: Array  # (batches,), share of the year gone by, 0..1
    now: float  # of what is seeded now


class Evidence(NamedTuple):
    """What was found, each array of shape (pieces,). Log multipliers."""

    batch: Index  # row of ``batch_cell``
    low: Array  # -inf: open
    high: Array  # inf: open; equal to ``low``: measured
    sd: Array  # error of the measurement, or of where the bounds lie; above 0

    @classmethod
    def none(cls) -> Evidence:
        """Return no evidence."""
        return cls(np.empty(0, dtype=np.intp), np.empty(0), np.empty(0), np.empty(0))


def drifted(batch: Index, at_h: Array) -> Array:
    """Return how far the model may have drifted from what was found earlier of a batch than its last. [log multiplier]

    Parameters
    ----------
    batch : ndarray of int, shape (pieces,)
        Which batch each is about.
    at_h : ndarray, shape (pieces,)
        When. [h]
    """
    if not batch.size:
        return np.zeros(0)
    last = np.full(int(batch.max()) + 1, -np.inf)
    np.maximum.at(last, batch, at_h)
    return np.asarray(DRIFT_PER_WEEK * (last[batch] - at_h) / 168.0)


def ahead(posterior: Posterior, batch_cell: Index, batch: Index, at_h: Array, stage: Array) -> Posterior:
    """Return what is believed of batches as far as it bears on how they grow on from where they were last weighed.

    What was measured of a batch so far says less of what is to come, the more of its growth is ahead, but never less
    than nothing: its mean goes back towards that of its fellows, and it is known less well. What plants that were cut
    still regrow is not counted as ahead.

    Parameters
    ----------
    posterior : Posterior
        Of growth.
    batch_cell : ndarray of int, shape (batches,)
        Cell of each batch.
    batch : ndarray of int, shape (pieces,)
        Which batch each piece is about.
    at_h : ndarray, shape (pieces,)
        When. [h]
    stage : ndarray, shape (pieces,)
        Log of the weight over that of a ready head, at most 0; nan: cut as ready.
    """
    order = np.argsort(at_h, kind="stable")
    last = np.zeros(batch_cell.size)
    last[batch[order]] = np.nan_to_num(stage)[order]
    keep = np.exp(FADES * last)
    own2 = posterior.batch_own_sd**2
    most2 = np.maximum(posterior.batch_spread[batch_cell] ** 2, own2)
    ahead2 = np.minimum(keep**2 * own2 + STRAYS**2 * -last, most2)
    return posterior._replace(
        batch_mean=posterior.batch_shared + keep * (posterior.batch_mean - posterior.batch_shared),
        batch_sd=np.sqrt(posterior.batch_shared_sd**2 + ahead2),
        batch_own_sd=np.sqrt(ahead2),
    )


class Staged(NamedTuple):
    """Evidence as of ready heads, and the drift that was taken out of it."""

    evidence: Evidence
    drift: Array  # (batches,), of the batch's crop as seeded now: log multiplier for each e-fold of weight


def staged(evidence: Evidence, stage: Array, crop: Index, season: Season) -> Staged:
    """Read weights of young heads as those of ready ones, by the drift that batches weighed several times show.

    Only differences within batches count, so that nothing is taken from what batches have in common. Differences are
    taken as Student-t.

    Parameters
    ----------
    evidence : Evidence
        About growth.
    stage : ndarray, shape (pieces,)
        Log of the weight over that of a ready head, at most 0; nan: not weighed, which is left as it is.
    crop : ndarray of int, shape (batches,)
        Crop of each batch.
    season : Season
        When batches were seeded.
    """
    drift = np.zeros(crop.size)
    known = np.isfinite(stage) & (evidence.low == evidence.high)
    if not known.any():
        return Staged(evidence, drift)
    angle = 2.0 * np.pi * np.append(season.batch, season.now)
    wave = np.stack([np.ones(angle.size), np.cos(angle), np.sin(angle)], axis=1)
    shift, more = np.zeros(stage.size), np.zeros(stage.size)
    prior = np.diag(np.array(STAGE_SPREADS) ** -2.0)
    own = np.nan_to_num(stage)[:, None] * wave[evidence.batch]
    for number in np.unique(crop[evidence.batch[known]]):
        there = known & (crop[evidence.batch] == number)
        batch, sd, value = evidence.batch[there], evidence.sd[there], evidence.low[there]
        weight = np.ones(sd.size)
        mean, covariance = np.zeros(wave.shape[1]), np.linalg.inv(prior)
        for _ in range(5):
            precision = weight / sd**2
            total = np.maximum(np.bincount(batch, precision, crop.size), 1e-12)

            def within(
                column: Array, batch: Index = batch, p: Array = precision, total: Array = total
            ) -> Array:
                return np.asarray(column - (np.bincount(batch, p * column, total.size) / total)[batch])

            x = np.stack([within(column) for column in own[there].T], axis=1)
            y = within(value)
            covariance = np.linalg.inv(prior + x.T @ (x * precision[:, None]))
            mean = covariance @ (x.T @ (precision * y))
            weight = (ERROR_FREEDOM + 1.0) / (ERROR_FREEDOM + ((y - x @ mean) / sd) ** 2)
        of = (crop[evidence.batch] == number) & np.isfinite(stage)
        shift[of] = own[of] @ mean
        more[of] = np.sqrt(np.maximum(((own[of] @ covariance) * own[of]).sum(axis=1), 0.0))
        drift[crop == number] = wave[-1] @ mean
    return Staged(
        Evidence(evidence.batch, evidence.low - shift, evidence.high - shift, np.hypot(evidence.sd, more)),
        drift,
    )


class Posterior(NamedTuple):
    """What is believed of log multipliers, and why."""

    mean: Array  # (cells,), of what is seeded now
    sd: Array  # (cells,), of what is common to the batches of a cell
    batch_spread: Array  # (cells,), standard deviation between batches
    batches: Array  # (cells,), how many thoroughly measured batches its own evidence is worth
    batch_mean: Array  # (batches,)
    batch_sd: Array  # (batches,)
    batch_own_sd: Array  # (batches,), the part of it that other batches of the cell do not share
    batch_shared: Array  # (batches,), the mean of one of its cell and season of which nothing was found
    trust: Array  # (pieces,), 1: fits; towards 0: taken to be wrong
    weight: Array  # (pieces,), how far the cell's mean moves for each unit that this piece moves

    @property
    def batch_shared_sd(self) -> Array:
        """The part of ``batch_sd`` that batches of a cell share, shape (batches,)."""
        return np.sqrt(np.maximum(self.batch_sd**2 - self.batch_own_sd**2, 0.0))


def prior_covariance(cells: Cells) -> Array:
    """Covariance of the cells' log multipliers before any evidence, shape (cells, cells)."""

    def same(column: Index) -> NDArray[np.bool_]:
        return np.equal.outer(column, column)

    crop, cultivar, house = same(cells.crop), same(cells.cultivar), same(cells.house)
    alike = (
        SHARES["crop"] * crop
        + SHARES["cultivar"] * cultivar
        + SHARES["house"] * house
        + SHARES["house_cultivar"] * (cultivar & house)
    )
    return np.asarray(np.outer(cells.spread, cells.spread) * alike)


def calibrate(
    cells: Cells,
    batch_cell: Index,
    evidence: Evidence,
    season: Season | None = None,
    drift: Array | None = None,
) -> Posterior:
    r"""Learn the log multipliers of cells and batches.

    Parameters
    ----------
    cells : Cells
        All that are wanted or have evidence, each once.
    batch_cell : ndarray of int, shape (batches,)
        Cell of each batch, of those without evidence too.
    evidence : Evidence
        In any order.
    season : Season, optional
        When batches were seeded; none: there is no season.
    drift : ndarray, shape (pieces,), optional
        The part of each error that is drift, see :func:`drifted`; none: no part.

    Returns
    -------
    Posterior

    Notes
    -----
    With weights and batch spread given, everything is normal and exact: a batch whose evidence has precision
    :math:`P` tells its cell and season :math:`W = P / (1 + P \sigma_b^2)`, and the covariance of these terms is
    :math:`(I + K X^T W X)^{-1} K`, where :math:`X` says which terms a batch has. Weights, spread and the
    curvature of bounds then follow from the means and variances, in rounds that begin at the prior, so that the
    result does not depend on any order, and end when they move nothing any more. Where bounds would throw a round to
    and fro, as hardly anything holds it far inside them, it goes only part of its way.
    """
    n, many = cells.spread.size, batch_cell.size
    crops, crop_of_cell = np.unique(cells.crop, return_inverse=True)
    prior, of_cell, of_batch = _terms(cells, crop_of_cell, batch_cell, season)
    crop_of_batch = crop_of_cell[batch_cell]
    start2 = BATCH_SPREAD**2 / _AS_NORMAL
    scale2 = np.full(crops.size, start2)  # of the Student-t batch terms, by crop
    batch_weight = np.ones(many)
    posterior, terms = prior, np.zeros(prior.shape[0])
    shared_var = _variance(of_batch, prior)
    mean, var = np.zeros(many), shared_var + scale2[crop_of_batch]
    trust, gain = np.ones(evidence.sd.size), np.zeros(evidence.sd.size)
    informed = np.bincount(evidence.batch, minlength=many) > 0
    errors = _Errors(evidence, drift, crop_of_batch[evidence.batch], crops.size)
    telling, own_var = np.zeros(many), np.zeros(many)
    pace, way = 1.0, np.zeros(terms.size + many)
    for _ in range(ROUNDS if evidence.sd.size else 0):
        sized = evidence._replace(sd=errors.sd())
        precision, pull, trust = _weigh(sized, mean[evidence.batch], var[evidence.batch])
        p = np.bincount(evidence.batch, precision, many)
        q = np.bincount(evidence.batch, pull, many)
        spread2 = scale2[crop_of_batch] / batch_weight / _TOLD_BY_BATCHES
        rest = 1.0 / (1.0 + p * spread2)  # of a batch's own term, what stays unknown
        told = of_batch.T @ (of_batch * (p * rest)[:, None])
        posterior = np.asarray(np.linalg.solve(np.eye(prior.shape[0]) + prior @ told, prior))
        aim = posterior @ (of_batch.T @ (q * rest))
        before, way = way, np.concatenate([aim - terms, rest * (of_batch @ aim + spread2 * q) - mean])
        pace = pace / 2.0 if way @ before < 0.0 else min(1.0, 1.25 * pace)
        terms, mean = terms + pace * way[: terms.size], mean + pace * way[terms.size :]
        shared, shared_var = of_batch @ terms, _variance(of_batch, posterior)
        own_var = spread2 * rest
        var = own_var + rest**2 * shared_var
        telling = p * spread2 * rest
        own2 = (mean - shared) ** 2 + own_var + telling**2 * shared_var
        batch_weight = (BATCH_FREEDOM + 1.0) / (BATCH_FREEDOM + own2 / scale2[crop_of_batch])
        seen = np.bincount(crop_of_batch, informed * batch_weight * own2, crops.size)
        scale2_before, scale2 = (
            scale2,
            (BATCH_SPREAD_WEIGHT * start2 + seen)
            / (BATCH_SPREAD_WEIGHT + np.bincount(crop_of_batch, informed, crops.size)),
        )
        errors.learn(mean[evidence.batch], var[evidence.batch])
        moved = ((of_cell[batch_cell] @ posterior) * of_batch).sum(axis=1)
        gain = moved[evidence.batch] * precision * rest[evidence.batch]
        if np.abs(way).max() < SETTLED and np.abs(scale2 / scale2_before - 1.0).max() < SETTLED:
            break
    between2 = scale2[crop_of_cell] * _AS_NORMAL
    var = np.where(informed, var, shared_var + between2[batch_cell])
    own_var = np.where(informed, own_var, between2[batch_cell])
    return Posterior(
        mean=of_cell @ terms,
        sd=np.sqrt(_variance(of_cell, posterior)),
        batch_spread=np.sqrt(between2),
        batches=np.bincount(batch_cell, telling, n).astype(np.float64),
        batch_mean=mean,
        batch_sd=np.sqrt(var),
        batch_own_sd=np.sqrt(own_var),
        batch_shared=of_batch @ terms,
        trust=trust,
        weight=gain,
    )


class _Errors:
    """How large errors of measurements and drift are, as squares over what was assumed, by crop: the EM algorithm."""

    def __init__(self, evidence: Evidence, drift: Array | None, crop: Index, crops: int) -> None:
        self._evidence, self._crop, self._crops = evidence, crop, crops
        drift2 = np.zeros(crop.size) if drift is None else drift**2
        self._parts = (np.maximum(evidence.sd**2 - drift2, 0.0), drift2)
        self._measured = evidence.low == evidence.high
        # The last of a batch is as a rule its harvest, of many more heads than the samples before: of how far these
        # err it says nothing.
        samples = self._measured & (drift2 > 0.0)
        self._telling = (self._measured if drift is None else samples, samples)
        self._sizes = [np.ones(crops), np.ones(crops)]

    def _shares(self) -> list[Array]:
        return [size[self._crop] * part for size, part in zip(self._sizes, self._parts, strict=True)]

    def sd(self) -> Array:
        """Return errors as believed; those of bounds stay as they are."""
        return np.where(self._measured, np.sqrt(sum(self._shares())), self._evidence.sd)

    def learn(self, mean: Array, var: Array) -> None:
        """Learn from how far measurements lie from what is believed of their batches, wrong ones left out."""
        shares = self._shares()
        total = np.where(self._measured, sum(shares), 1.0)
        off2 = (np.where(self._measured, self._evidence.low, mean) - mean) ** 2 + var
        weight = (ERROR_FREEDOM + 1.0) / (ERROR_FREEDOM + off2 / total)
        for size, part, own, there in zip(self._sizes, self._parts, shares, self._telling, strict=True):
            fits = there * np.minimum(weight, 1.0)
            share = own / total
            expected = share**2 * weight * off2 + share * (1.0 - share) * total
            told = np.where(there, expected / np.where(there, part, 1.0), 0.0)
            size[:] = (ERROR_WEIGHT + np.bincount(self._crop, fits * told, self._crops)) / (
                ERROR_WEIGHT + np.bincount(self._crop, fits, self._crops)
            )


def _terms(
    cells: Cells, crop_of_cell: Index, batch_cell: Index, season: Season | None
) -> tuple[Array, Array, Array]:
    """Return the covariance of all terms, and which of them cells (as seeded now) and batches have."""
    n, crops = cells.spread.size, int(crop_of_cell.max(initial=-1)) + 1
    prior, of_cell = prior_covariance(cells), np.eye(n)
    if season is None:
        return prior, of_cell, of_cell[batch_cell]
    waves = np.repeat(SEASON_SHARES, 2 * crops)
    size = n + waves.size
    covariance = np.zeros((size, size))
    covariance[:n, :n] = prior * (1.0 - sum(SEASON_SHARES))
    covariance[n:, n:] = np.diag(waves)

    def with_season(cell: Index, year: Array) -> Array:
        rows = np.zeros((cell.size, size))
        lane = np.arange(cell.size)
        rows[lane, cell] = 1.0
        for i, (turn, wave) in enumerate((k, f) for k in range(1, 3) for f in (np.cos, np.sin)):
            rows[lane, n + i * crops + crop_of_cell[cell]] = cells.spread[cell] * wave(
                2.0 * np.pi * turn * year
            )
        return rows

    return (
        covariance,
        with_season(np.arange(n), np.full(n, season.now)),
        with_season(batch_cell, season.batch),
    )


def _variance(rows: Array, covariance: Array) -> Array:
    return np.asarray(np.maximum(((rows @ covariance) * rows).sum(axis=1), 0.0))


def _weigh(evidence: Evidence, mean: Array, var: Array) -> tuple[Array, Array, Array]:
    """Return precision, precision times value, and trust of each piece, given its batch's mean and variance."""
    measured = evidence.low == evidence.high
    value = np.where(measured, evidence.low, mean)
    strain = ((value - mean) ** 2 + var) / evidence.sd**2
    weight = (ERROR_FREEDOM + 1.0) / (ERROR_FREEDOM + strain)
    precision = _TOLD_BY_ERRORS * weight / evidence.sd**2
    pull = precision * value
    trust = np.minimum(weight, 1.0)
    bounds = ~measured
    if bounds.any():
        precision[bounds], pull[bounds], trust[bounds] = _weigh_bounds(
            evidence.low[bounds], evidence.high[bounds], evidence.sd[bounds], mean[bounds], var[bounds]
        )
    return precision, pull, trust


def _weigh_bounds(low: Array, high: Array, sd: Array, mean: Array, var: Array) -> tuple[Array, Array, Array]:
    """Second-order expansion, at the batch's mean, of the log probability to lie between bounds."""
    sigma = np.sqrt(sd**2 + var)  # the batch's multiplier is not known exactly either
    z_low, z_high = (low - mean) / sigma, (high - mean) / sigma
    inside = ndtr(z_high) - ndtr(z_low)
    d_low, d_high = _density(z_low), _density(z_high)
    probability = WRONG_SHARE + (1.0 - WRONG_SHARE) * inside
    slope = (1.0 - WRONG_SHARE) * (d_low - d_high) / sigma / probability
    bend = (1.0 - WRONG_SHARE) * (_times(z_low, d_low) - _times(z_high, d_high)) / sigma**2 / probability
    # Far outside, the curvature says nothing: at least as much that no step leads farther than just past the bound.
    outside = np.maximum(np.maximum(mean - high, low - mean), 0.0)
    precision = np.maximum(slope**2 - bend, np.abs(slope) / (outside + sigma))
    return precision, precision * mean + slope, (1.0 - WRONG_SHARE) * inside / probability


def _density(z: Array) -> Array:
    return np.asarray(np.exp(-0.5 * z**2) / np.sqrt(2.0 * np.pi))


def _times(z: Array, density: Array) -> Array:
    return np.where(np.isfinite(z), z, 0.0) * density

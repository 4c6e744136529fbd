"""Cells to sow: equal to exact quantiles, to simulation, and monotone in all that matters."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from service.agronomy.sowing import (
    MOST_CELLS,
    Belief,
    TooManyCells,
    belief,
    cells_for,
    enough,
    mixed_cell_share,
    sow,
    sow_each,
)

WANTED = st.integers(1, 600)
SHARES = st.floats(0.3, 0.995)
PROBABILITIES = st.sampled_from([0.5, 0.8, 0.9, 0.95, 0.99])
TESTED = st.integers(25, 800).flatmap(lambda n: st.tuples(st.integers(n // 2, n), st.just(n)))


@given(WANTED, SHARES, PROBABILITIES)
def test_known_rate_equals_the_negative_binomial_quantile(
    wanted: int, share: float, probability: float
) -> None:
    assert cells_for(wanted, share, probability) == wanted + stats.nbinom.ppf(probability, wanted, share)


@pytest.mark.parametrize(
    ("wanted", "tested", "probability"),
    [
        (10, (90, 100), 0.9),
        (160, (372, 400), 0.95),
        (200, (46, 50), 0.9),
        (30, (30, 50), 0.99),
        (1, (5, 10), 0.8),
    ],
)
def test_uncertain_rate_equals_the_beta_negative_binomial_quantile(
    wanted: int, tested: tuple[int, int], probability: float
) -> None:
    known = belief(*tested)
    bad_before = stats.betanbinom(wanted, known.good, known.bad)
    cells = cells_for(wanted, known, probability)
    assert bad_before.cdf(cells - wanted) >= probability > bad_before.cdf(cells - 1 - wanted)


@given(st.integers(1, 120), TESTED, st.integers(0, 80))
def test_probabilities_equal_scipys(wanted: int, tested: tuple[int, int], more: int) -> None:
    known, cells = belief(*tested), wanted + more
    believed = stats.betabinom.pmf(np.arange(wanted, cells + 1), cells, known.good, known.bad).sum()
    assert enough(cells, wanted, known) == pytest.approx(believed, abs=1e-9)
    share = tested[0] / tested[1]
    assert enough(cells, wanted, share) == pytest.approx(stats.binom.sf(wanted - 1, cells, share), abs=1e-12)


@pytest.mark.parametrize("known", [0.87, belief(87, 100)])
def test_simulation_agrees(known: float | Belief) -> None:
    rng = np.random.default_rng(7)
    wanted, probability, runs = 150, 0.9, 200_000
    cells = cells_for(wanted, known, probability)
    share = known if isinstance(known, float) else rng.beta(known.good, known.bad, runs)
    error = 4.0 * np.sqrt(probability * (1.0 - probability) / runs)
    assert np.mean(rng.binomial(cells, share, runs) >= wanted) >= probability - error
    assert np.mean(rng.binomial(cells - 1, share, runs) >= wanted) < probability + error


@given(WANTED, TESTED, PROBABILITIES)
def test_more_wanted_surer_or_worse_seed_never_takes_fewer_cells(
    wanted: int, tested: tuple[int, int], probability: float
) -> None:
    good, count = tested
    for known in (belief(good, count), max(0.05, good / count)):
        cells = cells_for(wanted, known, probability)
        assert cells_for(wanted + 1, known, probability) > cells
        assert cells_for(wanted, known, 0.5 + 0.5 * probability) >= cells
        assert enough(cells, wanted, known) >= probability > enough(cells - 1, wanted, known)
    assert cells_for(wanted, belief(good - 1, count), probability) >= cells_for(
        wanted, belief(good, count), probability
    )


def test_a_smaller_test_of_the_same_result_costs_cells() -> None:
    needed = [cells_for(200, belief(9 * n, 10 * n), 0.95) for n in (2, 5, 10, 40, 1000)]
    assert needed == sorted(needed, reverse=True)
    assert needed[-1] == pytest.approx(cells_for(200, 0.9, 0.95), abs=1)
    assert needed[0] > 1.1 * needed[-1]


def test_only_the_best_are_kept_and_trays_are_whole() -> None:
    sowing = sow(180, 0.95, 0.9, keep_best=0.9, tray_cells=20)
    assert sowing.cells == cells_for(200, 0.95, 0.9)
    assert sowing.trays == -(-sowing.cells // 20)
    assert sowing.probability == pytest.approx(stats.binom.sf(199, 20 * sowing.trays, 0.95))
    assert sowing.expected == pytest.approx(19.0 * sowing.trays)
    assert sow(90, 1.0, 0.9, keep_best=0.9).cells == 100
    assert sow(0, 0.9, 0.9, tray_cells=20).trays == 0


def test_a_mix_in_one_cell_needs_each_of_its_seeds() -> None:
    shares = [0.95, 0.9, 0.8]
    assert mixed_cell_share(shares) == pytest.approx(0.95 * 0.9 * 0.8)
    assert mixed_cell_share(shares, 0) == pytest.approx(1.0)
    assert mixed_cell_share(shares, 1) == pytest.approx(1.0 - 0.05 * 0.1 * 0.2)
    rng = np.random.default_rng(3)
    up = (rng.random((400_000, 3)) < shares).sum(axis=1)
    assert mixed_cell_share(shares, 2) == pytest.approx(np.mean(up >= 2), abs=3e-3)


def test_cultivars_in_cells_of_their_own_are_enough_together() -> None:
    wanted, rates = [50, 80, 20], [0.9, belief(80, 100), 0.7]
    sowings = sow_each(wanted, rates, 0.9, tray_cells=10)
    together = np.prod([s.probability for s in sowings])
    assert together >= 0.9
    assert all(s.cells > w for s, w in zip(sowings, wanted, strict=True))


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(ValueError, match="cannot have been good"):
        belief(11, 10)
    with pytest.raises(ValueError, match="probability"):
        cells_for(10, 0.9, 1.0)
    with pytest.raises(ValueError, match="share of 0"):
        cells_for(10, 0.0, 0.9)
    with pytest.raises(ValueError, match=r"share of 1\.1"):
        sow(10, 0.9, 0.9, keep_best=1.1)
    with pytest.raises(ValueError, match="at least one cell"):
        sow(10, 0.9, 0.9, tray_cells=0)
    with pytest.raises(TooManyCells, match=str(MOST_CELLS)):
        cells_for(1000, 1e-4, 0.9)
    with pytest.raises(TooManyCells):
        cells_for(1000, belief(0, 10_000_000), 0.9)

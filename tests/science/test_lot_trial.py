"""Trials of a new seed lot against published values, scipy and the tests written out."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.stats import binom, boschloo_exact, fisher_exact

from service.agronomy import lot_trial
from service.agronomy.lot_trial import Trial, boschloo_p, chances, fisher_p, interval, judge, score


@st.composite
def trials(draw, largest=40):
    new, old = draw(st.integers(1, largest)), draw(st.integers(1, largest))
    return Trial(draw(st.integers(0, new)), new, draw(st.integers(0, old)), old)


# --------------------------------------------------------------------------- exact tests


def test_fisher_of_a_published_table():
    # Fisher 1935, "The Design of Experiments", the tea tasting: 3 of 4 and 1 of 4; 34/70 two-sided.
    assert fisher_p(Trial(3, 4, 1, 4)) == pytest.approx(34 / 70)


def test_boschloo_of_a_published_table():
    # The example of scipy's manual for boschloo_exact, 74 of 117 against 31 of 63: one-sided 0.0355.
    # Two-sided is twice the smaller side.
    assert boschloo_p(Trial(74, 117, 31, 63)) == pytest.approx(2 * 0.0355, abs=2e-4)


@given(trials())
@settings(max_examples=60, deadline=None)
def test_p_values_are_those_of_scipy(trial):
    table = [
        [trial.new_good, trial.old_good],
        [trial.new_sown - trial.new_good, trial.old_sown - trial.old_good],
    ]
    assert fisher_p(trial) == pytest.approx(fisher_exact(table).pvalue, rel=1e-9)
    if 0 < trial.new_good + trial.old_good < trial.new_sown + trial.old_sown:
        assert boschloo_p(trial) == pytest.approx(boschloo_exact(table).pvalue, rel=1e-9)
    else:
        assert boschloo_p(trial) == 1.0


def written_out(trial: Trial) -> float:
    """Boschloo's test by its definition: one-sided Fisher p-values of all tables, and the worst of 2001 shares."""
    x, y = np.arange(trial.new_sown + 1), np.arange(trial.old_sown + 1)
    sides = []
    for alternative in ("less", "greater"):
        statistic = np.array(
            [
                [
                    fisher_exact([[a, b], [trial.new_sown - a, trial.old_sown - b]], alternative).pvalue
                    for b in y
                ]
                for a in x
            ]
        )
        extreme = statistic <= statistic[trial.new_good, trial.old_good] * (1 + 1e-9)
        shares = np.linspace(0.0, 1.0, 2001)[:, None]
        new, old = binom.pmf(x, trial.new_sown, shares), binom.pmf(y, trial.old_sown, shares)
        sides.append(float(np.einsum("sa,ab,sb->s", new, extreme, old).max()))
    return min(1.0, 2.0 * min(sides))


@pytest.mark.parametrize(
    "counts", [(9, 10, 4, 10), (12, 12, 9, 12), (3, 8, 11, 14), (7, 15, 5, 6), (10, 12, 10, 12)]
)
def test_boschloo_is_its_definition_written_out(counts):
    trial = Trial(*counts)
    assert boschloo_p(trial) == pytest.approx(written_out(trial), rel=2e-3)


@given(st.integers(2, 40), st.data())
@settings(max_examples=40, deadline=None)
def test_with_as_many_seeds_of_each_boschloo_is_never_weaker_than_fisher(seeds, data):
    trial = Trial(data.draw(st.integers(0, seeds)), seeds, data.draw(st.integers(0, seeds)), seeds)
    assert boschloo_p(trial) <= fisher_p(trial) * (1 + 1e-6)


def test_fisher_finds_less_than_its_level_allows_and_boschloo_more_of_it():
    """Why Boschloo's decides: of equal lots at any share, both call fewer than 5 % different, Fisher far fewer."""
    n = 14
    counts = np.arange(n + 1)
    every = lot_trial.fisher_all(n, n)
    fisher = boschloo = every <= 0.05
    boschloo = boschloo.copy()
    for a, b in np.argwhere((every > 0.05) & (every < 0.3)):  # what Fisher's finds, Boschloo's does too
        boschloo[a, b] = boschloo_p(Trial(int(a), n, int(b), n)) <= 0.05
    for rate in (0.3, 0.5, 0.7, 0.8):
        chance = binom.pmf(counts, n, rate)
        ours, theirs = float(chance @ boschloo @ chance), float(chance @ fisher @ chance)
        assert theirs < ours <= 0.05


@pytest.mark.parametrize(("new", "old"), [(13, 9), (20, 20), (1, 7)])
def test_fisher_of_every_table_at_once(new, old):
    expected = [
        [fisher_exact([[a, b], [new - a, old - b]]).pvalue for b in range(old + 1)] for a in range(new + 1)
    ]
    assert_allclose(lot_trial.fisher_all(new, old), expected, rtol=1e-9)


# --------------------------------------------------------------------------- interval


def test_the_score_interval_of_a_published_example():
    # Newcombe 1998, Statistics in Medicine 17:873, example (a), 56/70 and 48/80, Miettinen-Nurminen's method:
    # 0.0528 to 0.3382 (from memory; Mee's 0.0533 to 0.3377, which differs by the factor N/(N-1), read in the tests of
    # a package that cites it).
    assert_allclose(interval(Trial(56, 70, 48, 80)), (0.0528, 0.3382), atol=6e-5)


def test_the_score_of_a_published_example():
    # Read in the tests of the same package: Mee's statistic 2.65 at no difference and 1.348 at 0.1.
    factor = np.sqrt(150 / 149)
    assert float(score(56, 70, 48, 80, 0.0)) * factor == pytest.approx(2.65, abs=5e-4)
    assert float(score(56, 70, 48, 80, 0.1)) * factor == pytest.approx(1.348, abs=5e-4)


def test_the_score_fits_the_share_that_makes_the_counts_most_likely():
    """The closed form of the share of the old lot under a difference, against a search."""
    shares = np.linspace(0.0005, 0.8995, 40_000)
    x1, n1, x2, n2, difference = 15, 20, 12, 25, 0.1
    likelihood = binom.logpmf(x1, n1, shares + difference) + binom.logpmf(x2, n2, shares)
    old = shares[likelihood.argmax()]
    new = old + difference
    variance = (new * (1 - new) / n1 + old * (1 - old) / n2) * 45 / 44
    expected = (x1 / n1 - x2 / n2 - difference) / np.sqrt(variance)
    assert float(score(x1, n1, x2, n2, difference)) == pytest.approx(expected, rel=1e-4)


@given(trials(200))
@settings(max_examples=80, deadline=None)
def test_the_interval_holds_the_difference_and_turns_round_with_the_lots(trial):
    low, high = interval(trial)
    assert -1.0 <= low <= trial.difference <= high <= 1.0
    turned = interval(Trial(trial.old_good, trial.old_sown, trial.new_good, trial.new_sown))
    assert turned == pytest.approx((-high, -low), abs=1e-6)


def test_the_interval_holds_the_truth_as_often_as_it_says():
    rng = np.random.default_rng(3)
    new, old = rng.binomial(150, 0.85, 60), rng.binomial(120, 0.9, 60)
    for a, b in zip(new, old, strict=True):
        low, high = interval(Trial(int(a), 150, int(b), 120))
        assert (low <= -0.05 <= high) == (abs(float(score(a, 150, b, 120, -0.05))) <= 1.959964)
    new, old = rng.binomial(150, 0.85, 4000), rng.binomial(120, 0.9, 4000)
    held = np.abs(score(new, 150, old, 120, -0.05)) <= 1.959964
    assert 0.94 <= held.mean() <= 0.96


@pytest.mark.parametrize(
    ("good", "tested", "low", "high"),
    # Wilson's interval in Newcombe 1998, Statistics in Medicine 17:857, table I (from memory): 81 of 263, 15 of 148,
    # 0 of 20, 1 of 29.
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_the_interval_of_one_share(good, tested, low, high):
    assert_allclose(lot_trial.share_interval(good, tested), (low, high), atol=6e-5)


def test_batches_that_differ_make_a_wider_interval():
    alike = lot_trial.clustered_interval([90, 91, 89], [100, 100, 100])
    assert_allclose(alike, lot_trial.share_interval(270, 300))
    apart = lot_trial.clustered_interval([98, 92, 80], [100, 100, 100])
    assert apart[0] < alike[0]
    assert apart[1] > alike[1]
    assert lot_trial.clustered_interval([], []) == (0.0, 1.0)
    assert lot_trial.clustered_interval([0, 5], [0, 10]) == lot_trial.share_interval(5, 10)


# --------------------------------------------------------------------------- verdict


@pytest.mark.parametrize(
    ("counts", "verdict", "said"),
    [
        ((230, 250, 228, 250), "as_good", "The new lot is as good"),
        ((60, 100, 90, 100), "worse", "The new lot is worse."),
        ((92, 100, 70, 100), "better", "The new lot is better."),
        ((18, 20, 19, 20), "too_few", "About 200 seeds of each lot, 180 more than now"),
        ((200, 200, 190, 200), "better", "5 more"),
        ((940, 1000, 970, 1000), "worse", "though by no more than 10 of 100"),
        ((0, 10, 0, 10), "too_few", "Too few to say"),
    ],
)
def test_verdicts(counts, verdict, said):
    found = judge(Trial(*counts))
    assert found.verdict == verdict
    assert said in found.sentence
    assert f"Of the new lot {counts[0]} of {counts[1]} came up well" in found.sentence


def test_the_same_trial_is_as_good_or_too_few_by_the_margin():
    trial = Trial(88, 100, 90, 100)
    assert judge(trial).verdict == "too_few"
    assert judge(trial, 0.15).verdict == "as_good"
    with pytest.raises(ValueError, match="margin"):
        judge(trial, 0.0)
    with pytest.raises(ValueError, match="new lot"):
        Trial(11, 10, 5, 10)


def test_beyond_so_many_seeds_fisher_decides():
    found = judge(Trial(900, 1000, 850, 1000))
    assert (found.test, found.p_boschloo, found.p_value) == ("fisher", None, found.p_fisher)


def test_so_many_seeds_do_tell():
    """The power that is promised, against trials drawn at random and judged one by one."""
    seeds = lot_trial.seeds_to_tell(0.9)
    assert seeds == 250
    as_good, worse = chances(seeds, 0.9, 0.1)
    rng = np.random.default_rng(11)
    old = rng.binomial(seeds, 0.9, 150)
    equal, lower = rng.binomial(seeds, 0.9, 150), rng.binomial(seeds, 0.8, 150)
    pairs = list(zip(old, equal, lower, strict=True))
    low = [interval(Trial(int(e), seeds, int(o), seeds))[0] for o, e, _ in pairs]
    found = [fisher_p(Trial(int(w), seeds, int(o), seeds)) <= 0.05 and w < o for o, _, w in pairs]
    assert np.mean(np.array(low) >= -0.1) == pytest.approx(as_good, abs=0.08)
    assert np.mean(found) == pytest.approx(worse, abs=0.08)
    assert min(as_good, worse) >= 0.8


def test_more_seeds_are_needed_for_a_finer_margin_and_near_a_half():
    wide, middle, usual = (lot_trial.seeds_to_tell(0.9, margin) for margin in (0.2, 0.15, 0.1))
    assert wide < middle < usual
    assert lot_trial.seeds_to_tell(0.6, 0.15) > middle


def test_where_even_a_thousand_do_not_tell_it_is_said():
    found = judge(Trial(90, 100, 90, 100), 0.02)
    assert (found.verdict, found.seeds_to_tell) == ("too_few", None)
    assert "more than 1000 seeds of each lot" in found.sentence

"""Calibration: pooling, robustness and honest ranges; and what counts, weights and cuts say."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ndtr, ndtri, stdtrit

from service.agronomy import calibration as law
from service.agronomy import evidence as science
from service.agronomy import forecast
from service.agronomy.outlook import Outlook
from service.work.profiles import profile, profile_names

SPREAD = 0.12
ratios = st.floats(-0.4, 0.4)
errors = st.floats(0.02, 0.3)


def cells(*places, spread=SPREAD):
    """Return cells of (house, crop, cultivar)."""
    columns = np.array(places, dtype=np.intp).reshape(-1, 3).T
    return law.Cells(*columns, np.full(len(places), spread))


ONE = cells((0, 0, 0))


def learn(values, *, sd=0.06, of=ONE, cell=None, batch=None):
    """Calibrate from measured log ratios, each of a batch of its own if not said otherwise."""
    values = np.asarray(values, dtype=float)
    batch = np.arange(values.size) if batch is None else np.asarray(batch)
    cell = np.zeros(int(batch.max(initial=-1)) + 1, dtype=int) if cell is None else np.asarray(cell)
    error = np.broadcast_to(np.asarray(sd, dtype=float), values.shape)
    return law.calibrate(of, cell, law.Evidence(batch, values, values, error))


def learn_bounds(bounds, sd=0.05):
    low, high = np.array(bounds, dtype=float).T
    batch = np.arange(low.size)
    return law.calibrate(
        ONE, np.zeros(low.size, dtype=int), law.Evidence(batch, low, high, np.full(low.size, sd))
    )


# --------------------------------------------------------------------------- the law


def test_without_evidence_the_prior_stands():
    of = cells((0, 0, 0), (0, 1, 1), (1, 0, 0))
    out = law.calibrate(of, np.array([0, 2]), law.Evidence.none())
    assert (out.mean == 0.0).all()
    assert out.sd == pytest.approx(SPREAD)
    assert out.batch_spread == pytest.approx(law.BATCH_SPREAD)
    assert (out.batches == 0.0).all()
    assert out.batch_sd == pytest.approx(np.hypot(SPREAD, law.BATCH_SPREAD))


def test_shares_of_the_prior_add_up_and_pool_by_what_is_shared():
    assert sum(law.SHARES.values()) == pytest.approx(1.0)
    of = cells((0, 0, 0), (1, 0, 0), (0, 0, 1), (0, 1, 2), (1, 1, 2), spread=1.0)
    alike = law.prior_covariance(of)[0]
    assert alike.tolist() == pytest.approx([1.0, 0.5, 0.55, 0.3, 0.0])


@given(values=st.lists(ratios, min_size=1, max_size=6), sd=errors)
def test_evidence_that_agrees_narrows(values, sd):
    before = learn(values, sd=sd)
    more = learn([*values, float(before.mean[0])], sd=sd)
    assert more.sd[0] < before.sd[0]
    assert before.sd[0] < SPREAD


@given(data=st.data(), n=st.integers(1, 12))
def test_order_does_not_matter(data, n):
    of = cells((0, 0, 0), (1, 0, 0), (1, 0, 1))
    low = np.array(data.draw(st.lists(ratios, min_size=n, max_size=n)))
    open_ = np.array(data.draw(st.lists(st.booleans(), min_size=n, max_size=n)))
    batch = np.array(data.draw(st.lists(st.integers(0, 5), min_size=n, max_size=n)))
    evidence = law.Evidence(batch, low, np.where(open_, np.inf, low), np.full(n, 0.08))
    home = np.array([0, 1, 2, 0, 1, 2])
    order = np.array(data.draw(st.permutations(range(n))))
    out = law.calibrate(of, home, evidence)
    again = law.calibrate(of, home, law.Evidence(*(column[order] for column in evidence)))
    for one, other in zip(out[:-2], again[:-2], strict=True):
        assert other == pytest.approx(one, abs=1e-9)
    assert again.trust == pytest.approx(out.trust[order], abs=1e-9)


@settings(max_examples=60)
@given(value=st.floats(-0.2, 0.2), wrong=st.floats(-4.0, 4.0), n=st.integers(4, 10))
def test_one_wrong_count_moves_the_mean_by_less_than_it_is_unsure(value, wrong, n):
    clean = learn([value] * n)
    out = learn([*[value] * n, wrong])
    assert abs(out.mean[0] - clean.mean[0]) < clean.sd[0]
    if abs(wrong - value) > 0.69:  # twice or half of what it should be
        assert abs(out.mean[0] - clean.mean[0]) < 0.025
        assert out.trust[-1] < 0.12


def test_what_is_far_from_the_profile_is_believed_when_it_comes_again_and_again():
    assert learn([0.5] * 8).mean[0] == pytest.approx(0.47, abs=0.03)


def test_counts_of_one_batch_are_not_several_batches():
    once, often = learn([0.2]), learn([0.2] * 8, batch=[0] * 8)
    apart = learn([0.2] * 8)
    assert apart.sd[0] < 0.65 * often.sd[0]
    assert often.sd[0] < once.sd[0]
    assert often.batches[0] < 1.0
    assert apart.batches[0] > 3.0


def test_other_houses_and_cultivars_profit_partly():
    of = cells((0, 0, 0), (1, 0, 0), (0, 0, 1), (1, 1, 2))
    out = learn([0.2] * 8, of=of, cell=[0] * 8)
    own, other_house, other_cultivar, stranger = out.mean
    assert own > 0.17
    assert 0.3 * own < other_house < 0.7 * own
    assert 0.3 * own < other_cultivar < 0.7 * own
    assert stranger == pytest.approx(0.0, abs=1e-12)
    assert out.sd[0] < out.sd[1] < SPREAD
    assert out.batches.tolist() == pytest.approx([out.batches[0], 0.0, 0.0, 0.0])


def test_batches_that_differ_widen_the_spread_between_batches():
    calm, wild = learn([0.0] * 12), learn([-0.2, 0.2] * 6)
    assert calm.batch_spread[0] < law.BATCH_SPREAD < wild.batch_spread[0]


def test_weights_say_how_far_the_mean_follows_a_piece():
    values = np.array([0.05, 0.1, 0.12, 0.02])
    out = learn(values)
    assert 0.0 < out.weight.sum() < 1.0
    # Nearly: trust in the piece changes a little, too.
    nudged = learn(values + np.array([0.0, 0.001, 0.0, 0.0]))
    assert (nudged.mean[0] - out.mean[0]) / 0.001 == pytest.approx(out.weight[1], rel=0.35)


@pytest.mark.parametrize("tails", [np.inf, law.BATCH_FREEDOM], ids=["normal", "heavy-tailed"])
def test_batches_spread_as_wide_as_their_range_is(tails):
    # The 10-90 % range is what is shown of a spread, whatever the tails.
    share = (np.arange(2000) + 0.5) / 2000
    value = 0.05 * (ndtri(share) if np.isinf(tails) else stdtrit(tails, share))
    each = np.arange(value.size)
    evidence = law.Evidence(each, value, value, np.full(value.size, 0.005))
    # Cuts, which say nothing of how large errors are.
    out = law.calibrate(ONE, np.zeros_like(each), evidence, drift=np.zeros(value.size))
    low, high = np.quantile(value, [0.1, 0.9])
    assert 2.0 * ndtri(0.9) * out.batch_spread[0] == pytest.approx(high - low, rel=0.04)


def seasonal(values, *, now, n=104, spread=SPREAD):
    """Calibrate from two years of weekly batches whose log multiplier follows the year."""
    year = np.arange(n) / 52.0 % 1.0
    value = np.array([values(y) for y in year])
    one = law.Cells(*ONE[:3], np.full(1, spread))
    evidence = law.Evidence(np.arange(n), value, value, np.full(n, 0.05))
    return law.calibrate(one, np.zeros(n, dtype=int), evidence, law.Season(year, now))


def test_what_the_year_does_is_learnt_for_the_season_asked_about():
    def wave(share):
        return 0.1 * np.cos(2.0 * np.pi * share)

    winter, summer = (float(seasonal(wave, now=now).mean[0]) for now in (0.0, 0.5))
    assert winter == pytest.approx(0.1, abs=0.04)
    assert summer == pytest.approx(-0.1, abs=0.04)
    level = [float(seasonal(lambda _: 0.1, now=now).mean[0]) for now in (0.0, 0.25, 0.5, 0.75)]
    assert level == pytest.approx([0.1] * 4, abs=0.02)


def test_a_season_without_evidence_is_less_sure_than_one_with():
    year = np.full(10, 0.5)
    value = np.zeros(10)
    evidence = law.Evidence(np.arange(10), value, value, np.full(10, 0.05))
    home = np.zeros(10, dtype=int)
    same, other = (law.calibrate(ONE, home, evidence, law.Season(year, now)).sd[0] for now in (0.5, 0.0))
    assert same < other


def test_what_was_found_earlier_of_a_batch_weighs_less():
    batch, at = np.array([0, 0, 1]), np.array([0.0, 168.0, 0.0])
    assert law.drifted(batch, at).tolist() == pytest.approx([law.DRIFT_PER_WEEK, 0.0, 0.0])
    assert law.drifted(np.empty(0, dtype=int), np.empty(0)).size == 0


def test_what_was_weighed_young_says_less_of_what_is_to_come_but_never_less_than_nothing():
    """Three batches measured alike: at a fifth of the weight, at two thirds, cut; and one that was not."""
    stage = np.array([np.log(0.2), np.log(2.0 / 3.0), np.nan])
    value = np.array([0.0, 0.02, -0.02])
    evidence = law.Evidence(np.arange(3), value, value, np.full(3, 0.03))
    home = np.zeros(4, dtype=int)
    out = law.calibrate(ONE, home, evidence, drift=np.zeros(3))
    on = law.ahead(out, home, np.arange(3), np.zeros(3), stage)
    left = np.array([np.log(5.0), np.log(1.5), 0.0, 0.0])
    keep = np.exp(-law.FADES * left)
    own2 = keep**2 * out.batch_own_sd**2 + law.STRAYS**2 * left
    assert on.batch_own_sd**2 == pytest.approx(np.minimum(own2, out.batch_spread[0] ** 2))
    assert on.batch_sd**2 - on.batch_own_sd**2 == pytest.approx(out.batch_sd**2 - out.batch_own_sd**2)
    assert out.batch_shared == pytest.approx(out.mean[[0, 0, 0, 0]])
    apart = out.batch_mean - out.batch_shared
    assert on.batch_mean - on.batch_shared == pytest.approx(keep * apart)
    assert apart[1] > 0.0
    assert (on.batch_mean[2:] == out.batch_mean[2:]).all()


def test_however_much_is_ahead_of_a_batch_no_more_is_unknown_than_of_one_that_was_never_weighed():
    value, home = np.array([0.3]), np.zeros(2, dtype=int)
    evidence = law.Evidence(np.arange(1), value, value, np.full(1, 0.03))
    out = law.calibrate(ONE, home, evidence, drift=np.zeros(1))
    on = law.ahead(out, home, np.arange(1), np.zeros(1), np.array([-1000.0]))
    assert on.batch_mean == pytest.approx(on.batch_shared, abs=1e-9)
    assert on.batch_own_sd[0] == pytest.approx(out.batch_spread[0])


@pytest.mark.parametrize(("error", "drift"), [(0.4, 0.3), (1.0, 1.0), (2.0, 1.0), (0.4, 2.0)])
def test_how_far_measurements_err_and_drift_is_learnt(error, drift):
    """Ten farms of forty batches measured five times, a week apart, err by other than the assumed sizes."""
    draw = np.random.default_rng(21)
    batch, week = np.repeat(np.arange(40), 5), np.tile(np.arange(5.0), 40)
    aged = law.drifted(batch, 168.0 * week)
    real2 = (0.08 * error) ** 2 + (drift * aged) ** 2
    known = 1.0 / np.sqrt(np.bincount(batch, 1.0 / real2) + 0.05**-2.0)
    z, widths = [], []
    for _ in range(10):
        truth = 0.1 + 0.05 * draw.standard_normal(40)
        value = truth[batch] + np.sqrt(real2) * draw.standard_normal(200)
        evidence = law.Evidence(batch, value, value, np.hypot(0.08, aged))
        out = law.calibrate(ONE, np.zeros(40, dtype=int), evidence, drift=aged)
        z.append((truth - out.batch_mean) / out.batch_sd)
        widths.append(np.median(out.batch_own_sd / known))
    # Rather too wide than too narrow where records are far better than assumed.
    assert 0.72 < np.mean(np.abs(z) < 1.2816) < 0.93
    assert 0.85 < np.mean(widths) < 1.5


def test_an_own_count_moves_a_batch_more_than_its_cell():
    out = learn([0.0, 0.0, 0.0, 0.2], sd=0.03)
    assert out.batch_mean[3] > out.mean[0] + 0.03
    assert (out.batch_own_sd < law.BATCH_SPREAD).all()


@pytest.mark.parametrize(
    ("bounds", "low", "high"),
    [
        ([(-np.inf, -0.1)] * 4, -0.5, -0.1),  # cut early again and again: slow
        ([(0.1, np.inf)] * 4, 0.1, 0.5),  # held: fast
        ([(0.05, 0.15)] * 6, 0.05, 0.15),
        ([(-0.5, 0.5)] * 4, -0.01, 0.01),
    ],
)
def test_cuts_lay_growth_between_bounds(bounds, low, high):
    out = learn_bounds(bounds)
    assert low - 0.02 <= out.mean[0] <= high + 0.02
    assert out.sd[0] < SPREAD


@given(low=st.floats(-3, 3), width=st.floats(0, 1), open_=st.sampled_from(["low", "high", "no"]))
def test_bounds_wherever_they_lie_leave_a_finite_answer(low, width, open_):
    bound = (-np.inf if open_ == "low" else low, np.inf if open_ == "high" else low + width)
    out = learn_bounds([bound, (0.0, 0.1)])
    for column in out:
        assert np.isfinite(column).all()
    assert (out.sd <= SPREAD + 1e-12).all()


def cut_farm(draw, kind, spread, n):
    """Return bounds that the cuts of batches give, each within a tenth of its batch's log multiplier."""
    batch = spread * draw.standard_normal() + law.BATCH_SPREAD * draw.standard_normal(n)
    near = 0.12 * draw.random(n)
    if kind == "ready":
        return batch - near, batch - near + 0.12
    early = {"early": np.ones(n, bool), "held": np.zeros(n, bool), "either": draw.random(n) < 0.5}[kind]
    return np.where(early, -np.inf, batch - near), np.where(early, batch + near, np.inf)


def by_quadrature(low, high, spread, sd=0.05):
    """Return mean and standard deviation of a cell's log multiplier, summed over a grid of it and of spreads."""
    at = np.linspace(-1.5, 1.5, 1201)
    between = np.geomspace(0.03, 0.3, 16)[:, None]
    freedom = law.BATCH_SPREAD_WEIGHT
    log = -0.5 * (at / spread) ** 2 - freedom * (np.log(between) + 0.5 * (law.BATCH_SPREAD / between) ** 2)
    for one, other in zip(low, high, strict=True):
        inside = ndtr((other - at) / np.hypot(sd, between)) - ndtr((one - at) / np.hypot(sd, between))
        log = log + np.log(law.WRONG_SHARE + (1.0 - law.WRONG_SHARE) * inside)
    weight = np.exp(log - log.max()).sum(axis=0)
    mean = np.average(at, weights=weight)
    return mean, np.sqrt(np.average((at - mean) ** 2, weights=weight))


@pytest.mark.parametrize("kind", ["ready", "early", "held", "either"])
@pytest.mark.parametrize("spread", [0.12, 0.25])
def test_cuts_without_weights_say_what_the_sum_over_all_multipliers_says(kind, spread):
    draw = np.random.default_rng(8)
    of = cells((0, 0, 0), spread=spread)
    for n in (10, 16, 25, 50):
        low, high = cut_farm(draw, kind, spread, n)
        told = law.Evidence(np.arange(n), low, high, np.full(n, 0.05))
        out = law.calibrate(of, np.zeros(n, dtype=int), told)
        mean, sd = by_quadrature(low, high, spread)
        assert abs(out.mean[0] - mean) < max(0.02, 0.6 * sd), (n, out.mean, mean)
        assert 0.5 * sd < out.sd[0] < 1.3 * sd


@pytest.mark.parametrize("bound", [0.05, 0.1, 0.2, 0.3])
@pytest.mark.parametrize("n", [1, 10, 15, 40, 100])
def test_one_round_more_changes_nothing(bound, n, monkeypatch):
    """Cuts that all say the same, far from the profile, must not throw the rounds to and fro."""

    def held(rounds):
        monkeypatch.setattr(law, "ROUNDS", rounds)
        many = np.arange(n)
        told = law.Evidence(many, np.full(n, bound), np.full(n, np.inf), np.full(n, 0.05))
        season = law.Season(many / n, 0.5)
        return law.calibrate(ONE, np.zeros(n, dtype=int), told, season).mean[0]

    settled = held(law.ROUNDS)
    assert 0.0 < settled < bound + 0.35
    monkeypatch.setattr(law, "SETTLED", 0.0)
    rounds = [held(each) for each in (150, 151, 152)]
    assert rounds == pytest.approx([settled] * 3, abs=0.005)
    assert rounds[1:] == pytest.approx(rounds[:-1], abs=1e-4)


def simulated_farm(draw, wrong_share, bounds_share):
    """Return a farm of three houses with three cultivars, its true log multipliers, and what was learnt of it."""
    house, kind = np.divmod(np.arange(9), 3)
    of = law.Cells(house, np.array([0, 0, 1])[kind], kind, np.array([0.12, 0.12, 0.15])[kind])
    truth = draw.multivariate_normal(np.zeros(9), law.prior_covariance(of))
    home = np.repeat(np.arange(9), draw.integers(0, 14, 9))
    spread = law.BATCH_SPREAD * np.sqrt(law.BATCH_SPREAD_WEIGHT / draw.chisquare(law.BATCH_SPREAD_WEIGHT))
    batch_truth = truth[home] + spread * draw.standard_normal(home.size)
    batch = np.repeat(np.arange(home.size), draw.integers(1, 3, home.size))
    sd = draw.uniform(0.03, 0.15, batch.size)
    value = batch_truth[batch] + sd * draw.standard_normal(batch.size)
    wrong = draw.random(batch.size) < wrong_share
    value = value + wrong * draw.choice([-1.0, 1.0], batch.size) * draw.uniform(0.3, 1.0, batch.size)
    threshold = batch_truth[batch] + draw.normal(0.0, 0.1, batch.size)
    bounded = draw.random(batch.size) < bounds_share
    low = np.where(bounded, np.where(value > threshold, threshold, -np.inf), value)
    high = np.where(bounded, np.where(value > threshold, np.inf, threshold), value)
    out = law.calibrate(of, home, law.Evidence(batch, low, high, sd))
    coming = truth + spread * draw.standard_normal(9)
    return {
        "cell": (truth - out.mean) / out.sd,
        "batch": (batch_truth - out.batch_mean) / out.batch_sd,
        "coming": (coming - out.mean) / np.hypot(out.sd, out.batch_spread),
    }


@pytest.mark.parametrize(("wrong_share", "bounds_share"), [(0.0, 0.0), (0.05, 0.0), (0.0, 0.5), (0.03, 0.5)])
def test_ranges_of_simulated_farms_are_honest(wrong_share, bounds_share):
    """Simulation-based calibration: of 300 farms, 80 % of truths lie in 10-90 %, to within 5 points."""
    draw = np.random.default_rng(11)
    farms = [simulated_farm(draw, wrong_share, bounds_share) for _ in range(300)]
    for what in ("cell", "batch", "coming"):
        z = np.concatenate([farm[what] for farm in farms])
        inside = np.mean(np.abs(z) < 1.2816)
        assert 0.75 <= inside <= 0.86, (what, inside)
        assert abs(z.mean()) < 0.08, (what, z.mean())


# --------------------------------------------------------------------------- what was recorded

FIRST = 480_000
CROP = profile("butterhead")
FAR = 24.0 * 60


def zone(dli=14.0, temp=20.0, days=90, measured=True):
    light = np.zeros((1, 24 * days))
    light[:, np.arange(24 * days) % 24 < 14] = dli / 14
    return Outlook(FIRST, np.full(light.shape, float(temp)), light, np.full(24 * days, measured))


def past(emerged=np.nan, looked=np.nan, transplanted=np.nan, seeded=FIRST + 24.0):
    return science.Past(*(np.array([v], dtype=float) for v in (seeded, emerged, looked, transplanted)))


def count(leaves, day, of=None, where=None):
    at, batch = np.array([FIRST + 24.0 * day]), np.zeros(1, dtype=np.intp)
    env = zone() if where is None else where
    return science.leaves(CROP, env, env, past() if of is None else of, batch, at, np.array([float(leaves)]))


def cut(day, fresh=np.nan, ready=(-np.inf, np.inf), crop=CROP, where=None, emerged=np.nan):
    of = past(emerged=emerged, looked=emerged - 24.0, transplanted=FIRST + 24.0 * 16)
    at, batch = np.array([FIRST + 24.0 * day]), np.zeros(1, dtype=np.intp)
    env = zone() if where is None else where
    days = tuple(np.array([d], dtype=float) for d in ready)
    return science.heads(crop, env, env, 400.0, (600.0, 25.0), of, batch, at, np.array([float(fresh)]), days)


def simulated(leaf, growth, day, crop=CROP):
    """Return what the forecast makes of a batch under known multipliers: leaves and fresh weight on a day."""
    env = zone()
    batch = forecast.Batches(
        *(
            np.array([v], dtype=float)
            for v in (FIRST + 24.0, np.nan, np.nan, np.nan, FIRST + 24.0 * 16, crop.target_dry_g, 600.0, 25.0)
        )
    )
    factors = forecast.Multipliers(np.array([leaf]), np.array([growth]), np.zeros(1))
    out = forecast.forecast(crop, env, env, 400.0, batch, factors, FIRST + 24.0 * day)
    return float(out.leaves_now[0, 0]), float(out.fresh_g_now[0, 0]), float(out.harvest[0, 0])


@pytest.mark.parametrize("rate", [0.7, 1.0, 1.3])
def test_a_count_gives_back_the_leaf_rate_that_made_it(rate):
    leaves, _, _ = simulated(rate, 1.0, 15)
    found = count(leaves, 15)
    assert found.low[0] == found.high[0] == pytest.approx(np.log(rate), abs=1e-6)
    assert found.observed[0] / found.expected[0] == pytest.approx(rate, abs=1e-6)


def test_a_count_after_transplanting_is_held_against_where_the_plants_stood():
    warm, cool = zone(temp=24.0), zone(temp=14.0)
    batch, at = np.zeros(1, dtype=np.intp), np.array([FIRST + 24.0 * 25])
    of = past(transplanted=FIRST + 24.0 * 14)
    mixed = science.leaves(CROP, warm, cool, of, batch, at, np.array([6.0])).expected[0]
    all_warm = science.leaves(CROP, warm, warm, of, batch, at, np.array([6.0])).expected[0]
    all_cool = science.leaves(CROP, cool, cool, of, batch, at, np.array([6.0])).expected[0]
    assert all_cool < mixed < all_warm


def test_few_leaves_say_little_and_none_only_a_bound():
    few, many = count(1.0, 8), count(6.0, 20)
    assert few.sd[0] > 2.0 * many.sd[0] > 0.0
    none = count(0.0, 15)
    assert none.low[0] == -np.inf
    assert np.isfinite(none.high[0])
    early = count(0.0, 3)
    assert (early.low[0], early.high[0]) == (-np.inf, np.inf)
    nothing = law.calibrate(
        ONE, np.zeros(1, dtype=int), law.Evidence(np.zeros(1, dtype=int), early.low, early.high, early.sd)
    )
    assert (nothing.mean[0], nothing.sd[0]) == pytest.approx((0.0, SPREAD))


def test_counted_emergence_makes_a_count_surer():
    emerged = float(science.emergence_h(CROP, zone(), past())[0])
    known, computed = count(4.0, 15, past(emerged=emerged, looked=emerged - 24.0)), count(4.0, 15)
    assert known.expected == pytest.approx(computed.expected)
    assert known.sd[0] < computed.sd[0]


def test_emergence_lies_between_the_looks():
    computed = float(science.emergence_h(CROP, zone(), past())[0])

    def emerged(**looks):
        return float(science.emergence_h(CROP, zone(), past(**looks))[0])

    # Counted for the first time days later: it was up when the thermal time says.
    assert emerged(emerged=computed + 80.0) == computed
    # Up before the thermal time says, and still not up after it.
    assert emerged(emerged=computed - 15.0) == computed - 15.0
    assert emerged(looked=computed + 30.0, emerged=computed + 90.0) == computed + 30.0
    # Looked for every day: it was when it was seen, within half a day.
    assert emerged(looked=computed + 30.0, emerged=computed + 54.0) == computed + 54.0
    faster = float(science.emergence_h(CROP, zone(), past(), np.array([2.0]))[0])
    assert faster - FIRST - 24.0 == pytest.approx((computed - FIRST - 24.0) / 2.0, abs=3.0)


def test_an_emergence_count_says_how_fast_seeds_came_up_at_least():
    computed = float(science.emergence_h(CROP, zone(), past())[0])
    late = science.emergence(CROP, zone(), past(emerged=computed + 80.0))
    assert late.low[0] < -0.5
    assert late.high[0] == np.inf
    early = science.emergence(CROP, zone(), past(emerged=computed - 24.0))
    assert early.low[0] > 0.2
    between = science.emergence(CROP, zone(), past(looked=computed - 40.0, emerged=computed + 40.0))
    assert between.low[0] < 0.0 < between.high[0] < np.inf
    seen = science.emergence(CROP, zone(), past(looked=computed - 20.0, emerged=computed + 4.0))
    assert seen.low[0] == seen.high[0] == pytest.approx(0.0, abs=0.1)
    nobody = science.emergence(CROP, zone(), past())
    assert (nobody.low[0], nobody.high[0]) == (-np.inf, np.inf)
    assert seen.expected[0] == pytest.approx((computed - FIRST - 24.0) / 24.0)


def test_emergence_that_is_recorded_was_looked_for():
    """A grower who writes down only that seedlings are up has looked for them the days before."""
    computed = float(science.emergence_h(CROP, zone(), past())[0])
    recorded = past(emerged=computed + 20.0)
    assert float(science.emergence_h(CROP, zone(), recorded)[0]) == computed + 20.0
    alone, looked = (
        science.emergence(CROP, zone(), of)
        for of in (recorded, past(looked=computed - 4.0, emerged=computed + 20.0))
    )
    assert alone.low[0] == alone.high[0] == looked.low[0] < -0.2
    assert alone.sd[0] == pytest.approx(2.0 * looked.sd[0])
    assert looked.sd[0] < alone.sd[0] < 0.5
    # Twelve such batches teach that seeds come up slowly in this house.
    many = np.arange(12)
    each = law.Evidence(many, *(np.repeat(column, 12) for column in (alone.low, alone.high, alone.sd)))
    house = law.Cells(*(np.zeros(1, dtype=int),) * 3, np.array([science.EMERGENCE_SPREAD]))
    learned = law.calibrate(house, np.zeros(12, dtype=int), each)
    assert 1.2 * alone.low[0] < learned.mean[0] < 0.7 * alone.low[0]


@pytest.mark.parametrize(("late_h", "known"), [(30.0, True), (60.0, False), (200.0, False)])
def test_a_record_far_later_than_expected_is_a_late_record(late_h, known):
    computed = float(science.emergence_h(CROP, zone(), past())[0])
    found = science.emergence(CROP, zone(), past(emerged=computed + late_h))
    assert np.isfinite(found.high[0]) == known


def test_an_emergence_count_days_late_does_not_put_leaves_out():
    """Somebody who counts once a week finds leaves at once on what came up days ago."""
    computed = float(science.emergence_h(CROP, zone(), past())[0])
    leaves, _, _ = simulated(1.0, 1.0, 15)
    found = count(leaves, 15, past(emerged=computed + 80.0))
    assert found.low[0] == pytest.approx(0.0, abs=1e-6)


def test_hours_that_were_not_measured_make_evidence_unsure():
    for finding in (lambda env: count(4.0, 15, where=env), lambda env: cut(40, 120.0, where=env)):
        whole, none = finding(zone()), finding(zone(measured=False))
        assert (whole.measured[0], none.measured[0]) == (1.0, 0.0)
        assert none.sd[0] == pytest.approx(np.hypot(whole.sd[0], science.GAP_SPREAD))


@pytest.mark.parametrize("rate", [0.6, 0.8, 1.0, 1.25, 2.0])
@pytest.mark.parametrize("day", [30, 45])
def test_a_weight_gives_back_the_growth_that_made_it(rate, day):
    _, fresh, _ = simulated(1.0, rate, day)
    found = cut(day, fresh)
    assert found.low[0] == found.high[0] == pytest.approx(np.log(rate), abs=0.01)
    assert found.expected[0] == pytest.approx(simulated(1.0, 1.0, day)[1], rel=0.001)


def test_a_weight_beyond_any_multiplier_is_a_bound():
    heavy, light = cut(30, 3000.0), cut(45, 0.05)
    assert heavy.low[0] == pytest.approx(np.log(science.LADDER[-1]))
    assert heavy.high[0] == np.inf
    assert light.high[0] == pytest.approx(np.log(science.LADDER[0]))
    assert light.low[0] == -np.inf


def test_a_cut_without_a_weight_says_between_which_multipliers_growth_lay():
    slow, fast = 0.8, 1.1
    _, _, ready_slow = simulated(1.0, slow, 20)
    day = (ready_slow - FIRST) / 24.0
    early = cut(day, ready=(0.0, np.inf))
    assert early.low[0] == -np.inf
    assert early.high[0] == pytest.approx(np.log(slow), abs=0.02)
    held = cut(day, ready=(-np.inf, 0.0))
    assert held.high[0] == np.inf
    assert held.low[0] == pytest.approx(np.log(slow), abs=0.02)
    _, _, ready_fast = simulated(1.0, fast, 20)
    just = cut(day, ready=((ready_fast - ready_slow) / 24.0, 0.0))
    assert just.low[0] == pytest.approx(np.log(slow), abs=0.02)
    assert just.high[0] == pytest.approx(np.log(fast), abs=0.02)
    assert np.isnan(just.observed[0])


def test_of_a_crop_that_regrows_only_what_was_cut_was_weighed():
    herb = replace(CROP, cuts=3, left_share=0.25)
    _, fresh, _ = simulated(1.0, 1.0, 40)
    found = cut(40, 0.75 * fresh, crop=herb)
    assert found.low[0] == pytest.approx(0.0, abs=0.01)
    assert found.expected[0] == pytest.approx(0.75 * fresh, rel=0.001)


def test_batches_are_looked_at_side_by_side_as_one_by_one():
    env = zone()
    of = science.Past(
        FIRST + 24.0 * np.array([1.0, 5.0, 9.0]),
        np.full(3, np.nan),
        np.full(3, np.nan),
        FIRST + 24.0 * np.array([16.0, 20.0, 26.0]),
    )
    at, fresh = FIRST + 24.0 * np.array([40.0, 47.5, 60.0]), np.array([100.0, 150.0, 180.0])
    bounds = (np.full(3, -np.inf), np.full(3, np.inf))

    def heads(rows):
        return science.heads(
            CROP,
            env,
            env,
            400.0,
            (600.0, 25.0),
            of,
            rows,
            at[rows],
            fresh[rows],
            (bounds[0][rows], bounds[1][rows]),
        )

    together = heads(np.arange(3))
    for row in range(3):
        alone = heads(np.array([row]))
        for one, all_ in zip(alone, together, strict=True):
            assert one[0] == pytest.approx(all_[row], abs=1e-6)


@pytest.mark.parametrize("name", profile_names())
@pytest.mark.parametrize(("dli", "temp"), [(0.0, 20.0), (12.0, 0.0), (60.0, 45.0), (0.0, -5.0)])
def test_absurd_conditions_say_nothing_rather_than_nonsense(name, dli, temp):
    crop = profile(name)
    for found in (
        cut(40, 100.0, crop=crop, where=zone(dli, temp)),
        cut(40, ready=(-7.0, 7.0), crop=crop, where=zone(dli, temp)),
        count(4.0, 15, where=zone(dli, temp)),
    ):
        assert not np.isnan(np.stack([found.low, found.high, found.sd])).any()
        out = law.calibrate(
            ONE, np.zeros(1, dtype=int), law.Evidence(np.zeros(1, dtype=int), found.low, found.high, found.sd)
        )
        assert abs(out.mean[0]) < SPREAD


# --------------------------------------------------------------------------- members


def beliefs(mean, shared, own, n):
    return forecast.Beliefs(*(np.full(n, float(v)) for v in (mean, shared, own)))


def test_members_keep_their_luck_whatever_other_batches_there_are():
    one = forecast.batch_multipliers(50, np.array([7]), beliefs(0, 0.1, 0.05, 1), beliefs(0, 0.1, 0.05, 1))
    two = forecast.batch_multipliers(50, np.array([3, 7]), beliefs(0, 0.1, 0.05, 2), beliefs(0, 0.1, 0.05, 2))
    assert (two.leaf[1] == one.leaf[0]).all()
    assert (two.growth[1] == one.growth[0]).all()
    assert not np.allclose(two.leaf[0], two.leaf[1])


def test_members_are_spread_as_believed():
    keys = np.arange(1, 41)
    out = forecast.batch_multipliers(200, keys, beliefs(0.1, 0.08, 0.06, 40), beliefs(-0.2, 0.1, 0.0, 40))
    leaf, growth = np.log(out.leaf), np.log(out.growth)
    assert leaf.mean(axis=1) == pytest.approx(0.1, abs=1e-9)
    assert leaf.std() == pytest.approx(0.1, rel=0.03)
    assert growth.std(axis=1) == pytest.approx(0.1, rel=0.01)
    own = forecast.batch_multipliers(200, keys, beliefs(0, 0, 1.0, 40), beliefs(0, 0, 1.0, 40))
    others = np.corrcoef(np.log(own.leaf))[np.triu_indices(40, 1)]
    assert abs(others.mean()) < 0.02
    assert np.abs(others).max() < 0.35


def test_seedings_ahead_share_their_luck():
    out = forecast.batch_multipliers(
        20, np.zeros(3, dtype=int), beliefs(0, 0.1, 0.1, 3), beliefs(0, 0.1, 0.1, 3)
    )
    assert (out.growth == out.growth[0]).all()


# --------------------------------------------------------------------------- drift by stage


def weighed(drift, *, batches=40, noise=0.04, seed=1):
    """Weights of each batch at a fifth, at half and at all of the target, which drift by stage."""
    rng = np.random.default_rng(seed)
    stage = np.tile(np.log([0.2, 0.5, 1.0]), batches)
    batch = np.repeat(np.arange(batches), 3)
    own = 0.05 * rng.standard_normal(batches)
    value = own[batch] - drift * -stage + noise * rng.standard_normal(stage.size)
    return law.Evidence(batch, value, value, np.full(stage.size, noise)), stage, own


@given(drift=st.floats(-0.1, 0.1))
@settings(max_examples=20, deadline=None)
def test_drift_by_stage_is_learnt_and_taken_out(drift):
    evidence, stage, own = weighed(drift)
    season = law.Season(np.linspace(0.0, 1.0, 40), 0.5)
    out = law.staged(evidence, stage, np.zeros(40, dtype=int), season)
    assert out.drift == pytest.approx(np.full(40, drift), abs=0.025)
    young = np.isclose(stage, np.log(0.2))
    before = np.abs((evidence.low - own[evidence.batch])[young].mean())
    after = np.abs((out.evidence.low - own[evidence.batch])[young].mean())
    assert after <= max(before, 0.03)
    # Weights of ready heads say what they said, and nothing is surer than before.
    ripe = stage == 0.0
    assert out.evidence.low[ripe] == pytest.approx(evidence.low[ripe])
    assert (out.evidence.sd >= evidence.sd).all()


def test_without_two_weights_of_one_batch_there_is_no_drift():
    evidence, stage, _ = weighed(0.1)
    first = np.flatnonzero(np.isclose(stage, np.log(0.2)))
    once = law.Evidence(*(column[first] for column in evidence))
    season = law.Season(np.zeros(40), 0.0)
    out = law.staged(once, stage[first], np.zeros(40, dtype=int), season)
    assert out.drift == pytest.approx(np.zeros(40), abs=1e-9)
    assert out.evidence.low == pytest.approx(once.low, abs=1e-9)
    none = law.staged(law.Evidence.none(), np.empty(0), np.zeros(2, dtype=int), law.Season(np.zeros(2), 0.0))
    assert none.drift.tolist() == [0.0, 0.0]


def test_crops_have_each_a_drift_and_one_wrong_weight_hardly_moves_it():
    evidence, stage, _ = weighed(0.08)
    crop = np.arange(40) % 2
    odd = crop[evidence.batch] == 1
    value = np.where(odd, evidence.low + 0.08 * -stage, evidence.low)  # the second crop has none
    value[0] += 2.3  # a tenfold weight
    season = law.Season(np.linspace(0.0, 1.0, 40), 0.25)
    out = law.staged(law.Evidence(evidence.batch, value, value, evidence.sd), stage, crop, season)
    assert out.drift[0] == pytest.approx(0.08, abs=0.04)
    assert out.drift[1] == pytest.approx(0.0, abs=0.04)

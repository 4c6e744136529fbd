"""Crops of several cuts: what is left regrows, and sites are free after the last cut."""

from __future__ import annotations

import numpy as np
import pytest

from service.agronomy import forecast as science
from service.agronomy import succession as law
from service.agronomy.outlook import Outlook
from service.work.profiles import profile

CRESS = profile("watercress")
FIRST = 480_000
SEEDED = FIRST + 24.0
MEMBERS = 3


def zone(dli: float = 12.0, temp: float = 20.0, days: int = 200) -> Outlook:
    light = np.zeros((MEMBERS, 24 * days))
    light[:, np.arange(24 * days) % 24 < 14] = dli / 14
    return Outlook(FIRST, np.full(light.shape, temp), light, np.zeros(24 * days, dtype=bool))


def dates(
    cut_h: float = np.nan,
    left_dry_g: float = np.nan,
    to_come: float = 4.0,
    *,
    now_h: float = SEEDED,
    single: bool = False,
    conditions: Outlook | None = None,
) -> science.Dates:
    """Forecast a batch whose plants were set out on day 14."""
    values = [SEEDED, np.nan, np.nan, np.nan, SEEDED + 24 * 14, CRESS.target_dry_g, 650.0, 25.0]
    batches = science.Batches(*(np.array([v]) for v in values))
    cuts = None if single else science.Cuts(np.array([cut_h]), np.array([left_dry_g]), np.array([to_come]))
    sure = science.Multipliers(np.ones(MEMBERS), np.ones(MEMBERS), np.zeros(MEMBERS))
    here = conditions or zone()
    return science.forecast(CRESS, here, here, 400.0, batches, sure, now_h, cuts)


def day(values: np.ndarray) -> float:
    return float(values[0, 0] - SEEDED) / 24


def test_the_first_cut_is_that_of_a_crop_cut_once() -> None:
    several, once = dates(), dates(single=True)
    assert (several.harvest == once.harvest).all()
    assert (once.clear == once.harvest).all()
    assert (once.light_clear == once.light_harvest).all()


def test_each_further_cut_holds_the_sites_for_one_regrowth() -> None:
    last = [day(dates(to_come=float(n)).clear) for n in (1, 2, 3, 4)]
    first = day(dates().harvest)
    assert last[0] == first
    regrowth = np.diff(last)
    assert regrowth == pytest.approx(regrowth[0], abs=1.0)  # the same light each time
    assert 3.0 < regrowth[0] < first - 14  # sooner than from a seedling


def test_what_was_cut_regrows_from_what_was_left() -> None:
    cut = SEEDED + 24 * 40
    left = CRESS.left_dry_g(None)
    out = dates(cut, left, 3.0, now_h=cut + 48)
    assert (out.harvest > cut).all()
    expected = np.diff([day(dates(to_come=1.0).clear), day(dates(to_come=2.0).clear)])[0]
    assert day(out.harvest) - 40 == pytest.approx(expected, abs=1.0)
    assert day(out.clear) == pytest.approx(day(out.harvest) + 2 * expected, abs=1.5)
    assert CRESS.left_share * CRESS.target_fresh_g < out.fresh_g_now[0, 0] < CRESS.target_fresh_g
    more = dates(cut, 1.5 * left, 3.0, now_h=cut + 48)
    assert (more.harvest < out.harvest).all()


def test_after_the_last_but_one_the_next_cut_frees_the_sites() -> None:
    cut = SEEDED + 24 * 80
    out = dates(cut, CRESS.left_dry_g(None), 1.0, now_h=cut)
    assert (out.clear == out.harvest).all()


def test_an_overdue_cut_puts_off_those_after_it() -> None:
    late = day(dates().harvest) + 10
    out = dates(now_h=SEEDED + 24 * late)
    assert day(out.harvest) < late
    regrowth = day(dates(to_come=2.0).clear) - day(dates(to_come=1.0).clear)
    assert day(out.clear) >= late + 3 * regrowth - 1.5


def test_no_light_to_regrow_in_is_not_a_date() -> None:
    dark = zone()
    dark.light_mol[:, 24 * 60 :] = 0.0
    out = dates(conditions=dark)
    assert np.isfinite(out.harvest).all()
    assert np.isinf(out.clear).all()


def test_what_a_cut_leaves_by_its_weight() -> None:
    usual = CRESS.left_share * CRESS.target_dry_g
    taken = CRESS.target_fresh_g * (1.0 - CRESS.left_share)
    assert CRESS.left_dry_g(None) == pytest.approx(usual)
    assert CRESS.left_dry_g(taken) == pytest.approx(usual)
    assert CRESS.left_dry_g(0.5 * taken) == pytest.approx(0.5 * usual)
    assert CRESS.left_dry_g(3.0 * taken) == pytest.approx(usual)
    assert profile("butterhead").left_dry_g(150.0) == 0.0


def test_seedings_to_come_hold_their_sites_to_the_last_cut() -> None:
    seeding = 24.0 * np.arange(0.0, 50.0, 7.0)
    column = np.ones((1, 2))
    harvest = seeding[:, None] + 24.0 * 30 * column
    curve = law.Curve(seeding, harvest - 24.0 * 20, harvest, harvest - 48.0)
    long = curve._replace(clear_h=harvest + 24.0 * 30, light_clear_h=harvest + 24.0 * 28)
    days = 24.0 * np.arange(0.0, 140.0)
    sites = [law._sites_of(law.Coming(c, seeding, 100.0, 7.0), 0.0, days, light=False) for c in (curve, long)]
    # 100 sites a seeding, 20 days each for the one cut, 50 for two cuts.
    assert [held.sum() for held in sites] == [100.0 * 20 * seeding.size, 100.0 * 50 * seeding.size]

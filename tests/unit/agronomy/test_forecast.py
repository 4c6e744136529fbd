"""The forecast: dates from sums and growth, over members."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.agronomy import forecast as science
from service.agronomy.outlook import Outlook
from service.work.profiles import profile, profile_names

CROP = profile("butterhead")
FIRST = 480_000
NOW = FIRST + 24.0 * 30


def zone(dli=12.0, temp=20.0, days=150, members=3):
    light = np.zeros((members, 24 * days))
    light[:, np.arange(24 * days) % 24 < 14] = dli / 14
    return Outlook(FIRST, np.full(light.shape, float(temp)), light, np.zeros(24 * days, dtype=bool))


def batch(seeded=FIRST + 24.0, **known):
    values = {
        "seeded_h": seeded,
        "emerged_h": np.nan,
        "counted_h": np.nan,
        "counted_leaves": np.nan,
        "transplanted_h": np.nan,
        "target_dry_g": CROP.target_fresh_g * CROP.dry_matter_fraction,
        "nursery_m2": 650.0,
        "channels_m2": 25.0,
    } | known
    return science.Batches(*(np.array([values[name]], dtype=float) for name in science.Batches._fields))


def sure(members=3):
    return science.Multipliers(np.ones(members), np.ones(members), np.zeros(members))


def dates(b=None, nursery=None, channels=None, now=FIRST + 25.0, factors=None):
    nursery = nursery or zone()
    return science.forecast(CROP, nursery, channels or nursery, 400.0, b or batch(), factors or sure(), now)


def test_thermal_time_by_hand():
    # 20 °C: emergence after 51 / (20 - 2.2) days; a leaf each 50 / (20 - 4) days over the light factor at 12 mol.
    out = dates()
    emergence_days = (out.emergence[0, 0] - (FIRST + 24)) / 24
    assert emergence_days == pytest.approx(CROP.emergence_cd / (20.0 - CROP.emergence_base_c), rel=1e-9)
    four_to_five = (out.window_close[0, 0] - out.window_open[0, 0]) / 24
    assert four_to_five == pytest.approx(50.0 / 16.0 / (12 / 15 * 24 / 21), rel=0.02)
    assert out.window_open[0, 0] < out.transplant[0, 0] < out.window_close[0, 0] < out.harvest[0, 0]


def test_common_practice_two_weeks_four_weeks():
    # Common practice, no source: about two weeks nursery, four weeks channels in good light. Inside 22 °C, 14 mol.
    out = dates(nursery=zone(14.0, 22.0))
    nursery_days = (out.transplant[0, 0] - FIRST - 24) / 24
    channels_days = (out.harvest[0, 0] - out.transplant[0, 0]) / 24
    assert 13 <= nursery_days <= 18
    assert 20 <= channels_days <= 30


@given(dli=st.floats(3.0, 25.0), temp=st.floats(12.0, 26.0))
@settings(max_examples=15, deadline=None)
def test_more_light_never_delays_any_date(dli, temp):
    low, high = dates(nursery=zone(dli, temp)), dates(nursery=zone(dli * 1.2, temp))
    for event in ("emergence", "window_open", "window_close", "harvest"):
        assert (getattr(high, event) <= getattr(low, event) + 1e-6).all()


def test_a_count_moves_the_window():
    counted = FIRST + 24.0 * 12
    ahead = dates(batch(counted_h=counted, counted_leaves=3.9), now=counted)
    behind = dates(batch(counted_h=counted, counted_leaves=2.0), now=counted)
    assert ahead.window_open[0, 0] - counted < 24
    assert behind.window_open[0, 0] > ahead.window_open[0, 0] + 24 * 3
    assert ahead.leaves_now[0, 0] == pytest.approx(3.9)
    late = dates(batch(counted_h=counted, counted_leaves=5.5), now=counted)
    assert late.window_close[0, 0] < counted  # it has passed, and the date says when
    assert late.transplant[0, 0] == counted  # at once


def test_what_happened_is_taken_as_it_happened():
    moved = FIRST + 24.0 * 20
    out = dates(batch(emerged_h=FIRST + 100.0, transplanted_h=moved), now=NOW)
    assert (out.emergence == FIRST + 100.0).all()
    assert (out.transplant == moved).all()


def test_a_target_out_of_reach_is_not_a_date():
    out = dates(nursery=zone(0.8, 16.0))
    assert np.isinf(out.harvest).all()
    last = float(FIRST + 24 * 150)
    [harvest] = science.points(out.harvest, last)
    assert (harvest.p10, harvest.p50, harvest.p90) == (None, None, None)


def test_points_with_some_members_not_reached():
    hours = np.array([[100.0, 110.0, 120.0, 130.0, np.inf, np.inf]])
    [point] = science.points(hours, 1000.0)
    assert point.p10 == pytest.approx(105.0)
    assert point.p50 == pytest.approx(125.0)
    assert point.p90 is None


def test_ranges_shrink_as_a_batch_ages():
    factors = science.multipliers(40, 0.12, 0.12)
    env = zone(members=40)
    widths = []
    for now, known in [
        (FIRST + 25.0, {}),
        (
            FIRST + 24.0 * 15,
            {"counted_h": FIRST + 24.0 * 14, "counted_leaves": 3.4, "emerged_h": FIRST + 24 * 4.0},
        ),
    ]:
        out = dates(batch(**known), nursery=env, now=now, factors=factors)
        [point] = science.points(out.window_open, 1e9)
        widths.append(point.p90 - point.p10)
    assert widths[1] < 0.6 * widths[0]


def test_seeding_after_the_outlook_began_is_required():
    with pytest.raises(ValueError, match="begins after a seeding"):
        dates(batch(seeded=FIRST - 1.0))


@given(
    rates=st.lists(st.floats(0.0, 2.0), min_size=3, max_size=40),
    start=st.floats(0.0, 3.0),
    amount=st.floats(0.01, 30.0),
)
def test_crossing_inverts_the_running_sum(rates, start, amount):
    sums = np.concatenate([[0.0], np.cumsum(rates)])
    rows = np.stack([sums, sums * 2])
    at = science.crossing(rows, np.array([0, 1]), np.array([start, start]), np.array([amount, 2 * amount]))
    grid = np.arange(sums.size)
    begun = np.interp(start, grid, sums)
    if begun + amount > sums[-1]:
        assert np.isinf(at).all()
    else:
        assert np.interp(at[0], grid, sums) == pytest.approx(begun + amount, abs=1e-9)
        assert at[1] == pytest.approx(at[0], abs=1e-6)


@pytest.mark.parametrize("name", profile_names())
@pytest.mark.parametrize("temp", [-5.0, 0.0, 45.0])
@pytest.mark.parametrize("dli", [0.0, 60.0])
def test_absurd_conditions_end_bounded_never_nan(name, temp, dli):
    out = science.forecast(
        profile(name), zone(dli, temp, 60), zone(dli, temp, 60), 0.0, batch(), sure(), FIRST + 25.0
    )
    for column in out:
        assert not np.isnan(column).any()


def test_own_window_of_a_farm():
    younger = replace(CROP, window_open_leaves=2.0, window_close_leaves=3.0)
    out = science.forecast(younger, zone(), zone(), 400.0, batch(), sure(), FIRST + 25.0)
    assert (out.window_open < dates().window_open).all()

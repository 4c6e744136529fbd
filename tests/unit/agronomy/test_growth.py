"""Laws of the growth kernel."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.agronomy import growth

HOURS = 24 * 40


def drivers(light_scale=1.0, temp=20.0, hours=HOURS, co2=400.0, open_canopy=(0.0, 25.0, 40.0), seed=0):
    draw = np.random.default_rng(seed)
    sun = np.maximum(np.sin((np.arange(hours) % 24 - 6) / 12 * np.pi), 0.0) * draw.uniform(0.3, 1.0, hours)
    return growth.hourly_drivers(
        120.0 * light_scale * sun[None, :], np.full((1, hours), float(temp)), co2, open_canopy=open_canopy
    )


def run(nursery, channels, start_h=0.0, move_h=240.0, factor=1.0, target=(2.0, 4.0), look_h=0.0, **options):
    one = np.ones(1)
    return growth.grow(
        nursery,
        channels,
        np.zeros(1, dtype=np.intp),
        start_h * one,
        move_h * one,
        0.001 * one,
        (600.0 * one, 25.0 * one),
        factor * one,
        np.array(target)[:, None],
        look_h,
        **options,
    )


@given(
    scale=st.floats(0.0, 4.0),
    temp=st.floats(-5.0, 45.0),
    move=st.floats(0.0, HOURS),
    co2=st.sampled_from([0.0, 400.0]),
)
@settings(max_examples=40, deadline=None)
def test_carbon_balance_closes_and_nothing_is_negative_or_nan(scale, temp, move, co2):
    env = drivers(scale, temp, co2=co2)
    _, b = run(env, env, move_h=move, stop_early=False)
    held = b.nonstructural + b.structural
    assert held + b.respired == pytest.approx(0.001 + b.assimilated, abs=1e-9)
    for column in b:
        assert np.isfinite(column).all()
        assert (column >= 0.0).all()


def test_unpaid_maintenance_is_counted_when_it_stays_dark():
    _, b = run(drivers(0.0, 25.0), drivers(0.0, 25.0), stop_early=False)
    assert b.unpaid[0] > 0.0
    assert b.nonstructural[0] == pytest.approx(0.0, abs=1e-6)


@given(more=st.floats(1.0, 3.0), seed=st.integers(0, 50))
@settings(max_examples=15, deadline=None)
def test_more_light_never_delays(more, seed):
    few, _ = run(drivers(1.0, seed=seed), drivers(1.0, seed=seed))
    lots, _ = run(drivers(more, seed=seed), drivers(more, seed=seed))
    assert (lots.reached <= few.reached + 1e-9).all()


@given(factor=st.floats(0.6, 1.6))
@settings(max_examples=15, deadline=None)
def test_a_higher_multiplier_never_delays(factor):
    low, _ = run(drivers(), drivers(), factor=factor)
    high, _ = run(drivers(), drivers(), factor=factor * 1.01)
    assert (high.reached <= low.reached).all()


@given(start=st.floats(0.0, 200.0), move=st.floats(210.0, 420.0))
@settings(max_examples=40, deadline=None)
def test_dates_move_continuously_with_emergence_and_transplant(start, move):
    here, _ = run(drivers(3.0), drivers(3.0), start_h=start, move_h=move)
    start_later, _ = run(drivers(3.0), drivers(3.0), start_h=start + 0.01, move_h=move)
    move_later, _ = run(drivers(3.0), drivers(3.0), start_h=start, move_h=move + 0.01)
    assert np.isfinite(here.reached).all()
    # A hundredth of an hour moves a date by little; by up to a night where the target is passed at dusk.
    day_rate = np.abs(start_later.reached - here.reached)
    assert (np.minimum(day_rate, np.abs(day_rate - np.round(day_rate / 24) * 24)) <= 14.5).all()
    assert np.abs(move_later.reached - here.reached).max() <= 14.5


def test_targets_are_found_between_hours():
    out, _ = run(drivers(1.5), drivers(1.5))
    assert out.reached[0, 0] < out.reached[1, 0]
    assert out.reached[0, 0] % 1 != 0
    exact, b = run(drivers(1.5), drivers(1.5), target=(1e9,), stop_early=False)
    assert np.isinf(exact.reached).all()
    assert float((b.nonstructural + b.structural)[0]) > 4.0


def test_weight_is_looked_at_when_asked():
    whole, b = run(drivers(), drivers(), look_h=HOURS, stop_early=False)
    assert whole.at_look[0] == pytest.approx(float(b.nonstructural[0] + 0.85 * b.structural[0]))
    early, _ = run(drivers(), drivers(), look_h=0.0)
    assert early.at_look[0] == pytest.approx(0.001 * (0.25 + 0.75 * 0.85))


def test_lanes_do_not_disturb_each_other():
    env = growth.HourlyDrivers(
        *(np.concatenate(pair, axis=1) for pair in zip(drivers(1.0), drivers(2.0), strict=True))
    )
    rows = np.array([0, 1, 0], dtype=np.intp)
    out, _ = growth.grow(
        env,
        env,
        rows,
        np.array([0.0, 30.5, 12.0]),
        np.array([240.0, 300.0, np.inf]),
        np.full(3, 0.001),
        (np.full(3, 600.0), np.full(3, 25.0)),
        np.array([1.0, 0.9, 1.1]),
        np.full((1, 3), 1.5),
        0.0,
    )
    for lane, (scale, start, move, factor) in enumerate(
        [(1.0, 0, 240, 1.0), (2.0, 30.5, 300, 0.9), (1.0, 12, 1e9, 1.1)]
    ):
        alone, _ = run(
            drivers(scale), drivers(scale), start_h=start, move_h=move, factor=factor, target=(1.5,)
        )
        assert out.reached[0, lane] == pytest.approx(alone.reached[0, 0], abs=1e-9)


def test_open_canopy_factor_is_one_at_its_reference_and_rises_to_the_optimum():
    factor = growth.open_canopy_factor(np.array([0.0, 10.0, 22.0, 25.0, 40.0]), 0.0, 25.0, 40.0)
    assert factor[2] == pytest.approx(1.0)
    assert factor[0] == factor[4] == 0.0
    assert factor[1] < factor[2] < factor[3]

"""The rules on sensors: each finds what it is for, leaves good sensors alone, and keeps to what it found."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.agronomy import light, sun
from service.agronomy import sensor_health as rules

DAY_S = np.arange(0.0, 86400.0, 300.0)
PLACE = (52.1, 5.2)
# 21 June 2026, UTC hours.
JUNE = int((np.datetime64("2026-06-21T00", "h") - np.datetime64("1970-01-01T00", "h")).astype(int))
HOURS = JUNE + np.arange(24)
SUN = sun.sun_elevation_deg(*PLACE, JUNE + DAY_S / 3600.0)


def wave(mean: float, swing: float, noise: float = 0.1) -> np.ndarray:
    """Return a day's course with a little noise."""
    return (
        mean
        + swing * np.sin(DAY_S / 86400.0 * 2 * np.pi)
        + np.random.default_rng(3).normal(0, noise, DAY_S.size)
    )


def clear_umol(hours: np.ndarray, share: float = 0.6) -> np.ndarray:
    mj = sun.clear_sky_radiation_mj(sun.extraterrestrial_hourly_mj(*PLACE, hours), 10.0)
    return light.light_mol_from_global_mj(mj) * share * 1e6 / 3600.0


def test_silence_is_so_many_intervals() -> None:
    assert rules.silent(1700.0, 60.0) is None, "half an hour at least"
    assert rules.silent(1900.0, 60.0) is not None
    assert rules.silent(4 * 3600.0, 3600.0) is None
    found = rules.silent(6 * 3600.0, 3600.0)
    assert found is not None
    assert found.evidence == {"sinceLastS": 21600, "limitS": 18000}


HOUR_S = 3600.0
intervals = st.sampled_from([60.0, 300.0, 600.0, 1800.0])


def arrivals(every_s: float, days: float = 2.0, lag_s: float = 0.0, phase_s: float = 0.0) -> rules.Sending:
    """Return what is learned of a device that sends so often, from the clock hours in which it did."""
    at = np.arange(phase_s, 86_400.0 * days, every_s)
    hours, messages = np.unique(at // HOUR_S * HOUR_S, return_counts=True)
    return rules.sending(hours, messages.astype(np.float64), np.full(hours.size, lag_s))


@given(intervals, st.floats(0.25, 12.0), st.floats(0.0, 600.0), st.floats(0.0, 3600.0))
def test_who_sends_now_and_then_is_not_silent_in_between(
    interval_s: float, every_h: float, lag_s: float, phase_s: float
) -> None:
    """The newest reading grows as old as the way to the next arrival, and a little more as that is late."""
    every_s = every_h * HOUR_S
    sends = arrivals(every_s, lag_s=lag_s, phase_s=phase_s)
    oldest_s = lag_s + 1.05 * every_s
    assert rules.silent(oldest_s, interval_s, sends) is None
    limit_s = rules.silent_after_s(interval_s, sends)
    assert limit_s <= lag_s + max(1800.0, 5 * interval_s, 1.5 * (every_s + HOUR_S)), (
        "and yet it is told in time"
    )
    assert rules.silent(limit_s + 1.0, interval_s, sends) is not None


@given(intervals, st.floats(0.25, 6.0), st.integers(2, 20), st.floats(7.0, 12.0))
def test_having_been_away_once_does_not_teach_patience(
    interval_s: float, every_h: float, place: int, away_h: float
) -> None:
    at = np.arange(0.0, 172_800.0, every_h * HOUR_S)
    whole = arrivals(every_h * HOUR_S)
    at = np.where(at >= at[min(place, at.size - 1)], at + away_h * HOUR_S, at)
    hours, messages = np.unique(at // HOUR_S * HOUR_S, return_counts=True)
    once = rules.sending(hours, messages.astype(np.float64), np.zeros(hours.size))
    after = rules.silent_after_s(interval_s, once)
    assert after <= rules.silent_after_s(interval_s, whole) + 1.5 * HOUR_S


@given(intervals, st.floats(0.0, 1e6), st.floats(0.0, 1e6))
def test_the_limit_grows_with_the_interval_and_is_never_shorter_than_without_learning(
    interval_s: float, every_s: float, lag_s: float
) -> None:
    sends = rules.Sending(every_s, lag_s)
    assert rules.silent_after_s(interval_s, sends) >= rules.silent_after_s(interval_s)
    assert rules.silent_after_s(2 * interval_s, sends) >= rules.silent_after_s(interval_s, sends)


def test_nothing_is_learned_of_few_arrivals() -> None:
    two = np.array([0.0, 7 * HOUR_S])
    assert rules.sending(two, np.ones(2), np.zeros(2)) == rules.Sending()


def test_a_value_that_never_changes_is_stuck() -> None:
    values = wave(20.0, 3.0)
    assert rules.stuck(DAY_S, values, "temp_air_c", SUN) is None
    values[-80:] = 21.3  # 6.6 h
    found = rules.stuck(DAY_S, values, "temp_air_c", SUN)
    assert found is not None
    assert found.evidence == {"value": 21.3, "hours": 6.6, "readings": 80, "limitHours": 6.0}
    assert rules.stuck(DAY_S, values, "ph", SUN) is None, "a solution may stand still for a day"
    values[-1] = 21.4  # one flicker
    assert rules.stuck(DAY_S, values, "temp_air_c", SUN) is None
    assert rules.stuck(DAY_S, values, "temp_air_c", SUN, standing=True) is not None
    assert rules.stuck(DAY_S, wave(20.0, 3.0), "temp_air_c", SUN, standing=True) is None


def test_the_same_light_by_day_is_stuck_and_darkness_by_night_is_not() -> None:
    measured = np.where(SUN > 0, 300.0 + 20 * np.sin(DAY_S / 900.0), 0.0)
    night = DAY_S < 3 * 3600.0
    assert rules.stuck(DAY_S[night], measured[night], "ppfd_umol", SUN[night]) is None
    assert rules.stuck(DAY_S, measured, "ppfd_umol", SUN) is None
    assert rules.stuck(DAY_S, np.full(DAY_S.size, 412.0), "ppfd_umol", SUN) is not None


def test_air_may_stay_saturated() -> None:
    assert rules.stuck(DAY_S, np.full(DAY_S.size, 99.9), "humidity_pct", SUN) is None
    assert rules.stuck(DAY_S, np.full(DAY_S.size, 71.0), "humidity_pct", SUN) is not None


@pytest.mark.parametrize(
    ("refused", "taken", "standing", "is_one"),
    [
        (0, 288, False, False),
        (2, 10, False, False),
        (3, 285, False, False),
        (20, 268, False, True),
        (288, 0, False, True),
        (4, 284, True, True),
        (1, 500, True, False),
    ],
)
def test_messages_out_of_range(refused: int, taken: int, standing: bool, is_one: bool) -> None:
    assert (rules.out_of_range(refused, taken, standing=standing) is not None) is is_one


def test_spikes_are_jumps_and_steps_are_not() -> None:
    values = wave(20.0, 3.0)
    step = values.copy()
    step[100:] += 9.0  # vents were opened
    assert rules.jumping(DAY_S, step, "temp_air_c", 300.0) is None
    spiky = values.copy()
    spiky[[50, 120, 200]] += 40.0
    found = rules.jumping(DAY_S, spiky, "temp_air_c", 300.0)
    assert found is not None
    assert found.evidence["jumps"] == 3
    assert found.evidence["largest"] == pytest.approx(40.0, abs=1.0)
    assert rules.jumping(DAY_S, spiky, "ppfd_umol", 300.0) is None
    once = values.copy()
    once[50] += 40.0
    assert rules.jumping(DAY_S, once, "temp_air_c", 300.0) is None
    assert rules.jumping(DAY_S, once, "temp_air_c", 300.0, standing=True) is not None


def elevations(hours: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    within = np.array([sun.sun_elevation_deg(*PLACE, hours + part) for part in (0.0, 0.5, 1.0)])
    return within.min(axis=0), within.max(axis=0)


def test_light_and_the_sun() -> None:
    march = HOURS - 24 * 100
    low, high = elevations(march)
    clear, dark = clear_umol(march), np.zeros(24, dtype=bool)
    for share in (0.05, 0.3, 1.0):  # from the thickest clouds to a clear sky
        assert rules.light_at_night(share * clear, high, dark) is None
        assert rules.dark_at_noon(share * clear, low, clear) is None
    half_a_day_off = np.roll(clear, 12)
    night = rules.light_at_night(half_a_day_off, high, dark)
    assert night is not None
    assert night.evidence["meanUmol"] > 100
    noon = rules.dark_at_noon(half_a_day_off, low, clear)
    assert noon is not None
    assert noon.evidence["sunDeg"] >= rules.NOON_DEG
    lamps = np.where(high < 0, 120.0, 0.0) + clear
    assert rules.light_at_night(lamps, high, high < 10) is None, "lamps are in the schedule"
    assert rules.light_at_night(lamps, high, dark) is not None
    assert rules.light_at_night(np.where(high < -6, 12.0, clear), high, dark) is None
    assert rules.light_at_night(np.where(high < -6, 12.0, clear), high, dark, standing=True) is not None
    assert rules.dark_at_noon(np.full(24, np.nan), low, clear) is None, "a gap is no darkness"


def test_two_sensors_apart() -> None:
    one = np.linspace(18.0, 24.0, 24)
    assert rules.disagreement(one, one + 1.2, "temp_air_c") is None
    found = rules.disagreement(one, one + 2.0, "temp_air_c")
    assert found is not None
    assert found.evidence["apart"] == pytest.approx(-2.0)
    assert rules.disagreement(one, one + 1.2, "temp_air_c", standing=True) is not None
    assert rules.disagreement(one, one + 1.0, "temp_air_c", standing=True) is None
    short = np.where(np.arange(24) < 10, one, np.nan)
    assert rules.disagreement(one, short + 9.0, "temp_air_c") is None, "too few hours"
    par = clear_umol(HOURS)
    assert rules.disagreement(par, 0.85 * par, "ppfd_umol") is None
    assert rules.disagreement(par, 0.6 * par, "ppfd_umol") is not None


def drifting(fade: float, seed: int = 5, days: int = 112, winter: bool = False) -> tuple[np.ndarray, ...]:
    """Return hours, light, clear-sky light and elevations, of a sensor that loses a share in the last three weeks."""
    chance = np.random.default_rng(seed)
    now = JUNE - (200 if winter else 0) * 24
    hours = now - 24 * days + np.arange(24 * days)
    clear = clear_umol(hours) * 3600 / 1e6
    cloud = np.clip(chance.beta(0.8, 0.8, size=hours.size // 3 + 1).repeat(3)[: hours.size], 0.08, 1.0)
    ago = (now - hours) // 24
    return (
        hours,
        clear * cloud * np.where(ago < 21, fade, 1.0),
        clear,
        sun.sun_elevation_deg(*PLACE, hours + 0.5),
    )


@pytest.mark.parametrize("seed", range(6))
def test_drift_against_the_clear_sky(seed: int) -> None:
    assert rules.drift(*drifting(1.0, seed), JUNE, 21) is None
    found = rules.drift(*drifting(0.7, seed), JUNE, 21)
    assert found is not None
    assert found.evidence["change"] == pytest.approx(-0.3, abs=0.05)
    assert rules.drift(*drifting(0.85, seed), JUNE, 21) is None
    assert rules.drift(*drifting(0.85, seed), JUNE, 21, standing=True) is not None
    assert rules.drift(*drifting(0.5, seed, days=30), JUNE, 21) is None, "too little to compare with"


def test_a_steady_offset_is_a_clock_and_a_slow_network_is_not() -> None:
    chance = np.random.default_rng(2)
    assert rules.clock_offset(chance.uniform(0.1, 30.0, 24), 280, 300.0) is None
    assert rules.clock_offset(chance.uniform(0.1, 4000.0, 24), 280, 300.0) is None, (
        "late, now more and now less"
    )
    found = rules.clock_offset(3600.0 + chance.uniform(0.0, 5.0, 24), 280, 300.0)
    assert found is not None
    assert found.evidence["wholeHours"] == 1
    assert found.evidence["behindS"] == pytest.approx(3602.5, abs=3.0)
    ahead = rules.clock_offset(-480.0 + chance.uniform(0.0, 5.0, 24), 280, 300.0)
    assert ahead is not None
    assert "wholeHours" not in ahead.evidence
    assert rules.clock_offset(np.full(24, 3600.0), 10, 300.0) is None, "too few messages"
    assert rules.clock_offset(np.array([3600.0]), 100, 300.0) is None, "one hour is no steadiness"
    assert rules.clock_offset(np.full(24, 300.0), 280, 300.0) is None, (
        "it stamps what the interval began with"
    )


@given(st.lists(st.floats(-40, 60), max_size=40), st.sampled_from(sorted(rules.STUCK_HOURS)), st.booleans())
def test_no_rule_trips_over_short_or_odd_days(values: list[float], quantity: str, standing: bool) -> None:
    times = np.arange(len(values)) * 300.0
    kept = np.array(values)
    elevation = np.full(len(values), 30.0)
    rules.stuck(times, kept, quantity, elevation, standing=standing)
    rules.jumping(times, kept, quantity, 300.0, standing=standing)
    found = rules.disagreement(kept, kept[::-1].copy(), quantity, standing=standing)
    assert found is None or abs(found.evidence["apart"]) > 0
    assert rules.disagreement(kept, kept.copy(), quantity, standing=standing) is None

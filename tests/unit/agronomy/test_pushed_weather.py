"""What a pushed weather forecast does to dates: a right one narrows them, an absent or stale one changes nothing."""

from dataclasses import replace

import numpy as np
import pytest

from service.agronomy import forecast as science
from service.agronomy import light, sun
from service.agronomy.outlook import Measured, Pushed, Site, outlook
from service.work.profiles import profile

CROP = profile("butterhead")
SITE = Site(
    latitude_deg=50.0,
    longitude_deg=5.0,
    transmission=0.6,
    temp_heat_day_c=16.0,
    temp_heat_night_c=14.0,
    temp_vent_c=24.0,
)
FIRST = 24 * 20_500
MEMBERS = 200


def real(days=800, seed=3):
    """Weather that goes on: radiation and temperature outdoors, and what the house makes of it."""
    generator = np.random.default_rng(seed)
    hour = FIRST + np.arange(24 * days, dtype=np.int64)
    wander = np.zeros((2, days))
    for day in range(1, days):
        wander[:, day] = np.array([0.4, 0.8]) * wander[:, day - 1] + generator.standard_normal(2)
    clearness = np.repeat(np.clip(0.4 + 0.15 * wander[0], 0.05, 0.7), 24)
    global_mj = sun.extraterrestrial_hourly_mj(50.0, 5.0, hour) * clearness
    inside = np.asarray(light.light_mol_from_global_mj(global_mj)) * 0.6
    outdoor = 12.0 + np.repeat(wander[1], 24)
    temp = np.clip(outdoor + 3.0 * global_mj, 16.0, 24.0)
    return hour, global_mj / 0.0036, outdoor, Measured(hour, temp, inside, np.zeros(hour.size))


def harvest(world, now_day, pushed_of):
    hour, global_w_m2, outdoor, measured = world
    now, ahead = 24 * now_day, 24 * 60
    known = Measured(*(column[:now] for column in measured))
    begin = now - 24 * 40
    span = slice(now, now + 24 * 9)
    pushed = pushed_of(Pushed(hour[span], np.full(216, float(hour[now])), global_w_m2[span], outdoor[span]))
    zone = outlook(SITE, known, int(hour[begin]), np.zeros(now - begin + ahead), MEMBERS, 1, pushed=pushed)
    truth = replace(
        zone,
        temp_c=np.tile(measured.temp_c[begin : now + ahead], (MEMBERS, 1)),
        light_mol=np.tile(measured.light_mol[begin : now + ahead], (MEMBERS, 1)),
    )
    start = float(hour[begin]) + 24.0
    values = (start, start + 96, np.nan, np.nan, start + 24 * 14, 4.0, 650.0, 25.0)
    batches = science.Batches(*(np.array([value]) for value in values))
    sure = science.Multipliers(np.ones(MEMBERS), np.ones(MEMBERS), np.zeros(MEMBERS))
    return [
        science.forecast(CROP, z, z, 400.0, batches, sure, float(hour[now])).harvest[0] / 24.0
        for z in (zone, truth)
    ]


@pytest.fixture(scope="module")
def world():
    return real()


DAYS = (430, 460, 490, 520, 550, 580)


def test_a_right_forecast_narrows_dates_and_brings_them_nearer(world):
    widths, errors = {}, {}
    for name, pushed_of in (("none", lambda _: None), ("right", lambda p: p)):
        found = [harvest(world, day, pushed_of) for day in DAYS]
        near = [(dates, truth[0]) for dates, truth in found if np.isfinite(truth[0])]
        assert len(near) >= 4
        widths[name] = np.mean([np.subtract(*np.quantile(dates, (0.9, 0.1))) for dates, _ in near])
        errors[name] = np.mean([abs(np.median(dates) - truth) for dates, truth in near])
    assert widths["right"] < 0.9 * widths["none"]
    assert errors["right"] < errors["none"]


def test_an_absent_and_a_stale_forecast_change_no_date(world):
    plain, _ = harvest(world, 460, lambda _: None)
    for pushed_of in (
        lambda _: Pushed.none(),
        lambda p: p._replace(issued_h=p.issued_h - 24 * 11),
        lambda p: p._replace(hour=p.hour - 24 * 30, issued_h=p.issued_h - 24 * 30),
    ):
        np.testing.assert_allclose(harvest(world, 460, pushed_of)[0], plain, rtol=0, atol=1e-6)


def test_dates_move_continuously_with_the_forecast(world):
    plain, _ = harvest(world, 430, lambda p: p)
    nudged, _ = harvest(world, 430, lambda p: p._replace(global_w_m2=p.global_w_m2 * 1.001))
    moved = np.abs(nudged - plain)
    assert np.quantile(moved, 0.95) < 0.01
    assert moved.max() < 1.0  # a head not ready at dusk is ready next morning
    brighter, _ = harvest(world, 430, lambda p: p._replace(global_w_m2=p.global_w_m2 * 1.3))
    assert np.median(brighter) < np.median(plain)

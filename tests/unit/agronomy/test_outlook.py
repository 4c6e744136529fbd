"""The outlook: stable luck, measured hours kept, honest where nothing was measured."""

import timeit
from dataclasses import replace

import numpy as np
import pytest

from service.agronomy import light, sun
from service.agronomy.outlook import Course, Measured, Pushed, Setting, Site, clearness_mean, outlook

SITE = Site(
    latitude_deg=50.0,
    longitude_deg=5.0,
    transmission=0.6,
    temp_heat_day_c=18.0,
    temp_heat_night_c=16.0,
    temp_vent_c=24.0,
)
NOW = 24 * 20_700  # 2026-09-04
DAYS = 40


def history(days=60, clearness=0.3, temp=19.0, lamp=0.0, until=NOW):
    hour = np.arange(until - 24 * days, until, dtype=np.int64)
    radiation = sun.extraterrestrial_hourly_mj(50.0, 5.0, hour)
    mol = light.light_mol_from_global_mj(radiation) * 0.6 * clearness + lamp
    return Measured(hour, np.full(hour.size, temp), np.asarray(mol), np.full(hour.size, lamp))


def look(measured=None, first=NOW, days=DAYS, members=40, key=3, lamp=0.0):
    return outlook(SITE, measured or Measured.none(), first, np.full(24 * days, lamp), members, key)


def daily(out):
    return out.light_mol.reshape(out.light_mol.shape[0], -1, 24).sum(axis=2)


def test_without_history_light_follows_the_sun_of_the_latitude():
    out = look(days=300)
    day_of_year = sun.day_of_year(NOW + 24 * np.arange(300) + 12)
    expected = (
        light.light_mol_from_global_mj(sun.extraterrestrial_radiation_mj(50.0, day_of_year))
        * 0.6
        * clearness_mean(50.0, day_of_year)
    )
    months = daily(out).mean(axis=0).reshape(10, 30).mean(axis=1)
    np.testing.assert_allclose(months, expected.reshape(10, 30).mean(axis=1), rtol=0.08)
    assert np.isfinite(out.temp_c).all()
    assert out.temp_c.min() >= 16.0  # heated
    assert not out.measured.any()


def test_measured_hours_are_the_same_in_all_members():
    known = history(days=10)
    out = look(known, first=NOW - 240, days=20)
    assert out.measured[:240].all()
    assert not out.measured[240:].any()
    np.testing.assert_array_equal(out.light_mol[:, :240], np.tile(known.light_mol, (40, 1)))
    np.testing.assert_array_equal(out.temp_c[:, :240], np.tile(known.temp_c, (40, 1)))
    assert np.ptp(out.light_mol[:, 240:], axis=0).max() > 0


def test_a_dim_house_is_expected_to_stay_dim():
    bright, dim = daily(look(history(clearness=0.5))).mean(), daily(look(history(clearness=0.25))).mean()
    assert dim == pytest.approx(bright / 2, rel=0.25)


def test_the_same_question_gives_the_same_answer_and_houses_differ():
    np.testing.assert_array_equal(look(history()).light_mol, look(history()).light_mol)
    assert not np.array_equal(look(key=3).light_mol, look(key=4).light_mol)


def test_luck_belongs_to_the_date_not_to_the_moment_of_asking():
    today, later = look(days=30), look(first=NOW + 24 * 5, days=25)
    np.testing.assert_allclose(today.light_mol[:, 24 * 5 :], later.light_mol)
    np.testing.assert_allclose(today.temp_c[:, 24 * 5 :], later.temp_c)


def test_more_history_narrows_the_members():
    # A steady house: what was measured never varied.
    none, some, much = (
        daily(look(m)).std(axis=0).mean() for m in (Measured.none(), history(12), history(90))
    )
    assert much < some < none


def test_lamps_are_on_top_and_are_not_taken_for_sun():
    plain, lit = look(history()), look(history(lamp=0.5), lamp=0.5)
    np.testing.assert_allclose(lit.light_mol, plain.light_mol + 0.5, atol=1e-9)


def test_gaps_are_filled_from_members():
    known = history(days=10)
    gap = slice(100, 148)
    known.light_mol[gap] = np.nan
    out = look(known, first=NOW - 240, days=12)
    assert not out.measured[gap].any()
    assert np.isfinite(out.light_mol).all()
    np.testing.assert_array_equal(out.temp_c[:, gap], np.tile(known.temp_c[gap], (40, 1)))


def test_a_cooling_season_does_not_fall_below_the_heating():
    warm = history(days=30, temp=21.0)
    out = look(warm, days=150)
    assert out.temp_c.min() >= 16.0 - 1e-9
    assert out.temp_c[:, -24 * 20 :].mean() < 21.0


def test_dark_polar_winter_is_dark_and_finite():
    site = Site(
        latitude_deg=70.0,
        longitude_deg=20.0,
        transmission=0.6,
        temp_heat_day_c=18,
        temp_heat_night_c=16,
        temp_vent_c=24,
    )
    out = outlook(site, Measured.none(), 24 * 20_810, np.zeros(24 * 10), 10, 1)  # around the solstice
    assert out.light_mol.max() == pytest.approx(0.0, abs=1e-6)
    assert np.isfinite(out.temp_c).all()


# --------------------------------------------------------------------------- spread, spells, persistence


def years(count=2, until=NOW, seed=5, sigma=0.35):
    """Measured years whose days are bright and dull by chance, in spells."""
    days = 365 * count
    generator = np.random.default_rng(seed)
    wander = np.zeros(days)
    for day in range(1, days):
        wander[day] = 0.4 * wander[day - 1] + generator.standard_normal()
    known = history(days=days, clearness=1.0, until=until)
    clearness = np.clip(0.35 + 0.15 * wander, 0.04, 0.72)
    temp = 19.0 + np.repeat(2.0 * (clearness - 0.35) + generator.standard_normal(days), 24)
    return known._replace(light_mol=known.light_mol * np.repeat(clearness, 24), temp_c=temp)


def spell(known, days, clearness, temp=None):
    """Let the last measured days be of one clearness and temperature."""
    tail = history(days=days, clearness=clearness)
    mol, temp_c = known.light_mol.copy(), known.temp_c.copy()
    mol[-24 * days :] = tail.light_mol
    if temp is not None:
        temp_c[-24 * days :] = temp
    return known._replace(light_mol=mol, temp_c=temp_c)


def test_a_dull_spell_makes_dull_days_likelier_and_fades():
    known = years()
    dull, bright = (daily(look(spell(known, 4, c), members=200)).mean(axis=0) for c in (0.06, 0.65))
    ratio = dull / bright
    assert ratio[0] < 0.75
    assert ratio[0] < ratio[2] < ratio[8:20].mean()
    assert ratio[8:20].mean() == pytest.approx(1.0, abs=0.15)  # the slow part of a spell so extreme


def test_a_cold_spell_goes_on_for_some_days():
    known = years()
    cold, warm = (look(spell(known, 4, 0.35, t), members=200).temp_c for t in (16.5, 22.0))
    apart = (warm - cold).mean(axis=0).reshape(-1, 24).mean(axis=1)
    assert apart[0] > 0.5
    assert apart[0] > apart[3] > apart[15]
    assert abs(apart[15:].mean()) < 0.3


def test_a_dark_morning_says_something_of_the_afternoon():
    until = NOW + 11
    known = history(days=400, until=until)
    generator = np.random.default_rng(2)
    known = known._replace(light_mol=known.light_mol * np.repeat(generator.uniform(0.3, 2.0, 401), 24)[:9600])
    afternoons = []
    for factor in (0.1, 2.0):
        morning = known.light_mol.copy()
        morning[-11:] = history(days=1, until=until).light_mol[-11:] * factor
        out = look(known._replace(light_mol=morning), first=NOW, days=1, members=200)
        np.testing.assert_array_equal(out.light_mol[:, :11], np.tile(morning[-11:], (200, 1)))
        afternoons.append(out.light_mol[:, 11:].sum(axis=1).mean())
    assert afternoons[0] < 0.7 * afternoons[1]


def test_months_vary_more_than_independent_days_would():
    out = daily(look(years(2), days=120, members=400))
    day = out.std(axis=0) / out.mean(axis=0)
    month = out[:, 60:90].sum(axis=1)
    independent = np.sqrt((out[:, 60:90].var(axis=0)).sum())
    assert month.std() > 1.4 * independent
    assert 0.25 < day[60:].mean() < 0.6  # days vary as they did


def test_one_year_leaves_more_doubt_about_a_month_than_many():
    one, many = (daily(look(years(n), days=90, members=400))[:, 30:60].sum(axis=1) for n in (1, 6))
    assert one.std() / one.mean() > 1.05 * many.std() / many.mean()


def test_members_keep_to_what_the_sky_allows():
    out = daily(look(years(), days=200, members=200))
    day_of_year = sun.day_of_year(NOW + 24 * np.arange(200) + 12)
    above = light.light_mol_from_global_mj(sun.extraterrestrial_radiation_mj(50.0, day_of_year)) * 0.6
    assert (out / above).max() <= 0.85
    assert out.min() > 0.0


@pytest.mark.parametrize("latitude", [10.0, 36.0, 52.0, -34.0])
def test_a_new_house_expects_no_day_brighter_than_the_sky_allows(latitude):
    site = replace(SITE, latitude_deg=latitude, transmission=1.0)
    days = 365
    out = outlook(site, Measured.none(), NOW, np.zeros(24 * days), 100, 1)
    day_of_year = sun.day_of_year(NOW + 24 * np.arange(days) + 12)
    above = light.light_mol_from_global_mj(sun.extraterrestrial_radiation_mj(latitude, day_of_year))
    assert (daily(out) / above).max() < 0.83
    # The cut takes nothing from what the climate gives on average.
    usual = above * clearness_mean(latitude, day_of_year)
    assert daily(out).mean() == pytest.approx(usual.mean(), rel=0.02)


def test_one_more_measured_day_changes_far_days_little():
    known = years()
    before = daily(look(known, members=100))
    day = slice(-24, None)
    less = Measured(*(column[:-24] for column in known))
    after = daily(look(less, first=NOW, members=100))
    assert known.hour[day].size == 24
    moved = np.abs(before - after)[:, 15:].mean() / before[:, 15:].std(axis=0).mean()
    assert moved < 0.15


# --------------------------------------------------------------------------- the house changes


def painted(from_hour, factor=0.6, heat=(18.0, 16.0)):
    columns = ([1.0, factor], [18.0, heat[0]], [16.0, heat[1]], [24.0, 24.0])
    return Course(np.array([-np.inf, from_hour]), Setting(*(np.array(c) for c in columns)))


def changed(measured, course, days=DAYS, pushed=None, members=40):
    return outlook(SITE, measured, NOW, np.zeros(24 * days), members, 3, course, pushed)


def test_shade_paint_to_come_takes_its_share():
    known = years()
    plain, shaded = daily(look(known)), daily(changed(known, painted(NOW + 24 * 10)))
    np.testing.assert_allclose(shaded[:, :10], plain[:, :10])
    np.testing.assert_allclose(shaded[:, 11:], 0.6 * plain[:, 11:])


def test_days_measured_under_paint_are_read_as_such():
    known = years()
    under = known._replace(light_mol=known.light_mol * np.where(known.hour >= NOW - 24 * 90, 0.6, 1.0))
    course = Course(
        np.array([-np.inf, NOW - 24 * 90, NOW]),
        Setting(*(np.array(c) for c in ([1.0, 0.6, 1.0], [18.0] * 3, [16.0] * 3, [24.0] * 3))),
    )
    # Which of several days alike in light is taken may differ: paint bears on warmth.
    read = daily(changed(under, course, members=200)).mean(axis=0)
    np.testing.assert_allclose(read, daily(look(known, members=200)).mean(axis=0), rtol=0.01)
    mistaken = daily(look(under, members=200)).mean(axis=0)
    assert (mistaken[:10] < 0.92 * read[:10]).all()


def test_a_lower_heating_set_point_lets_the_house_cool():
    winter = history(days=300, temp=18.0)
    warm, cool = changed(winter, None, days=150), changed(winter, painted(NOW, 1.0, (12.0, 8.0)), days=150)
    last = slice(-24 * 30, None)
    assert cool.temp_c[:, last].mean() < warm.temp_c[:, last].mean() - 3.0
    assert cool.temp_c.min() >= 8.0


# --------------------------------------------------------------------------- a weather forecast


def forecast(clearness, days=6, issued=NOW, temp=10.0, first=NOW):
    hour = np.arange(first, first + 24 * days, dtype=np.int64)
    radiation = sun.extraterrestrial_hourly_mj(50.0, 5.0, hour) * clearness / 0.0036
    return Pushed(hour, np.full(hour.size, float(issued)), radiation, np.full(hour.size, temp))


def test_members_follow_a_forecast_less_and_less():
    known = years()
    plain = daily(look(known, members=200))
    out = daily(changed(known, None, pushed=forecast(0.65), members=200))
    potential = daily(changed(known, painted(-np.inf, 1.0), members=200)) * 0 + (
        light.light_mol_from_global_mj(
            sun.extraterrestrial_radiation_mj(50.0, sun.day_of_year(NOW + 24 * np.arange(DAYS) + 12))
        )
        * 0.6
    )
    clearness = out / potential
    assert clearness[:, 0].mean() == pytest.approx(0.65, rel=0.1)
    spread = clearness.std(axis=0) / (plain / potential).std(axis=0)
    assert spread[0] < 0.6
    assert spread[0] < spread[3] < spread[5] < 1.3
    apart = np.abs(out - plain).mean(axis=0) / plain.mean(axis=0)
    assert apart[5] > apart[7] > apart[9] > apart[20]
    np.testing.assert_allclose(out[:, 25:], plain[:, 25:], rtol=1e-6)


def test_a_warm_forecast_warms_the_house_and_only_in_its_span():
    known = years()
    warm = changed(known, None, pushed=forecast(0.3, temp=30.0)).temp_c
    plain = look(known).temp_c
    assert (warm - plain)[:, 10:20].mean() > 2.0
    np.testing.assert_array_equal(warm[:, 24 * 7 :], plain[:, 24 * 7 :])


def test_no_forecast_and_a_stale_one_change_nothing():
    known = years()
    plain = look(known)
    for pushed in (
        Pushed.none(),
        forecast(0.65, issued=NOW - 24 * 11),
        forecast(0.65, first=NOW - 24 * 20, issued=NOW - 24 * 20),
    ):
        out = changed(known, None, pushed=pushed)
        np.testing.assert_allclose(out.light_mol, plain.light_mol, rtol=1e-12)
        np.testing.assert_array_equal(out.temp_c, plain.temp_c)


def test_a_forecast_does_not_touch_measured_hours_and_half_of_it_is_enough():
    known = years(until=NOW + 12)
    pushed = forecast(0.65, days=2)
    pushed = pushed._replace(temp_out_c=np.full(48, np.nan))
    out, plain = changed(known, None, pushed=pushed), changed(known, None)
    np.testing.assert_array_equal(out.light_mol[:, :12], plain.light_mol[:, :12])
    np.testing.assert_array_equal(out.temp_c, plain.temp_c)
    assert np.isfinite(out.light_mol).all()
    assert out.light_mol[:, 12:24].std(axis=0).max() < plain.light_mol[:, 12:24].std(axis=0).max()


def test_a_forecast_works_without_history():
    out = daily(changed(Measured.none(), None, pushed=forecast(0.65), members=200))
    plain = daily(changed(Measured.none(), None, members=200))
    assert out[:, 0].std() < 0.7 * plain[:, 0].std()
    assert out[:, 0].mean() > 1.2 * plain[:, 0].mean()


def test_two_hundred_members_of_two_hundred_days_take_a_moment():
    known = years()
    best = min(timeit.repeat(lambda: look(known, days=200, members=200), number=1, repeat=4))
    assert best < 0.6  # 0.1 s on an idle core; room for a busy one

"""The outlook: stable luck, measured hours kept, honest where nothing was measured."""

import numpy as np
import pytest

from service.agronomy import light, sun
from service.agronomy.outlook import Measured, Site, clearness_mean, outlook

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
        * clearness_mean(50.0)
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
